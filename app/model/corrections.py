"""The bits of a burst after flips were set and removed by hand.

The symbol grid of a burst is ``first_symbol_s + k / symbol_rate_bd``; between symbols ``k - 1`` and ``k``
lies edge ``k``. A flip by hand counts at the edge nearest to it, and there the hand is always right. Where the
flips by hand are enough to fit a grid of their own and leave no room for the decoder's, the burst is sliced
anew, on the grid fitted to both.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from app.model.items import FlipMark
from dsp.hand import GridFit, fit_grid
from dsp.hand_flips import (
    OFF_GRID,
    EdgeFlip,
    FlipComparison,
    UnionSymbols,
    compare_flips,
    contradicts,
    fit_union,
    union_symbols,
)
from dsp.linecode import to_bits
from dsp.results import LINE_CODES, POLARITIES, Burst, Refusal

GridOf = Literal["decoder", "union", "hand"]
"""Whose symbol grid counts: the decoder's, that fitted to flips of both, or that of flips by hand alone."""


@dataclass(frozen=True)
class CorrectedBurst:
    """A burst as it stands with the flips set by hand.

    ``marks`` are the user's flips within the burst. ``changed`` holds the indices of the symbols that differ
    from the decoder's. ``bits`` is None where the line code gives no way to make them from the corrected
    symbols. ``off_grid`` are the marks that lie more than a quarter of a symbol from the edge they act on, or
    near no edge between two symbols; the latter change nothing.

    ``basis`` is the burst on the symbol grid that counts, ``grid_of`` tells whose that is, and ``passed_over`` how
    many automatic flips do not count because they are off it. ``hand_grid`` is the grid fitted to the flips set by
    hand alone, or why there is none; None while none is set.
    """

    burst: Burst
    marks: tuple[FlipMark, ...]
    symbols: str
    bits: str | None
    changed: tuple[int, ...]
    flips: tuple[EdgeFlip, ...]
    off_grid: tuple[FlipMark, ...]
    comparison: FlipComparison
    basis: Burst
    grid_of: GridOf = "decoder"
    passed_over: int = 0
    hand_grid: GridFit | Refusal | None = None


def corrected(burst: Burst, flips: Sequence[FlipMark]) -> CorrectedBurst:
    """Let the flips set by hand win over the automatic ones.

    Parameters
    ----------
    burst : as it came from the decoder.
    flips : marks of the same capture, in any order; those outside the burst are passed over.

    Setting or removing a flip turns over every symbol after it. Several marks at one edge count once, and
    one that sets a flip wins over one that removes it, which is how a flip is moved a little.
    """
    mine = [flip for flip in flips if _within(burst, flip.time_s)]
    if not mine:
        return _untouched(burst)
    set_s = [flip.time_s for flip in mine if not flip.removes]
    grid = fit_grid(set_s) if set_s else None
    if isinstance(grid, GridFit) and _is_overruled(burst, grid, set_s):
        return _on_union(burst, mine, grid)
    automatic = _automatic_edges(burst)
    placed: dict[int, FlipMark] = {}
    removed: set[int] = set()
    off_grid = []
    for flip in mine:
        edge, distance = _nearest_edge(burst, flip.time_s)
        if edge is None or distance > OFF_GRID:
            off_grid.append(flip)
        if edge is None:
            continue
        if flip.removes:
            removed.add(edge)
        else:
            placed[edge] = _nearer(burst, edge, placed.get(edge), flip)
    kept = (set(automatic) - removed) | set(placed)
    counted = tuple(_edge_flip(edge, placed, automatic) for edge in sorted(kept))
    symbols = _turned(burst.symbols, automatic.keys() ^ kept)
    return CorrectedBurst(
        burst=burst,
        marks=tuple(mine),
        symbols=symbols,
        bits=_bits(burst, symbols),
        changed=tuple(i for i, (a, b) in enumerate(zip(symbols, burst.symbols, strict=True)) if a != b),
        flips=counted,
        off_grid=tuple(off_grid),
        comparison=_compared(burst, automatic, placed, removed),
        basis=burst,
        hand_grid=grid,
    )


