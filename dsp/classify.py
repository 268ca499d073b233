"""What is on the line when it is not phase reversal."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dsp.activity import Active
from dsp.bpsk import Search
from dsp.features import Survey, View, hertz, survey, view_around, views_of
from dsp.kinds_carrier import carried
from dsp.kinds_edges import judge_edges
from dsp.kinds_keyed import judge_carrier
from dsp.kinds_levels import judge_drift, judge_levels, slow_part
from dsp.kinds_lines import Lines, find_lines, judge_lines, standing, without_lines
from dsp.kinds_many import judge_repeating, unnamed
from dsp.kinds_reversals import reversals_in
from dsp.noise import NoiseFloor
from dsp.outcome import FewFlips
from dsp.results import Refusal, Signalling
from dsp.source import Floats, Record
from dsp.verdict import Verdict

# energy over that of the quiet level in the whole band
_COMES_AND_GOES = 0.02
_OUTSIDE = 0.004
# nats of a piece of activity: what the floor's own error may bring is some tens
_BEYOND_DOUBT = 100.0


def explain_nothing(
    record: Record, noise: NoiseFloor, active: list[Active], search: Search
) -> tuple[Signalling, Refusal]:
    """Name what was found instead, and say why no bits are given."""
    found = max((piece.nats for piece in search.unexplained), default=0.0) > _BEYOND_DOUBT
    verdicts = [judge_view(view, found=found) for view in views_of(record, active, search)]
    named = [verdict for verdict in verdicts if verdict is not None]
    if not named and search.unexplained:
        # transmissions so rare that a long look averages them away
        close = judge_view(view_around(record, search.unexplained[0]), found=found)
        named = [close] if close is not None else []
    if not named:
        verdict = _quiet(noise, active)
    else:
        verdict = max(named, key=lambda v: (v.kind not in ("none", "undecided"), v.probability))
    if search.unmodulated and verdict.kind in ("tone", "ook"):
        fact = f"{len(search.unmodulated)} carrier bursts were fitted, and hardly any of them has a phase reversal"
        verdict = replace(verdict, reasons=(*verdict.reasons, fact))
    return verdict.signalling(), verdict.refusal


def reversed_carrier(record: Record, noise: NoiseFloor, search: Search) -> tuple[FewFlips, ...]:
    """Transmissions of a carrier in which no symbols were found, but reversals, most of them first; or nothing."""
    found = []
    for view in views_of(record, list(search.active), search):
        turned = reversals_in(view, float(np.median(noise.density(noise.floor_hz))))
        if turned is not None:
            spans = np.array([[view.origin, view.origin + view.samples.size]], dtype=np.float64)
            found.append(FewFlips(turned.bursts, turned.flips, turned.carrier_hz, None, spans, 0.0))
    return tuple(sorted(found, key=lambda few: -few.flips))


def judge_view(view: View, *, found: bool = False) -> Verdict | None:
    """What one stretch of samples shows; None if it shows nothing above its own quiet level.

    ``found`` says that, compared with other times, something was seen in it beyond doubt.
    """
    seen = survey(view.samples, view.rate_hz)
    if not seen.excess(gated=False).any():
        return None
    gated = seen.share(seen.excess(gated=True)) > _COMES_AND_GOES
    lines = find_lines(view)
    if not gated:
        verdict = judge_lines(view, lines)
        if verdict is not None:
            return verdict
    standing_hz = standing(lines, view.rate_hz) if gated else None
    if standing_hz is not None:
        view = without_lines(view, standing_hz)
    slow = slow_part(view, seen.white)
    verdict = judge_levels(view, slow)
    if verdict is not None and verdict.kind != "undecided":
        return verdict
    if slow.low_hz < 0.3 * slow.reach_hz:
        edges = judge_edges(slow)
        if edges is not None:
            return edges
    other = _judge_band(view, judge_drift(view, slow), gated, found, lines, standing_hz)
    return verdict if verdict is not None and (other is None or other.kind == "undecided") else other


def _judge_band(
    view: View, drift: Verdict | None, gated: bool, found: bool, lines: Lines, standing_hz: Floats | None
) -> Verdict | None:
    seen, low, high = _band(view, gated)
    reach = 2.0 * seen.step_hz
    limits = (max(0.0, low - reach), min(high + reach, view.rate_hz / 2.0))
    band = carried(view, limits, seen.white, standing_hz) if high > 0.0 else None
    if band is None or (drift is not None and low < 8.0 * seen.step_hz):
        return drift
    plain = not gated and not found and float(lines.power.sum()) < 0.02 * lines.rest
    return (
        judge_carrier(view, band) or judge_repeating(band) or drift or unnamed(band, gated=gated, plain=plain)
    )


def _band(view: View, gated: bool) -> tuple[Survey, float, float]:
    """The band that holds what stands out, in frames long enough to see its width; (.., 0, 0) if there is none."""
    longest = 1 << 10
    while True:
        seen = survey(view.samples, view.rate_hz, longest)
        excess = seen.excess(gated=gated)
        if not excess.any():
            excess = seen.excess(gated=False)
        excess = _above_drift(seen, excess)
        if not excess.any():
            return seen, 0.0, 0.0
        low, high = seen.band(excess, _OUTSIDE)
        if high - low > 24.0 * seen.step_hz or 32 * longest > view.samples.size:
            return seen, low, high
        longest *= 8


def _above_drift(seen: Survey, excess: Floats) -> Floats:
    """An excess without what lies next to zero frequency, if there is something apart from it."""
    present = excess > 0.0
    if not present[:6].any():
        return excess
    clear = np.convolve(~present, np.ones(6), "valid") == 6.0
    gap = int(np.argmax(clear)) if clear.any() else 0
    above = np.where(np.arange(excess.size) > gap, excess, 0.0)
    below = np.cumsum(excess[:gap])
    slow = gap > 0 and float(below[min(3, gap - 1)]) > 0.5 * float(below[-1])
    return above if slow and seen.share(above) > _COMES_AND_GOES else excess


def _quiet(noise: NoiseFloor, active: list[Active]) -> Verdict:
    middle = float(np.median(noise.density(noise.floor_hz)))
    reasons = [
        f"the spectrum stays at its quiet level (in the middle {np.sqrt(middle):.3g} units per root hertz) "
        "everywhere and all the time"
    ]
    nats = max((a.best.nats for a in active), default=0.0)
    if active:
        reasons.append(
            f"the strongest of {len(active)} stretches that stand out, near {hertz(active[0].best.low_hz)}, is too weak "
            f"to say what it is (log-likelihood ratio {nats:.0f} against noise)"
        )
    text = "nothing stands out of the noise: no transmissions found; select a span or tell a carrier to look closer"
    others = (("undecided", 0.02 + min(0.4, 0.004 * max(0.0, nats - 30.0))),)
    return Verdict("none", 0.97 - others[0][1], others, tuple(reasons), Refusal("no-bursts", text))
