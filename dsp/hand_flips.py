"""Automatic flips and flips by hand against each other, and the symbols that both make together."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from dsp.errors import BadInputError
from dsp.hand import GridFit, fit_grid, marks_nats
from dsp.results import Refusal

OFF_GRID = 0.25
"""A flip farther than this part of a symbol from its edge is off the grid, and matches no other flip."""
_CONTRADICTED = math.log(100.0)
# half of a 95 % interval in standard deviations
_TWO_SIDED = 1.959964


@dataclass(frozen=True)
class FlipComparison:
    """Flips by hand against automatic ones, by index into the times that were compared.

    ``pairs`` (automatic, hand) were found by both, ``only_hand`` the decoder missed; ``denied`` are automatic ones
    that the hand denies, ``only_automatic`` those on which it says nothing. ``apart`` are the pairs that differ by more
    than the 95 % uncertainty of both together. Differences are hand minus automatic over the pairs; mean and median are
    None without a pair, the standard deviation of a difference with fewer than two.
    """

    pairs: tuple[tuple[int, int], ...] = ()
    only_hand: tuple[int, ...] = ()
    denied: tuple[int, ...] = ()
    only_automatic: tuple[int, ...] = ()
    mean_difference_s: float | None = None
    std_difference_s: float | None = None
    median_difference_s: float | None = None
    apart: tuple[tuple[int, int], ...] = ()

    @property
    def agreed(self) -> int:
        """How many were found by both."""
        return len(self.pairs)

    @property
    def missed(self) -> int:
        """How many only the hand has."""
        return len(self.only_hand)

    @property
    def extra(self) -> int:
        """How many the decoder has against the hand."""
        return len(self.denied)

    @property
    def mean_difference_std_s(self) -> float | None:
        """Standard uncertainty of the mean difference (JCGM 100:2008, 4.2.3)."""
        return None if self.std_difference_s is None else self.std_difference_s / math.sqrt(len(self.pairs))


@dataclass(frozen=True)
class EdgeFlip:
    """A flip that counts: ``time_s`` is where it was found or set, ``edge`` where it acts."""

    edge: int
    time_s: float
    by_hand: bool


@dataclass(frozen=True)
class UnionSymbols:
    """Symbols between two edges of a grid, turning over at each flip between them.

    The first symbol begins at ``first_symbol_s`` and is written ``1``; ``flips`` has the flips that count, edge 0
    being where the first symbol begins. ``off_grid`` are the indices of flips by hand farther than a quarter of a
    symbol from any edge, which count at the nearest; ``passed_over`` those of automatic flips that do not count
    because they are off the grid.
    """

    first_symbol_s: float
    symbols: str
    flips: tuple[EdgeFlip, ...]
    off_grid: tuple[int, ...]
    passed_over: tuple[int, ...]


def compare_flips(
    automatic_s: Sequence[float],
    hand_s: Sequence[float],
    *,
    period_s: float,
    tolerance_symbols: float = OFF_GRID,
    denied_s: Sequence[float] = (),
    complete_s: tuple[float, float] | None = None,
    automatic_interval_s: Sequence[tuple[float, float]] = (),
    hand_std_s: float | None = None,
) -> FlipComparison:
    """Match flips one to one: as many pairs within the tolerance as there can be, then the nearest ones.

    Parameters
    ----------
    automatic_s, hand_s : times of flips in seconds, in any order.
    period_s : symbol period in seconds; ``tolerance_symbols`` is in symbols.
    denied_s : where the hand says that there is no flip; each denies the nearest unmatched automatic flip.
    complete_s : a span of which the hand claims to have every flip: any other in it is denied.
    automatic_interval_s : the 95 % interval of each automatic flip, and ``hand_std_s`` the standard uncertainty of one by
        hand (as `dsp.hand.GridFit.marks_std_s`): with both it is said which pairs are apart by more than that.

    Raises
    ------
    BadInputError : a time that is not finite, a period or tolerance that is not above zero, intervals of other flips
        than those given, an uncertainty that is negative.
    """
    reach_s = period_s * tolerance_symbols
    if not (math.isfinite(reach_s) and reach_s > 0):
        raise BadInputError("the symbol period and the tolerance must be finite and above zero")
    if not all(math.isfinite(time_s) for time_s in (*automatic_s, *hand_s, *denied_s)):
        raise BadInputError("flips must have finite times")
    if automatic_interval_s and len(automatic_interval_s) != len(automatic_s):
        raise BadInputError("each automatic flip needs its interval, or none")
    if hand_std_s is not None and not (math.isfinite(hand_std_s) and hand_std_s >= 0):
        raise BadInputError("the uncertainty of a flip by hand must be finite and not below zero")
    pairs = _matched(automatic_s, hand_s, reach_s)
    taken = {a for a, _ in pairs}
    left = [a for a in range(len(automatic_s)) if a not in taken]
    denied = {left[i] for i, _ in _matched([automatic_s[a] for a in left], denied_s, reach_s)}
    if complete_s is not None:
        denied |= {a for a in left if complete_s[0] <= automatic_s[a] < complete_s[1]}
    from statistics import fmean, median, stdev

    differences = [hand_s[h] - automatic_s[a] for a, h in pairs]
    met = {h for _, h in pairs}
    return FlipComparison(
        pairs=tuple(pairs),
        only_hand=tuple(h for h in range(len(hand_s)) if h not in met),
        denied=tuple(sorted(denied)),
        only_automatic=tuple(a for a in left if a not in denied),
        mean_difference_s=fmean(differences) if differences else None,
        std_difference_s=stdev(differences) if len(differences) > 1 else None,
        median_difference_s=median(differences) if differences else None,
        apart=tuple(
            (a, h)
            for a, h in pairs
            if automatic_interval_s
            and hand_std_s is not None
            and _is_apart(hand_s[h] - automatic_s[a], automatic_interval_s[a], hand_std_s)
        ),
    )


def _is_apart(difference_s: float, interval_s: tuple[float, float], std_s: float) -> bool:
    """Whether a difference is beyond the 95 % uncertainty of both, combined as of independent ones (JCGM 100:2008, 5.1.2)."""
    return abs(difference_s) > math.hypot(0.5 * (interval_s[1] - interval_s[0]), _TWO_SIDED * std_s)


def _matched(first_s: Sequence[float], second_s: Sequence[float], reach_s: float) -> list[tuple[int, int]]:
    """Pairs of indices; on a line the best matching never crosses, so that runs can be solved one by one."""
    merged = sorted([(t, 0, i) for i, t in enumerate(first_s)] + [(t, 1, i) for i, t in enumerate(second_s)])
    pairs: list[tuple[int, int]] = []
    run: tuple[list[int], list[int]] = ([], [])
    before_s = -math.inf
    for time_s, which, index in merged:
        if time_s - before_s > reach_s:
            pairs += _matched_run(first_s, second_s, run, reach_s)
            run = ([], [])
        run[which].append(index)
        before_s = time_s
    return sorted(pairs + _matched_run(first_s, second_s, run, reach_s))


def _matched_run(
    first_s: Sequence[float], second_s: Sequence[float], run: tuple[list[int], list[int]], reach_s: float
) -> list[tuple[int, int]]:
    """Most pairs, then least total distance, by dynamic programming over both rows in order of time."""
    rows, columns = run
    if not rows or not columns:
        return []
    # fewest pairs left out and total distance, for the first i and j of them; with the step that led there
    best = [[(0, 0.0)] * (len(columns) + 1) for _ in range(len(rows) + 1)]
    step = [[0] * (len(columns) + 1) for _ in range(len(rows) + 1)]
    for i, a in enumerate(rows, 1):
        for j, b in enumerate(columns, 1):
            ways = [(best[i - 1][j], 1), (best[i][j - 1], 2)]
            apart = abs(first_s[a] - second_s[b])
            if apart <= reach_s:
                made, far = best[i - 1][j - 1]
                ways.append(((made - 1, far + apart), 3))
            best[i][j], step[i][j] = min(ways)
    pairs = []
    i, j = len(rows), len(columns)
    while i and j:
        way = step[i][j]
        if way == 3:
            pairs.append((rows[i - 1], columns[j - 1]))
        i, j = i - (way != 2), j - (way != 1)
    return pairs


def contradicts(fit: GridFit, hand_s: Sequence[float], *, first_symbol_s: float, rate_bd: float) -> bool:
    """Whether the flips that ``fit`` was made of leave no room for another grid.

    That is so if at least two of those on the fitted grid lie off the other one, and the likelihood of all is lower
    there by a factor of a hundred, at the scatter that was found. A grid with twice the rate or more, on which they
    all lie, is not contradicted: flips may fall on every second edge by chance.
    """
    period_s = 1.0 / rate_bd
    places = (np.asarray(hand_s, np.float64) - first_symbol_s) / period_s
    off = np.abs(places - np.rint(places))
    on_fit = np.ones(off.size, bool)
    on_fit[list(fit.outliers)] = False
    if int((off[on_fit] > OFF_GRID).sum()) < 2:
        return False
    there = marks_nats(hand_s, origin_s=first_symbol_s, period_s=period_s, std_s=fit.marks_std_s)
    here = marks_nats(hand_s, origin_s=fit.origin_s, period_s=fit.period_s, std_s=fit.marks_std_s)
    return here - there > _CONTRADICTED


def fit_union(fit: GridFit, hand_s: Sequence[float], automatic_s: Sequence[float]) -> GridFit:
    """The grid fitted to flips by hand together with automatic ones, each kind weighed by its own scatter.

    Parameters
    ----------
    fit : the grid of the flips by hand alone, ``hand_s``. It says which rates are possible, and so do the automatic
        flips count only as far as they lie on it; it comes back where too few do.
    automatic_s : times of automatic flips that neither agree with one by hand nor are denied.
    """
    reach = max(6 * fit.rate_std_bd, fit.rate_bd * 1e-6)
    search = (max(fit.rate_bd - reach, 0.5 * fit.rate_bd), fit.rate_bd + reach)
    own = fit_grid(automatic_s, search_bd=search)
    if isinstance(own, Refusal):
        return fit
    stds = [fit.marks_std_s] * len(hand_s) + [own.marks_std_s] * len(automatic_s)
    both = fit_grid([*hand_s, *automatic_s], std_s=stds, search_bd=search)
    return fit if isinstance(both, Refusal) else both


def union_symbols(
    grid: GridFit,
    hand_s: Sequence[float],
    automatic_s: Sequence[float] = (),
    denied_s: Sequence[float] = (),
    *,
    span_s: tuple[float, float],
) -> UnionSymbols:
    """Symbols between the edges nearest to the ends of ``span_s``, with flips by hand and automatic ones.

    At an edge where the hand sets or denies a flip, it wins; setting wins over denying. Flips at the two outer edges
    are listed but turn nothing over. Times are in seconds, in any order.
    """
    first, last = (round((end_s - grid.origin_s) / grid.period_s) for end_s in span_s)

    def place(time_s: float) -> tuple[int, float]:
        at = (time_s - grid.origin_s) / grid.period_s
        return round(at) - first, abs(at - round(at))

    denied = {place(time_s)[0] for time_s in denied_s}
    counted: dict[int, tuple[float, EdgeFlip]] = {}
    off_grid, passed_over = [], []
    for i, time_s in enumerate(hand_s):
        edge, off = place(time_s)
        if off > OFF_GRID:
            off_grid.append(i)
        if edge not in counted or off < counted[edge][0]:
            counted[edge] = (off, EdgeFlip(edge, time_s, True))
    for i, time_s in enumerate(automatic_s):
        edge, off = place(time_s)
        if off > OFF_GRID:
            passed_over.append(i)
        elif edge not in denied and edge not in counted:
            counted[edge] = (off, EdgeFlip(edge, time_s, False))
    count = max(last - first, 0)
    flips = tuple(counted[edge][1] for edge in sorted(counted) if 0 <= edge <= count)
    return UnionSymbols(
        first_symbol_s=grid.edge_s(first),
        symbols=turning(count, {flip.edge for flip in flips}),
        flips=flips,
        off_grid=tuple(off_grid),
        passed_over=tuple(passed_over),
    )


def turning(count: int, edges: Collection[int]) -> str:
    """``count`` symbols that begin with ``1`` and turn over at each of the ``edges``; edge k lies before symbol k."""
    out = []
    high = True
    for i in range(count):
        if i and i in edges:
            high = not high
        out.append("1" if high else "0")
    return "".join(out)
