"""Steady narrow lines and nothing else: a bare tone, a repeating waveform such as supply ripple, many carriers."""

from __future__ import annotations

from dataclasses import dataclass

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
    from scipy.ndimage import median_filter

    samples = view.samples
    power = frame_spectra(samples, view.rate_hz, samples.size)[0]
    step = view.rate_hz / samples.size
    around = median_filter(power, 101, mode="nearest")
    quiet = float(np.quantile(around, 0.15)) / np.log(2.0)
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
    rest = float(np.maximum(power[3:] - 1.5 * quiet, 0.0)[~taken[3:]].sum()) * step
    hz = np.array(centres) * step
    return Lines(hz, np.array(energies), _steadiness(view, hz), rest, quiet * view.rate_hz / 2.0, step)


def _steadiness(view: View, hz: Floats) -> Floats:
    """Least over mean power of each line, over sixteenths of the view."""
    length = max(16, view.samples.size // 16)
    power = frame_spectra(view.samples, view.rate_hz, length)
    bins = np.rint(hz * length / view.rate_hz).astype(np.int64)
    near = np.stack([power[:, np.clip(bins + k, 0, power.shape[1] - 1)] for k in (-1, 0, 1)]).sum(axis=0)
    return np.asarray(near.min(axis=0) / np.maximum(near.mean(axis=0), 1e-300))


def judge_lines(view: View) -> Verdict | None:
    """A verdict if steady lines are all there is; else None."""
    lines = find_lines(view)
    if lines.hz.size == 0:
        return None
    strong = lines.power > 0.01 * lines.power[0]
    if lines.rest > 0.02 * float(lines.power.sum()) + 0.1 * lines.quiet:
        return None
    if float(np.average(lines.steady[strong], weights=lines.power[strong])) < 0.3:
        return None
    share = float(lines.power.sum()) / (float(lines.power.sum()) + lines.rest)
    over = 10.0 * float(np.log10(lines.power[0] / max(lines.quiet, 1e-300)))
    facts = (
        f"steady narrow lines hold {100.0 * share:.1f} % of what stands above the noise",
        f"the strongest, at {hertz(float(lines.hz[0]))}, is {over:.0f} dB above all the noise together "
        f"and never falls below {100.0 * float(lines.steady[0]):.0f} % of its mean power",
    )
    many = int(strong.sum())
    fundamental = common_fundamental(lines.hz[strong], lines.step_hz) if many >= 3 else None
    if float(lines.power[0]) > 0.95 * float(lines.power.sum()):
        return _tone(lines, facts)
    if fundamental is not None:
        return _repeating(lines, fundamental, many, facts)
    if many >= 2:
        return _many(lines, many, facts)
    return _tone(lines, facts)


def _tone(lines: Lines, facts: tuple[str, ...]) -> Verdict:
    at = hertz(float(lines.hz[0]))
    text = (
        f"a steady tone at {at} without any keying carries no bits; select a span in which something is "
        "sent, or tell a carrier"
    )
    sure = weigh(float(lines.steady[0]), 0.35, 0.08)
    return Verdict("tone", sure, (("none", 0.03), ("ook", 0.02)), facts, Refusal("steady-tone", text))


def _repeating(lines: Lines, fundamental: float, many: int, facts: tuple[str, ...]) -> Verdict:
    found = f"{many} lines are whole multiples of {hertz(fundamental)}: one waveform that repeats without change"
    text = (
        f"only a waveform repeating at {hertz(fundamental)}, such as supply ripple or a clock, is on the line; "
        "select a span in which something is sent, or tell a carrier"
    )
    others = (("tone", 0.08), ("baseband", 0.04), ("multi-carrier", 0.04))
    return Verdict("none", 0.84, others, (*facts, found), Refusal("ripple", text))


def _many(lines: Lines, many: int, facts: tuple[str, ...]) -> Verdict:
    found = f"{many} lines within 20 dB of each other, at no multiples of one frequency, stand at the same time"
    text = (
        f"{many} steady carriers stand side by side without keying that could be told apart; "
        "tell one of them as carrier"
    )
    sure = 0.55 if many == 2 else min(0.97, 0.75 + 0.04 * many)
    others = (("tone", 0.5 if many == 2 else 0.1), ("none", 0.1), ("fsk", 0.05))
    return Verdict("multi-carrier", sure, others, (*facts, found), Refusal("many-carriers", text))


def common_fundamental(hz: Floats, step_hz: float) -> float | None:
    """The frequency that lines (n,) are multiples of, each to a part of the resolution; None if there is none.

    Chance is kept out by asking that the multiples be few: lines at random fit multiples of something
    very low.
    """
    low = np.sort(hz)
    gaps = np.concatenate((low[:1], np.diff(low)))
    for guess in np.unique(np.round(gaps[gaps > 4.0 * step_hz] / step_hz))[:40] * step_hz:
        for part in (1.0, 0.5, 1.0 / 3.0):
            trial = float(guess) * part
            for _ in range(3):
                order = np.maximum(1.0, np.rint(hz / trial))
                trial = float(np.sum(order * hz) / np.sum(order * order))
            error = np.abs(hz - order * trial) / step_hz
            if trial > 8.0 * step_hz and float(order.max()) < 6.0 * hz.size and float(np.mean(error < 0.6)) > 0.9:
                return trial
    return None
