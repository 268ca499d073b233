"""How well a symbol grid that somebody laid over a trace fits the flips there."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dsp.errors import BadInputError
from dsp.hand_flips import OFF_GRID

_LEAST_FLIPS = 3  # at different edges: two lie on some line whatever they are


@dataclass(frozen=True)
class GridCheck:
    """Flips against the edges ``start_s + k period_s``, k from 0 to ``count``.

    Of the times given, ``inside`` are the indices of those at the grid, no more than half a symbol beyond its ends;
    ``numbers`` has the nearest edge of each and ``residuals_s`` the time from that edge to the flip. ``off`` are
    the indices, into the times given, of those farther from it than a quarter of a symbol. Over the others go
    ``mean_s`` and the root mean square ``rms_s``, None where there is none, and ``period_std_s``, the standard
    uncertainty of the grid's period, None for fewer than three edges with flips.
    """

    inside: tuple[int, ...]
    numbers: tuple[int, ...]
    residuals_s: tuple[float, ...]
    off: tuple[int, ...]
    mean_s: float | None
    rms_s: float | None
    period_std_s: float | None

    @property
    def on(self) -> int:
        """How many flips lie on the grid."""
        return len(self.inside) - len(self.off)


def check_grid(times_s: Sequence[float], *, start_s: float, period_s: float, count: int) -> GridCheck:
    """Compare flips with a grid of ``count`` symbols.

    The uncertainty of the period has two parts: that of the slope of the straight line through the flips by
    least squares (JCGM 100:2008, H.3), and how far the grid's period is from that slope, since the grid stands
    where it was put (JCGM 100:2008, F.2.4.5, an error that is not corrected for).

    Raises
    ------
    BadInputError : a time that is not finite, a period that is not above zero, a grid of no symbol.
    """
    times = np.asarray(times_s, np.float64)
    if times.ndim != 1 or not np.isfinite(times).all() or not math.isfinite(start_s):
        raise BadInputError("flips must be a row of finite times, and the grid must have a start")
    if not (math.isfinite(period_s) and period_s > 0 and count >= 1):
        raise BadInputError("a symbol grid needs a period above zero and at least one symbol")
    places = (times - start_s) / period_s
    inside = np.flatnonzero((places >= -0.5) & (places <= count + 0.5))
    places = places[inside]
    numbers = np.clip(np.rint(places), 0, count)
    off = np.abs(places - numbers) > OFF_GRID
    residuals = (places - numbers) * period_s
    kept = residuals[~off]
    return GridCheck(
        inside=tuple(inside.tolist()),
        numbers=tuple(int(number) for number in numbers),
        residuals_s=tuple(residuals.tolist()),
        off=tuple(inside[off].tolist()),
        mean_s=float(kept.mean()) if kept.size else None,
        rms_s=float(np.sqrt(np.mean(kept**2))) if kept.size else None,
        period_std_s=_period_std(numbers[~off], kept),
    )


def _period_std(numbers: np.ndarray, residuals_s: np.ndarray) -> float | None:
    """Of flips at edges ``numbers``, shape (flips,): scatter of the slope and the slope itself, which should be 0."""
    if np.unique(numbers).size < _LEAST_FLIPS:
        return None
    around = numbers - numbers.mean()
    spread = float(around @ around)
    slope = float(around @ residuals_s) / spread
    left = residuals_s - residuals_s.mean() - slope * around
    variance = float(left @ left) / (numbers.size - 2) / spread
    return math.hypot(math.sqrt(variance), slope)


def flips_that_count(hand_s: Sequence[float], automatic_s: Sequence[float], reach_s: float) -> list[float]:
    """Flips by hand, and those automatic ones that no flip by hand stands within ``reach_s`` of; in order of time."""
    hand = np.sort(np.asarray(hand_s, np.float64))
    others = np.asarray(automatic_s, np.float64)
    if hand.size and others.size:
        after = np.clip(np.searchsorted(hand, others), 0, hand.size - 1)
        before = np.maximum(after - 1, 0)
        apart = np.minimum(np.abs(hand[after] - others), np.abs(hand[before] - others))
        others = others[apart > reach_s]
    return sorted([*hand.tolist(), *others.tolist()])
