"""Steady narrow lines and nothing else: a bare tone, a repeating waveform such as supply ripple, many carriers."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.features import View, frame_spectra, hertz
from dsp.results import Refusal
from dsp.source import Floats
from dsp.verdict import Verdict, weigh

_LINES_AT_MOST = 200
# over the median around: the largest of 10^5 exponential ordinates stays below
_CONTRAST = 25.0
_REACH = 4


@dataclass(frozen=True, eq=False)
class Lines:
    """Lines (n,), strongest first: frequency, mean square, least part of it that any stretch of time shows.

    ``rest`` is the mean square of everything else above the quiet level, ``quiet`` that of the quiet level.
    """

    hz: Floats
    power: Floats
    steady: Floats
    rest: float
    quiet: float
    step_hz: float


def find_lines(view: View) -> Lines:
    """Lines of the whole view's spectrum that are there all the time."""
    from scipy.ndimage import uniform_filter1d

    samples = view.samples
    power = frame_spectra(samples, view.rate_hz, samples.size)[0]
    step = view.rate_hz / samples.size
    around = _block_medians(power)
    quiet = float(np.quantile(around, 0.15)) / float(np.log(2.0))
    peaks = np.flatnonzero((power[1:-1] >= power[:-2]) & (power[1:-1] > power[2:])) + 1
    peaks = peaks[power[peaks] > _CONTRAST * np.maximum(around[peaks], quiet)]
    peaks = peaks[np.argsort(-power[peaks])]
    taken = np.zeros(power.size, dtype=np.bool_)
    centres: list[float] = []
    energies: list[float] = []
    for peak in peaks.tolist():
        if taken[peak] or peak < 3 or len(centres) == _LINES_AT_MOST:
            continue
        # the skirt of a strong line is no line of its own
        reach = _REACH
        while reach < 64 and power[peak] / reach**6 > quiet:
            reach += 1
        near = slice(max(0, peak - _REACH), peak + _REACH + 1)
        energies.append(float(power[near].sum()) * step)
        centres.append(float(np.sum(power[near] * np.arange(power.size)[near]) / power[near].sum()))
        taken[max(0, peak - reach) : peak + reach + 1] = True
    free = (~taken).astype(np.float64)
    broad = uniform_filter1d(power * free, 33) / np.maximum(uniform_filter1d(free, 33), 1.0 / 33.0)
    rest = float(np.sum(np.maximum(broad - 1.6 * quiet, 0.0) * free)) * step
    hz = np.array(centres) * step
    return Lines(hz, np.array(energies), _steadiness(view, hz), rest, quiet * view.rate_hz / 2.0, step)


