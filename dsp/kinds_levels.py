"""Levels instead of a carrier: keyed between two levels, resting with pulses, stepping once, or wandering."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dsp.features import Unit, View, common_unit, crossings, frame_spectra, hertz, mixture, seconds
from dsp.results import Refusal
from dsp.source import Floats
from dsp.verdict import Verdict, weigh

# a sine cut into two levels has a separation of 4.1 (`dsp.features.Mixture`), what is keyed far more
_TWO_LEVELS = 5.0
_SPAN = "select a span with more of it, or tell the modulation"


@dataclass(frozen=True, eq=False)
class Slow:
    """The view thinned to a few samples per fastest change (``raw``), and what lies above its band filtered out."""

    values: Floats
    noise_variance: float
    raw: Floats
    raw_noise: float
    rate_hz: float
    reach_hz: float
    low_hz: float
    median_hz: float


def slow_part(view: View, white: float) -> Slow:
    """Lower the sample rate while nearly all that stands above the noise lies far below half of it.

    ``white`` is the one-sided density of the noise.
    """
    values, rate = view.samples, view.rate_hz
    while True:
        length = 1 << int(np.clip(np.log2(values.size / 16.0), 4, 11))
        hz = np.fft.rfftfreq(length, 1.0 / rate)
        mean = frame_spectra(values, rate, length).mean(axis=0)
        total = np.cumsum(np.maximum(mean - 1.6 * white, 0.0))
        low, median, high, reach = (
            float(hz[np.searchsorted(total, q * total[-1])]) for q in (0.01, 0.5, 0.95, 0.985)
        )
        thin = min(int(rate / (8.0 * max(reach, hz[1]))), values.size // 512)
        if thin < 2:
            break
        values = values[: values.size // thin * thin].reshape(-1, thin).mean(axis=1)
        rate /= thin
    edge = min(1.3 * max(reach, float(hz[1])), rate / 2.0)
    spectrum = np.fft.rfft(values)
    spectrum[np.fft.rfftfreq(values.size, 1.0 / rate) > edge] = 0.0
    smooth = np.fft.irfft(spectrum, values.size)
    return Slow(smooth, white * edge, values, white * rate / 2.0, rate, high, low, median)


@dataclass(frozen=True, eq=False)
class Keyed:
    """Two levels and the instants (n,) in seconds of the view at which one gives way to the other.

    ``rest`` is -1 or 1 if the line rests at the lower or upper one, 0 if between them, None if it never rests.
    """

    low: float
    high: float
    separation: float
    upper_share: float
    edges_s: Floats
    upwards: NDArray[np.bool_]
    rest: int | None
    unit: Unit | None

    @property
    def runs_s(self) -> Floats:
        return np.diff(self.edges_s)


def find_keyed(slow: Slow) -> list[Keyed]:
    """The two levels that the values are keyed between, if any, with and without what lies above their band.

    Filtering takes noise off but rounds edges.
    """
    tried = (
        _keyed_between(slow, slow.values, slow.noise_variance),
        _keyed_between(slow, slow.raw, slow.raw_noise),
    )
    return [keyed for keyed in tried if keyed is not None]


def _keyed_between(slow: Slow, values: Floats, noise: float) -> Keyed | None:
    two = mixture(values, 2)
    between = two.separation(noise) < _TWO_LEVELS
    if between:
        inside = _without_rest(values)
        if inside is None:
            return None
        two = mixture(values[inside], 2)
        if two.separation(noise) < _TWO_LEVELS:
            return None
    low, high = two.levels
    if high - low < 3.0 * two.spread:
        return None
    at, up = crossings(values, low, high)
    if between and at.size < 8:
        return None
    keyed = Keyed(low, high, two.separation(noise), two.weights[1], at / slow.rate_hz, up, None, None)
    keyed = replace(keyed, unit=common_unit(keyed.runs_s))
    return replace(keyed, rest=0 if between else _resting(keyed, values.size / slow.rate_hz))


def _without_rest(values: Floats) -> NDArray[np.bool_] | None:
    """Where values (n,) do not rest at a level midway between two others; None if there is no such level."""
    three = mixture(values, 3)
    low, mid, high = three.levels
    if abs(mid - (low + high) / 2.0) > 0.15 * (high - low):
        return None
    outer = np.abs(values - mid) > 0.25 * (high - low)
    change = np.flatnonzero(np.diff(outer.astype(np.int8))) + 1
    bounds = np.concatenate(([0], change, [values.size]))
    lengths = np.diff(bounds)
    states = outer[bounds[:-1]]
    if not states.any() or states.all():
        return None
    # crossing the middle takes less time than is spent outside
    rest = 2.0 * float(np.median(lengths[states]))
    keep = np.repeat(states | (lengths < rest), lengths)
    return keep if keep.sum() > 64 else None


def _resting(keyed: Keyed, duration_s: float) -> int | None:
    """At which of the two levels the line spends stretches far longer than at the other."""
    if keyed.edges_s.size < 2:
        return None
    runs = np.diff(np.concatenate(([0.0], keyed.edges_s, [duration_s])))
    upper = np.concatenate((~keyed.upwards[:1], keyed.upwards))
    longest = {1: float(runs[upper].max(initial=0.0)), -1: float(runs[~upper].max(initial=0.0))}
    side = 1 if longest[1] > longest[-1] else -1
    unit = keyed.unit.length if keyed.unit is not None and keyed.unit.fit > 0.6 else float(np.median(runs))
    if longest[side] > 12.0 * unit and longest[side] > 2.5 * longest[-side]:
        return side
    return None


def judge_levels(view: View, slow: Slow) -> Verdict | None:
    """A verdict if the line is keyed between levels, rests with pulses, or steps; else None."""
    if slow.low_hz > 0.2 * slow.reach_hz:
        return None
    verdicts = [_judge(view, keyed) for keyed in find_keyed(slow)]
    return max(verdicts, key=lambda v: (v.kind != "undecided", v.probability), default=None)


def _judge(view: View, keyed: Keyed) -> Verdict:
    if keyed.edges_s.size <= 3:
        return _stepping(view, keyed)
    return _pulsing(keyed) or _few(keyed) or _keyed(keyed)


def judge_drift(view: View, slow: Slow) -> Verdict | None:
    """A verdict if nearly all that stands above the noise is slower than the view is long; else None."""
    turns = slow.median_hz * view.duration_s
    if turns > 6.0 or slow.reach_hz * view.duration_s > 120.0:
        return None
    reason = (
        f"half of what stands above the noise lies below {hertz(slow.median_hz)}, {turns:.1f} turns in the "
        f"{seconds(view.duration_s)} looked at, and 95 % below {hertz(slow.reach_hz)}"
    )
    text = f"the level only wanders, with no two levels that it would return to; {_SPAN}"
    others: tuple[tuple[str, float], ...] = (("baseband", 0.06), ("ask", 0.02))
    return Verdict("none", weigh(6.0 - turns, -1.0, 1.5), others, (reason,), Refusal("wander", text))


def _stepping(view: View, keyed: Keyed) -> Verdict:
    many = keyed.edges_s.size
    times = ", ".join(seconds(view.origin / view.rate_hz + float(t)) for t in keyed.edges_s)
    how = {0: "does not change", 1: "changes once", 2: "changes twice"}.get(many, f"changes {many} times")
    reason = f"the level {how} (at {times} from the first sample) and stays where it is in between"
    text = f"a level that {how} carries no symbols that could be told; {_SPAN}"
    others: tuple[tuple[str, float], ...] = (("baseband", 0.05 * many), ("pulses", 0.03 * many))
    return Verdict("none", 0.95 - 0.08 * many, others, (reason,), Refusal("step", text))


def _pulsing(keyed: Keyed) -> Verdict | None:
    """Pulses of one width from a line at rest."""
    if keyed.upper_share < 0.3:
        side = True
    elif keyed.upper_share > 0.7:
        side = False
    else:
        return None
    begins = keyed.upwards == side
    widths = keyed.runs_s[begins[:-1]]
    gaps = keyed.runs_s[~begins[:-1]]
    if widths.size < 4 or gaps.size < 3:
        return None
    width = float(np.median(widths))
    # median deviation in units of a standard deviation: two pulses that ran together do not count
    stray = 1.48 * float(np.median(np.abs(widths - width))) / width
    sure = weigh(0.22 - stray, 0.0, 0.04) * weigh(float(np.median(gaps)) / width, 2.5, 0.4)
    if sure < 0.4:
        return None
    where = "above" if side else "below"
    reasons = (
        f"{widths.size} pulses {where} the level at which the line rests, {seconds(width)} wide "
        f"with a scatter of {100.0 * stray:.0f} %",
        f"between them {seconds(float(gaps.min()))} to {seconds(float(gaps.max()))}, "
        f"in the middle {seconds(float(np.median(gaps)))}",
    )
    text = (
        "pulses of one width are sent and what they mean lies in their distances, for which no rule is known"
    )
    others: tuple[tuple[str, float], ...] = (("dominant-recessive", 0.08), ("baseband", 0.05), ("none", 0.04))
    return Verdict("pulses", 0.95 * sure, others, reasons, Refusal("pulses", text))


def _few(keyed: Keyed) -> Verdict | None:
    """Two or three pulses far apart."""
    share = min(keyed.upper_share, 1.0 - keyed.upper_share)
    if keyed.edges_s.size >= 8 or share > 0.1:
        return None
    many = keyed.edges_s.size // 2
    reason = f"{many} pulses stand apart, {100.0 * share:.1f} % of the time in all"
    text = f"{many} pulses are too few to tell what they mean; {_SPAN}"
    others: tuple[tuple[str, float], ...] = (("none", 0.3), ("baseband", 0.08), ("dominant-recessive", 0.05))
    return Verdict("pulses", 0.5, others, (reason,), Refusal("few-pulses", text))


def _keyed(keyed: Keyed) -> Verdict:
    unit, many = keyed.unit, keyed.edges_s.size
    reasons = [
        f"the line takes two levels, {keyed.separation:.1f} times their own scatter apart, and changes {many} times"
        if np.isfinite(keyed.separation)
        else f"the line takes two levels with no scatter beyond the noise, and changes {many} times"
    ]
    clocked = unit is not None and unit.nats > 3.0 and unit.fit > 0.5
    if unit is not None and clocked:
        runs = keyed.runs_s[keyed.runs_s < 12.0 * unit.length] / unit.length
        one, two = (100.0 * float(np.mean(np.rint(runs) == k)) for k in (1, 2))
        reasons.append(
            f"times between changes are multiples of {seconds(unit.length)} (fit {unit.fit:.2f} of 1); "
            f"{one:.0f} % last one such unit, {two:.0f} % two"
        )
        if one + two > 97.0 and runs.size > 20:
            reasons.append("no level lasts longer than two units, as in Manchester coding")
    else:
        reasons.append("times between changes share no unit")
    sure = weigh(unit.nats, 3.0, 2.0) * weigh(unit.fit, 0.5, 0.08) if unit is not None else 0.05
    sure *= weigh(keyed.separation, _TWO_LEVELS, 0.5) if np.isfinite(keyed.separation) else 1.0
    return _named(keyed, sure, tuple(reasons))


def _named(keyed: Keyed, sure: float, reasons: tuple[str, ...]) -> Verdict:
    if sure < 0.3:
        text = f"the line changes between two levels but at no regular times that would be symbols; {_SPAN}"
        others: tuple[tuple[str, float], ...] = (
            ("baseband", 0.3),
            ("pulses", 0.15),
            ("dominant-recessive", 0.1),
            ("none", 0.2),
        )
        return Verdict("undecided", 0.4, others, reasons, Refusal("no-symbol-clock", text))
    text = "the line is keyed between levels without a carrier, and no phase reversals are on it to decode"
    if keyed.rest in (-1, 1):
        where = "upper" if keyed.rest == 1 else "lower"
        reasons = (
            *reasons,
            f"between transmissions it rests at the {where} level, and leaves it to one side only",
        )
        others = (("baseband", 0.3), ("pulses", 0.04))
        return Verdict("dominant-recessive", 0.66 * sure, others, reasons, Refusal("two-levels", text))
    if keyed.rest == 0:
        reasons = (*reasons, "between transmissions it rests midway between the two levels")
    else:
        reasons = (*reasons, "it shows no level at which it would rest")
    others = (("dominant-recessive", 0.04), ("bpsk", 0.05), ("pulses", 0.02))
    return Verdict("baseband", 0.95 * sure, others, reasons, Refusal("two-levels", text))