def _untouched(burst: Burst) -> CorrectedBurst:
    """As it came from the decoder; by far the most bursts of a long capture, so nothing is compared."""
    automatic = _automatic_edges(burst)
    compared = FlipComparison()
    if burst.symbol_rate_bd:
        compared = FlipComparison(only_automatic=tuple(range(len(automatic))))
    return CorrectedBurst(
        burst=burst,
        marks=(),
        symbols=burst.symbols,
        bits=burst.bits,
        changed=(),
        flips=tuple(EdgeFlip(edge, time_s, False) for edge, time_s in automatic.items()),
        off_grid=(),
        comparison=compared,
        basis=burst,
    )


def changed_symbols(basis: Burst, before: Burst) -> tuple[int, ...]:
    """Indices of the symbols that read otherwise in ``before`` at the middle of each."""
    rate_bd = basis.symbol_rate_bd
    if not rate_bd:
        return ()
    changed = []
    for i, symbol in enumerate(basis.symbols):
        middle_s = basis.first_symbol_s + (i + 0.5) / rate_bd
        k = (
            int((middle_s - before.first_symbol_s) * before.symbol_rate_bd // 1)
            if before.symbol_rate_bd
            else -1
        )
        if not 0 <= k < len(before.symbols) or before.symbols[k] != symbol:
            changed.append(i)
    return tuple(changed)


def edge_s(burst: Burst, edge: int) -> float:
    """Time of an edge of the symbol grid; ValueError if the burst has none."""
    if not burst.symbol_rate_bd:
        raise ValueError("a burst without a symbol rate has no symbol grid")
    return burst.first_symbol_s + edge / burst.symbol_rate_bd


def edge_of(burst: Burst, time_s: float) -> int | None:
    """The edge between two symbols that is nearest to ``time_s``; None if there is none or no grid."""
    return _nearest_edge(burst, time_s)[0]


def _has_grid(burst: Burst) -> bool:
    return bool(burst.symbol_rate_bd) and burst.bits_per_symbol == 1


def _within(burst: Burst, time_s: float) -> bool:
    if not _has_grid(burst):
        return burst.start_s <= time_s < burst.end_s
    return burst.first_symbol_s <= time_s < edge_s(burst, len(burst.symbols))


def _nearest_edge(burst: Burst, time_s: float) -> tuple[int | None, float]:
    """Nearest edge between two symbols, and how far off it is in symbols; None at the burst's own ends."""
    if not _has_grid(burst) or not burst.symbol_rate_bd:
        return None, 0.0
    place = (time_s - burst.first_symbol_s) * burst.symbol_rate_bd
    edge = round(place)
    return (edge if 0 < edge < len(burst.symbols) else None), abs(place - edge)


def _automatic_edges(burst: Burst) -> dict[int, float]:
    """Edges at which the decoder's symbols turn over, in order, each with the time of the flip found there."""
    if not _has_grid(burst) or not burst.symbol_rate_bd:
        return {}
    symbols, first_s, rate_bd = burst.symbols, burst.first_symbol_s, burst.symbol_rate_bd
    found = {round((time_s - first_s) * rate_bd): time_s for time_s in burst.flips_s}
    return {
        edge: found.get(edge, first_s + edge / rate_bd)
        for edge in range(1, len(symbols))
        if symbols[edge] != symbols[edge - 1]
    }


def _nearer(burst: Burst, edge: int, one: FlipMark | None, other: FlipMark) -> FlipMark:
    if one is None:
        return other
    at_s = edge_s(burst, edge)
    return min(one, other, key=lambda flip: abs(flip.time_s - at_s))


def _edge_flip(edge: int, placed: dict[int, FlipMark], automatic: dict[int, float]) -> EdgeFlip:
    by_hand = edge in placed
    return EdgeFlip(edge, placed[edge].time_s if by_hand else automatic[edge], by_hand)


def _turned(symbols: str, edges: Iterable[int]) -> str:
    """Symbols turned over from each edge on."""
    out = []
    turned = False
    at = set(edges)
    for i, symbol in enumerate(symbols):
        turned ^= i in at
        out.append("01"[(symbol == "1") ^ turned] if turned else symbol)
    return "".join(out)


def _bits(burst: Burst, symbols: str) -> str | None:
    if symbols == burst.symbols:
        return burst.bits
    polarity = _polarity(burst)
    return None if polarity is None else to_bits(symbols, burst.line_code, polarity)


def _polarity(burst: Burst) -> str | None:
    """A burst does not say whether its bits were turned over: the polarity that gives them is the right one."""
    if burst.line_code not in LINE_CODES:
        return None
    same = [one for one in POLARITIES if to_bits(burst.symbols, burst.line_code, one) == burst.bits]
    return same[0] if same else None


def _compared(
    burst: Burst, automatic: dict[int, float], placed: dict[int, FlipMark], removed: set[int]
) -> FlipComparison:
    if not burst.symbol_rate_bd:
        return FlipComparison()
    return compare_flips(
        list(automatic.values()),
        [flip.time_s for flip in placed.values()],
        period_s=1.0 / burst.symbol_rate_bd,
        denied_s=[automatic[edge] for edge in removed & automatic.keys()],
    )


def _is_overruled(burst: Burst, grid: GridFit, set_s: Sequence[float]) -> bool:
    """Whether the flips set by hand leave no room for the decoder's symbol grid."""
    if grid.is_ambiguous or burst.bits_per_symbol != 1:
        return False
    rate_bd = burst.symbol_rate_bd
    return not rate_bd or contradicts(grid, set_s, first_symbol_s=burst.first_symbol_s, rate_bd=rate_bd)


def _on_union(burst: Burst, mine: Sequence[FlipMark], grid: GridFit) -> CorrectedBurst:
    """The burst sliced anew, on the grid fitted to flips by hand and to the automatic ones that lie on it."""
    placed = [flip for flip in mine if not flip.removes]
    set_s = [flip.time_s for flip in placed]
    denied_s = [flip.time_s for flip in mine if flip.removes]
    found = compare_flips(burst.flips_s, set_s, period_s=grid.period_s, denied_s=denied_s)
    others_s = [burst.flips_s[i] for i in found.only_automatic]
    both = fit_union(grid, set_s, others_s)
    made = union_symbols(both, set_s, others_s, denied_s, span_s=(burst.start_s, burst.end_s))
    basis = _rebased(burst, both, made)
    polarity = _polarity(burst)
    return CorrectedBurst(
        burst=burst,
        marks=tuple(mine),
        symbols=basis.symbols,
        bits=None if polarity is None else to_bits(basis.symbols, burst.line_code, polarity),
        changed=changed_symbols(basis, burst),
        flips=made.flips,
        off_grid=tuple(placed[i] for i in made.off_grid),
        comparison=found,
        basis=basis,
        grid_of="union",
        passed_over=len(made.passed_over),
        hand_grid=grid,
    )


def _rebased(burst: Burst, grid: GridFit, made: UnionSymbols) -> Burst:
    symbols = made.symbols
    if burst.symbols.startswith("0"):
        symbols = symbols.translate(str.maketrans("01", "10"))
    return replace(
        burst,
        first_symbol_s=made.first_symbol_s,
        symbol_rate_bd=grid.rate_bd,
        symbol_rate_std_bd=grid.rate_std_bd,
        symbol_rate_alternatives_bd=grid.alternatives_bd,
        cycles_per_symbol=burst.carrier_hz / grid.rate_bd if burst.carrier_hz else None,
        symbols=symbols,
        confidence=(),
    )
