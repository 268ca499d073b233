"""From symbols to bits."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise


def _plain(symbols: str) -> str:
    return symbols


def _differential(symbols: str) -> str:
    return "".join("1" if a != b else "0" for a, b in pairwise(symbols))


def _nrzi(symbols: str) -> str:
    # ISO/IEC 13239 and USB 2.0 section 7.1.8: a change is a zero
    return "".join("0" if a != b else "1" for a, b in pairwise(symbols))


def _manchester(symbols: str) -> str:
    # IEEE Std 802.3 section 7: a bit cell rises in its middle for a one
    halves = _halves(symbols)
    return "".join("1" if b > a else "0" for a, b in halves)


def _differential_manchester(symbols: str) -> str:
    # IEEE Std 802.5: no change at the cell's beginning is a one
    halves = _halves(symbols)
    return "".join("1" if before[1] == cell[0] else "0" for before, cell in pairwise(halves))


def _halves(symbols: str) -> list[tuple[str, str]]:
    """Pairs of half-cells, in the phase in which more cells change in the middle."""
    options = [[(symbols[i], symbols[i + 1]) for i in range(first, len(symbols) - 1, 2)] for first in (0, 1)]
    return max(options, key=lambda pairs: sum(a != b for a, b in pairs))


_CODES: dict[str, Callable[[str], str]] = {
    "plain": _plain,
    "differential": _differential,
    "nrzi": _nrzi,
    "manchester": _manchester,
    "differential-manchester": _differential_manchester,
}


def to_bits(symbols: str, line_code: str, polarity: str = "normal") -> str:
    """Bits of a row of symbols.

    ``line_code`` is one of `dsp.results.LINE_CODES`; ``polarity`` ``inverted`` turns every bit over.
    """
    bits = _CODES[line_code](symbols)
    if polarity == "inverted":
        return bits.translate(str.maketrans("01", "10"))
    return bits
