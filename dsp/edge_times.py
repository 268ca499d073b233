"""How well the edges of a burst are known in time, given that it has the symbols it has."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from dsp.results import Burst
from dsp.source import Floats

# half the width of a 95 % interval in standard deviations of a normal distribution
_HALF_WIDTH = 1.959964


@dataclass(frozen=True)
class EdgeTimes:
    """Standard uncertainties of a burst's edges in seconds.

    ``grid_s`` is that of the symbol grid at its best known point, ``reach_start_s`` and ``reach_end_s`` what the
    uncertainty of the symbol period adds from there to either edge.
    """

    grid_s: float
    reach_start_s: float
    reach_end_s: float

    @property
    def start_std_s(self) -> float:
        return math.hypot(self.grid_s, self.reach_start_s)

    @property
    def end_std_s(self) -> float:
        return math.hypot(self.grid_s, self.reach_end_s)


def edge_times(burst: Burst, sample_s: float) -> EdgeTimes | None:
    """Standard uncertainties of ``burst.start_s`` and ``burst.end_s``; None without a symbol rate.

    ``sample_s`` is the time between samples. The symbol grid is a straight line through the flips, whose own 95 %
    intervals are ``flips_interval_s``; a weighted fit of a line knows it best at the weighted mean of the flips, and
    away from there the uncertainty of the slope, here the symbol period, grows with the distance (JCGM 100:2008, H.3,
    the calibration line). At that point three parts are added (5.1.2):

    * ``1 / sqrt(sum 1 / u_i^2)``, widened by the Birge ratio where the flips scatter about the grid by more than they
      claim (R. T. Birge, Phys. Rev. 40, 207, 1932);
    * the mean distance of the flips from the grid, since both estimate the same from the same samples: what is not
      modelled, such as rounded edges, shows there;
    * the sampling: a reversal between two samples can be anywhere between them, and those of the grid narrow that
      down to the widest gap that their places between samples leave, every place in it being equally likely
      (4.3.7); where a symbol has a whole number of samples all flips lie alike, and the gap is one sample.

    Where there is no flip the edges are only known to lie within half a symbol to either side (4.3.7). Whether there is
    a symbol more or fewer is told apart, by the probabilities of the ends.
    """
    rate_bd = burst.symbol_rate_bd
    if rate_bd is None or not rate_bd > 0:
        return None
    period_s = 1 / rate_bd
    period_relative_std = (burst.symbol_rate_std_bd or 0.0) / rate_bd
    length_s = burst.end_s - burst.start_s
    times_s = np.asarray(burst.flips_s, dtype=float)[: len(burst.flips_interval_s)] - burst.start_s
    ends_s = np.asarray(burst.flips_interval_s, dtype=float).reshape(-1, 2)
    stds_s = (ends_s[:, 1] - ends_s[:, 0]) / (2 * _HALF_WIDTH)
    good = np.isfinite(stds_s) & (stds_s > 0) & np.isfinite(times_s)
    if not good.any():
        grid_s, middle_s = period_s / math.sqrt(12), length_s / 2
    else:
        times_s, weights = times_s[good], stds_s[good] ** -2
        edge = np.round(times_s * rate_bd)
        off_s = times_s - edge * period_s
        total = float(weights.sum())
        away_s = float((weights * off_s).sum() / total)
        chi_squared = float((weights * (off_s - away_s) ** 2).sum())
        birge = max(1.0, chi_squared / max(1, times_s.size - 1))
        gap_s = _widest_gap(edge * period_s / sample_s) * sample_s
        grid_s = math.sqrt(birge / total + away_s**2 + gap_s**2 / 12)
        middle_s = float((weights * edge).sum() / total) * period_s
    return EdgeTimes(
        grid_s, abs(middle_s) * period_relative_std, abs(length_s - middle_s) * period_relative_std
    )


def _widest_gap(places: Floats) -> float:
    """The widest gap, 0 to 1, between the fractional parts of ``places`` (n,) on a circle."""
    parts = np.sort(np.mod(places, 1.0))
    return float(np.max(np.diff(np.append(parts, parts[0] + 1.0))))


def interval_std(one: Burst, other: Burst, sample_s: float) -> float | None:
    """Standard uncertainty in seconds of the time from the end of ``one`` to the start of ``other``.

    The grids are independent. What the symbol period adds is common to both where the bursts share their period, so it
    is added up, as for inputs that are fully correlated (JCGM 100:2008, 5.2.2 with r = 1, and the signs alike).
    """
    first, second = edge_times(one, sample_s), edge_times(other, sample_s)
    if first is None or second is None:
        return None
    return math.hypot(first.grid_s, second.grid_s, first.reach_end_s + second.reach_start_s)
