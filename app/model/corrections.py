"""The bits of a burst after flips were set and removed by hand.

The symbol grid of a burst is ``first_symbol_s + k / symbol_rate_bd``; between symbols ``k - 1`` and ``k``
lies edge ``k``. A flip by hand counts at the edge nearest to it, and there the hand is always right.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median

from app.model.items import FlipMark
from dsp.linecode import to_bits
from dsp.results import LINE_CODES, POLARITIES, Burst

OFF_GRID = 0.25
"""A flip by hand farther than this part of a symbol from its edge is reported."""


@dataclass(frozen=True)
class EdgeFlip:
    """A flip that counts: ``time_s`` is where it was found or set, ``edge`` where it acts."""

    edge: int
    time_s: float
    by_hand: bool


@dataclass(frozen=True)
class Comparison:
    """Flips by hand against automatic ones.

    ``agreed``: found by both; ``missed``: only by hand; ``extra``: automatic ones that the hand denies.
    ``median_difference_s`` is hand minus automatic over those agreed on, None if there are none.
    """

    agreed: int = 0
    missed: int = 0
    extra: int = 0
    median_difference_s: float | None = None


@dataclass(frozen=True)
class CorrectedBurst:
    """A burst as it stands with the flips set by hand.

    ``marks`` are the user's flips within the burst. ``changed`` holds the indices of the symbols that differ
    from the decoder's. ``bits`` is None where the line code gives no way to make them from the corrected
    symbols. ``off_grid`` are the marks that lie more than a quarter of a symbol from the edge they act on, or
    near no edge between two symbols; the latter change nothing.
    """

    burst: Burst
    marks: tuple[FlipMark, ...]
    symbols: str
    bits: str | None
    changed: tuple[int, ...]
    flips: tuple[EdgeFlip, ...]
    off_grid: tuple[FlipMark, ...]
    comparison: Comparison


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
        comparison=_compared(automatic, placed, removed),
    )


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
    """Edges at which the decoder's symbols turn over, each with the time of the flip found there."""
    if not _has_grid(burst):
        return {}
    edges = [i for i in range(1, len(burst.symbols)) if burst.symbols[i] != burst.symbols[i - 1]]
    found: dict[int, float] = {}
    for time_s in burst.flips_s:
        edge, _ = _nearest_edge(burst, time_s)
        if edge is not None:
            found[edge] = time_s
    return {edge: found.get(edge, edge_s(burst, edge)) for edge in edges}


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
    if burst.line_code not in LINE_CODES:
        return None
    # a burst does not say whether its bits were turned over: the polarity that gives them is the right one
    for polarity in POLARITIES:
        if to_bits(burst.symbols, burst.line_code, polarity) == burst.bits:
            return to_bits(symbols, burst.line_code, polarity)
    return None


def _compared(automatic: dict[int, float], placed: dict[int, FlipMark], removed: set[int]) -> Comparison:
    both = automatic.keys() & placed.keys()
    differences = [placed[edge].time_s - automatic[edge] for edge in both]
    return Comparison(
        agreed=len(both),
        missed=len(placed.keys() - automatic.keys()),
        extra=len((removed & automatic.keys()) - placed.keys()),
        median_difference_s=median(differences) if differences else None,
    )
