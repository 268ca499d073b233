"""Levels whose slow part the line or the probe does not pass on: only their changes keep one height.

After a coupling capacitor the level between two changes sinks back, so that no two levels are left to
find. A change still jumps by the same height, and up and down take turns.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.features import Unit, common_unit, mixture, seconds
from dsp.kinds_levels import Slow
from dsp.results import Refusal
from dsp.source import Floats
from dsp.verdict import Verdict, weigh

_FEWEST = 12


@dataclass(frozen=True, eq=False)
class Jumps:
    """Sudden changes: instants (n,) in samples, heights (n,) with sign, how far apart from none at all."""

    at: Floats
    heights: Floats
    separation: float
    unit: Unit

    @property
    def alternating(self) -> float:
        """Share of jumps that go the other way than the one before."""
        return float(np.mean(np.diff(np.sign(self.heights)) != 0.0))

    @property
    def uneven(self) -> float:
        """Scatter of the heights over their middle."""
        size = np.abs(self.heights)
        middle = float(np.median(size))
        return 1.48 * float(np.median(np.abs(size - middle))) / middle


def find_jumps(values: Floats, lag: int) -> Jumps | None:
    """Changes of the mean over ``lag`` samples that stand far out; None if they are no clear few."""
    sums = np.concatenate(([0.0], np.cumsum(values)))
    change = (sums[2 * lag :] - 2.0 * sums[lag:-lag] + sums[: -2 * lag]) / lag
    three = mixture(change, 3)
    down, none, up = three.levels
    if none - down < 2.5 * three.spread or up - none < 2.5 * three.spread:
        return None
    if abs(up + down) > 0.3 * (up - down) or three.weights[1] < 0.5:
        return None
    size = np.abs(change)
    out = np.concatenate(([False], size > (up - down) / 4.0, [False]))
    begin = np.flatnonzero(out[1:] & ~out[:-1])
    end = np.flatnonzero(~out[1:] & out[:-1])
    if begin.size < _FEWEST:
        return None
    sums = np.concatenate(([0.0], np.cumsum(size)))
    moments = np.concatenate(([0.0], np.cumsum(size * np.arange(size.size))))
    at = (moments[end] - moments[begin]) / (sums[end] - sums[begin])
    heights = np.array([change[a + int(np.argmax(size[a:b]))] for a, b in zip(begin, end, strict=True)])
    unit = common_unit(np.diff(at))
    return Jumps(at, heights, three.separation(), unit) if unit is not None else None


def judge_edges(slow: Slow) -> Verdict | None:
    """A verdict if jumps of one height alternate at multiples of one unit; else None."""
    best: tuple[float, Jumps] | None = None
    for lag in (1, 2, 3, 4, 6, 8, 12, 16):
        if slow.values.size < 64 * lag:
            break
        jumps = find_jumps(slow.values, lag)
        if jumps is None or jumps.unit.length < 2.0 * lag:
            continue
        sure = (
            weigh(jumps.separation, 3.6, 0.15)
            * weigh(jumps.alternating, 0.92, 0.012)
            * weigh(0.3 - jumps.uneven, 0.0, 0.03)
        )
        sure *= weigh(jumps.unit.nats, 3.0, 1.0) * weigh(jumps.unit.fit, 0.58, 0.05)
        if best is None or sure > best[0]:
            best = (sure, jumps)
    if best is None or best[0] < 0.4:
        return None
    sure, jumps = best
    reasons = (
        f"{jumps.at.size} sudden changes of one height (scatter {100.0 * jumps.uneven:.0f} %), "
        f"{100.0 * jumps.alternating:.0f} % of them the other way than the one before, with no steady level "
        "between: levels behind a coupling that passes no slow part",
        f"times between changes are multiples of {seconds(jumps.unit.length / slow.rate_hz)} "
        f"(fit {jumps.unit.fit:.2f} of 1)",
    )
    text = "the line is keyed between levels without a carrier, and no phase reversals are on it to decode"
    others = (("bpsk", 0.06), ("pulses", 0.05), ("dominant-recessive", 0.04))
    return Verdict("baseband", 0.9 * sure, others, reasons, Refusal("two-levels", text))
