"""Flips set by hand against those that the decoder found, from one frozen request, off the window's thread."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from app.model.items import FlipMark

if TYPE_CHECKING:
    from app.model.corrections import CorrectedBurst

Verdict = Literal["agreed", "missed", "extra", "open"]


@dataclass(frozen=True)
class CompareRequest:
    """``marks`` are those of the capture; ``period_s`` is that of the symbol grid, used where a burst has none.

    With ``complete`` the hand has marked every flip from its first to its last one, or in ``span_s``.
    """

    bursts: tuple[CorrectedBurst, ...]
    marks: tuple[FlipMark, ...]
    period_s: float | None
    span_s: tuple[float, float] | None
    complete: bool


@dataclass(frozen=True)
class ComparedFlip:
    """One flip. ``burst`` counts from 0, None outside every burst; ``symbols`` is the difference in symbols.

    ``apart``: both have it, and differ by more than their uncertainties allow.
    """

    time_s: float
    verdict: Verdict
    hand_s: float | None
    automatic_s: float | None
    difference_s: float | None
    symbols: float | None
    burst: int | None
    apart: bool = False


@dataclass(frozen=True)
class Comparison:
    """All of them in order of time. Differences are hand less automatic over those agreed."""

    flips: tuple[ComparedFlip, ...] = ()

    def count(self, verdict: Verdict) -> int:
        return sum(flip.verdict == verdict for flip in self.flips)

    @property
    def apart(self) -> int:
        """How many of those agreed differ by more than their uncertainties allow."""
        return sum(flip.apart for flip in self.flips)

    @property
    def differences_s(self) -> list[float]:
        return [flip.difference_s for flip in self.flips if flip.difference_s is not None]

    @property
    def median_s(self) -> float | None:
        """None without a pair."""
        from statistics import median

        return median(self.differences_s) if self.differences_s else None

    @property
    def spread_s(self) -> float | None:
        """Standard deviation; None for fewer than two pairs."""
        from statistics import stdev

        return stdev(self.differences_s) if len(self.differences_s) > 1 else None

    @property
    def spread_symbols(self) -> float | None:
        from statistics import stdev

        shares = [flip.symbols for flip in self.flips if flip.symbols is not None]
        return stdev(shares) if len(shares) > 1 else None


def compare(request: CompareRequest) -> Comparison:
    """Burst by burst, each with its own symbol period; of bursts without a mark of the hand nothing is said."""
    span_s = request.span_s or (-math.inf, math.inf)
    marks = [mark for mark in request.marks if span_s[0] <= mark.time_s < span_s[1]]
    set_s = [mark.time_s for mark in marks if not mark.removes]
    complete_s = None
    if request.complete and (set_s or request.span_s):
        # the last flip itself belongs to what is complete
        complete_s = request.span_s or (min(set_s), math.nextafter(max(set_s), math.inf))
    found: list[ComparedFlip] = []
    left = list(marks)
    for number, one in enumerate(request.bursts):
        mine = [mark for mark in left if one.burst.start_s <= mark.time_s < one.burst.end_s]
        left = [mark for mark in left if mark not in mine]
        automatic_s = [time_s for time_s in one.burst.flips_s if span_s[0] <= time_s < span_s[1]]
        judged = complete_s is not None and any(complete_s[0] <= t < complete_s[1] for t in automatic_s)
        if mine or judged:
            rate_bd = one.basis.symbol_rate_bd
            period_s = 1 / rate_bd if rate_bd else request.period_s
            found += _of_burst(number, one, mine, automatic_s, period_s, complete_s)
    found += [_alone(mark.time_s, "missed", None) for mark in left if not mark.removes]
    return Comparison(tuple(sorted(found, key=lambda flip: flip.time_s)))


def _of_burst(
    number: int,
    one: CorrectedBurst,
    marks: Sequence[FlipMark],
    automatic_s: Sequence[float],
    period_s: float | None,
    complete_s: tuple[float, float] | None,
) -> list[ComparedFlip]:
    from dsp.hand_flips import compare_flips

    hand_s = [mark.time_s for mark in marks if not mark.removes]
    if period_s is None:
        return [_alone(time_s, "missed", number) for time_s in hand_s]
    denied_s = [mark.time_s for mark in marks if mark.removes]
    intervals = dict(zip(one.burst.flips_s, one.burst.flips_interval_s, strict=False))
    known = [intervals[time_s] for time_s in automatic_s if time_s in intervals]
    found = compare_flips(
        automatic_s,
        hand_s,
        period_s=period_s,
        denied_s=denied_s,
        complete_s=complete_s,
        automatic_interval_s=known if len(known) == len(automatic_s) else (),
        hand_std_s=_scatter_s(one, hand_s),
    )
    apart = set(found.apart)
    rows = []
    for a, h in found.pairs:
        apart_s = hand_s[h] - automatic_s[a]
        rows.append(
            ComparedFlip(
                hand_s[h],
                "agreed",
                hand_s[h],
                automatic_s[a],
                apart_s,
                apart_s / period_s,
                number,
                (a, h) in apart,
            )
        )
    rows += [_alone(hand_s[h], "missed", number) for h in found.only_hand]
    rows += [_alone(automatic_s[a], "extra", number) for a in found.denied]
    rows += [_alone(automatic_s[a], "open", number) for a in found.only_automatic]
    return rows


def _scatter_s(one: CorrectedBurst, hand_s: Sequence[float]) -> float | None:
    """Standard uncertainty of a flip by hand, from how the burst's lie on a grid of their own; of too few or too
    contradictory ones, on one of the burst's symbol rate. None where they lie on neither."""
    from dsp.hand import GridFit, fit_grid

    grid, burst = one.hand_grid, one.burst
    if not isinstance(grid, GridFit) and hand_s and burst.symbol_rate_bd and burst.symbol_rate_std_bd:
        grid = fit_grid(hand_s, rate_bd=burst.symbol_rate_bd, rate_std_bd=burst.symbol_rate_std_bd)
    return grid.marks_std_s if isinstance(grid, GridFit) else None


def _alone(time_s: float, verdict: Verdict, burst: int | None) -> ComparedFlip:
    by_hand = verdict == "missed"
    return ComparedFlip(
        time_s, verdict, time_s if by_hand else None, None if by_hand else time_s, None, None, burst
    )
