"""From symbols to bits, again after a correction by hand.

A burst does not say where its first bit cell begins nor whether its polarity was turned over, so each
line code has several readings; the right one is that which gives the bits the decoder gave.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

Reading = Callable[[str], str]

UNREADABLE = "?"
"""Stands for a bit cell that the line code does not allow."""


def _turned_over(bits: str) -> str:
    return bits.translate(str.maketrans("01", "10"))


def _plain(symbols: str) -> str:
    return symbols


def _changes(symbols: str) -> str:
    """``1`` is a change of phase or level against the symbol before."""
    return "".join("01"[a != b] for a, b in pairwise(symbols))


def _no_changes(symbols: str) -> str:
    """NRZI as in bit-stuffed links: ``0`` is a change."""
    return _turned_over(_changes(symbols))


def _cells(first: int) -> Reading:
    """Manchester from symbol ``first`` on: ``10`` is 1, ``01`` is 0."""
    values = {"10": "1", "01": "0"}

    def read(symbols: str) -> str:
        pairs = (symbols[i : i + 2] for i in range(first, len(symbols) - 1, 2))
        return "".join(values.get(pair, UNREADABLE) for pair in pairs)

    return read


def _cell_starts(first: int) -> Reading:
    """Differential Manchester from symbol ``first`` on: ``0`` is a change where the cell begins."""

    def read(symbols: str) -> str:
        out = []
        for i in range(first, len(symbols) - 1, 2):
            if symbols[i] == symbols[i + 1]:
                out.append(UNREADABLE)
            elif i:
                out.append("01"[symbols[i] == symbols[i - 1]])
        return "".join(out)

    return read


_READINGS: dict[str, tuple[Reading, ...]] = {
    "plain": (_plain,),
    "differential": (_changes,),
    "nrzi": (_no_changes,),
    "manchester": (_cells(0), _cells(1)),
    "differential-manchester": (_cell_starts(0), _cell_starts(1)),
}


def reading_of(line_code: str, symbols: str, bits: str) -> Reading | None:
    """The reading of ``line_code`` that makes ``bits`` of ``symbols``; None if none does."""
    for reading in _READINGS.get(line_code, ()):
        found = reading(symbols)
        if found == bits:
            return reading
        if _turned_over(found) == bits:
            return lambda text, inner=reading: _turned_over(inner(text))  # type: ignore[misc]
    return None
