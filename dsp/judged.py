"""What a search has found nothing in, and need not go through again.

Short frames have few bins: octaves that touch, and floors that differ little, are seen through the very same ones, and
all that stands out there is the same pieces once more.
"""

from __future__ import annotations

from collections.abc import Iterable

from dsp.segment import Piece

# share of a piece's length that another one shares if it is the same, and by how much their energies over the floor may
# differ: a floor told otherwise by so much moves no symbol of what stands out of both
_SHARED = 0.9
_ALIKE = 1.5
# share of the energy of pieces that must have been judged
_NEARLY_ALL = 0.9


def are_judged(pieces: list[Piece], judged: Iterable[Piece]) -> bool:
    """Whether pieces are, nearly all of their energy, some that were ``judged`` to be nothing."""
    known = list(judged)
    held = sum(piece.energy for piece in pieces if any(_are_same(piece, other) for other in known))
    return held > 0.0 and held >= _NEARLY_ALL * sum(piece.energy for piece in pieces)


def _are_same(one: Piece, other: Piece) -> bool:
    """Whether two pieces are the same samples in the same bins."""
    if (one.frame, one.bins) != (other.frame, other.bins):
        return False
    shared = min(one.stop, other.stop) - max(one.start, other.start)
    if shared < _SHARED * max(one.stop - one.start, other.stop - other.start):
        return False
    bin_hz = (one.high_hz - one.low_hz) / one.bins
    beside = max(abs(one.low_hz - other.low_hz), abs(one.high_hz - other.high_hz))
    low, high = sorted((one.energy, other.energy))
    return beside < bin_hz and high <= _ALIKE * low