def _block_medians(power: Floats, size: int = 64) -> Floats:
    """Median of each bin's surroundings, interpolated between blocks of bins."""
    blocks = max(1, power.size // size)
    medians = np.median(power[: blocks * size].reshape(blocks, -1), axis=1)
    return np.interp(np.arange(power.size), (np.arange(blocks) + 0.5) * size, medians)


def _steadiness(view: View, hz: Floats) -> Floats:
    """Least over mean power of each line, over sixteenths of the view."""
    length = max(16, view.samples.size // 16)
    power = frame_spectra(view.samples, view.rate_hz, length)
    bins = np.rint(hz * length / view.rate_hz).astype(np.int64)
    near = np.stack([power[:, np.clip(bins + k, 0, power.shape[1] - 1)] for k in (-1, 0, 1)]).sum(axis=0)
    return np.asarray(near.min(axis=0) / np.maximum(near.mean(axis=0), 1e-300))


def standing(lines: Lines, rate_hz: float) -> Floats:
    """Frequencies of the lines that are no part of what comes and goes: steady, or multiples of steady ones."""
    kept = lines.steady > 0.8
    if kept.any():
        alone = replace(lines, hz=lines.hz[kept], power=lines.power[kept], steady=lines.steady[kept])
        fundamental = common_fundamental(alone, rate_hz)
        if fundamental is not None:
            order = np.maximum(1.0, np.rint(lines.hz / fundamental))
            kept |= np.abs(lines.hz - order * fundamental) < 0.7 * lines.step_hz
    return lines.hz[kept]


def without_lines(view: View, lines_hz: Floats, most: int = 12) -> View:
    """The view with lines fitted and taken off, the first ``most`` of them."""
    if lines_hz.size == 0:
        return view
    samples = view.samples - view.samples.mean()
    at = np.arange(samples.size)
    for line_hz in lines_hz[:most].tolist():
        wave = np.exp((-2j * np.pi * line_hz / view.rate_hz) * at)
        amplitude = 2.0 * complex(samples @ wave) / samples.size
        samples -= (amplitude * np.conj(wave)).real
    return View(samples, view.origin, view.rate_hz)


def judge_lines(view: View, lines: Lines) -> Verdict | None:
    """A verdict if steady lines are all there is; else None."""
    if lines.hz.size == 0:
        return None
    strong = lines.power > 0.01 * lines.power[0]
    if lines.rest > 0.02 * float(lines.power.sum()) + 0.03 * lines.quiet:
        return None
    steady = float(np.average(lines.steady[strong], weights=lines.power[strong]))
    if steady < 0.3:
        return None
    share = float(lines.power.sum()) / (float(lines.power.sum()) + lines.rest)
    over = 10.0 * float(np.log10(lines.power[0] / max(lines.quiet, 1e-300)))
    facts = (
        f"steady narrow lines hold {100.0 * share:.1f} % of what stands above the noise",
        f"the strongest, at {hertz(float(lines.hz[0]))}, is {over:.0f} dB above all the noise together "
        f"and never falls below {100.0 * float(lines.steady[0]):.0f} % of its mean power",
    )
    many = int(strong.sum())
    fundamental = common_fundamental(lines, view.rate_hz)
    if float(lines.power[0]) > 0.95 * float(lines.power.sum()):
        return _tone(lines, facts)
    if fundamental is not None:
        return _repeating(fundamental, lines.hz.size, facts)
    spots = lines.hz[strong] / lines.step_hz
    many = 1 + int(np.sum(np.diff(np.sort(spots)) > 16.0))
    if many == 1:
        # several bins of one line that is not as narrow as the view is long
        return None
    return _many(many, steady, facts)


def _tone(lines: Lines, facts: tuple[str, ...]) -> Verdict:
    at = hertz(float(lines.hz[0]))
    text = (
        f"a steady tone at {at} without any keying carries no bits; select a span in which something is "
        "sent, or tell a carrier"
    )
    sure = weigh(float(lines.steady[0]), 0.35, 0.08)
    return Verdict("tone", sure, (("none", 0.03), ("ook", 0.02)), facts, Refusal("steady-tone", text))


def _repeating(fundamental: float, many: int, facts: tuple[str, ...]) -> Verdict:
    found = (
        f"the {many} lines are multiples of {hertz(fundamental)}: one waveform that repeats without change"
    )
    text = (
        f"only a waveform repeating at {hertz(fundamental)}, such as supply ripple or a clock, is on the line; "
        "select a span in which something is sent, or tell a carrier"
    )
    others = (("tone", 0.08), ("baseband", 0.04), ("multi-carrier", 0.04))
    return Verdict("none", 0.84, others, (*facts, found), Refusal("ripple", text))


def _many(many: int, steady: float, facts: tuple[str, ...]) -> Verdict | None:
    found = (
        f"{many} lines within 20 dB of each other, at no multiples of one frequency, stand at the same time"
    )
    text = (
        f"{many} steady carriers stand side by side without keying that could be told apart; "
        "tell one of them as carrier"
    )
    sure = (0.55 if many == 2 else min(0.97, 0.75 + 0.04 * many)) * weigh(steady, 0.45, 0.06)
    if sure < 0.4:
        return None
    others = (("tone", 0.5 if many == 2 else 0.1), ("none", 0.1), ("fsk", 0.05))
    return Verdict("multi-carrier", sure, others, (*facts, found), Refusal("many-carriers", text))


def common_fundamental(lines: Lines, rate_hz: float) -> float | None:
    """The frequency of which the lines are multiples, also folded back at half the sample rate; None if of none.

    A line at random lies near one of the multiples with a probability of a few percent, so three that do are
    enough if they hold nearly all the power.
    """
    strongest = float(lines.hz[0])
    power = lines.power / float(lines.power.sum())
    for part in (1, 2, 3, 4, 5):
        trial = strongest / part
        if trial < 16.0 * lines.step_hz:
            break
        # the multiples must leave room between them
        most = int(min(200, 0.05 * rate_hz / lines.step_hz))
        fits = np.zeros(lines.hz.size, dtype=np.bool_)
        for highest in (part, 3 * part, 12, 40, most):
            orders = np.arange(1, min(highest, most) + 1)
            at = np.abs((orders * trial + rate_hz / 2.0) % rate_hz - rate_hz / 2.0)
            miss = np.abs(lines.hz[:, None] - at[None, :])
            fits = miss.min(axis=1) < 0.7 * lines.step_hz
            order = orders[np.argmin(miss, axis=1)]
            plain = fits & (order * trial < rate_hz / 2.0)
            if plain.any():
                weight = power[plain] * order[plain]
                trial = float(np.sum(weight * lines.hz[plain]) / np.sum(weight * order[plain]))
        needed = 2 if lines.hz.size == 2 else 3
        if float(power[fits].sum()) > 0.9 and fits.sum() >= max(needed, 0.5 * min(fits.size, 20)):
            return trial
    return None
