"""Converter codes written in hexadecimal or binary digits, and whether the highest digit is their sign."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

_MOST = 0.7
# as programs mark them: 0x1F, $1F, &H1F, 1Fh
_PREFIXED = re.compile(r"(?:0[xX]|\$|&[hH])[0-9a-fA-F]{1,16}|[0-9a-fA-F]{1,16}[hH]")
_BINARY_PREFIXED = re.compile(r"0[bB][01]{1,64}")
_BARE = re.compile(r"[0-9A-Fa-f]{2,8}")
_BARE_BINARY = re.compile(r"[01]{6,32}")
_LETTER = re.compile(r"[A-Fa-f]")
_NOT_DIGITS = re.compile(r"0[xX]|[$&hH]")
_FEWEST_BITS = 6


@dataclass(frozen=True)
class Digits:
    """Cells that match ``pattern`` are codes to ``base``; of ``bits`` bits with a sign, 0 without one."""

    pattern: str
    base: int
    bits: int = 0

    def __call__(self, cell: str) -> str:
        code = _value(cell, self.base)
        return str(code - (1 << self.bits) if self.bits and code >> (self.bits - 1) else code)


def code_digits(cells: Sequence[str]) -> Digits | None:
    """How the ``cells`` of a column are codes; None if they are none."""
    enough = _MOST * len(cells)
    for pattern, base in ((_PREFIXED, 16), (_BINARY_PREFIXED, 2)):
        codes = [cell for cell in cells if pattern.fullmatch(cell)]
        if len(codes) > enough:
            return Digits(pattern.pattern, base, _signed_bits(codes, base))
    width = len(cells[-1])
    if any(len(cell) != width for cell in cells) or len(set(cells)) < 2:
        # the same in every row is a word
        return None
    if len(set(cells)) > 2 and all(_BARE_BINARY.fullmatch(cell) for cell in cells):
        return Digits(rf"[01]{{{width}}}", 2, _signed_bits(cells, 2))
    letters = sum(bool(_LETTER.search(cell)) for cell in cells)
    if (
        all(_BARE.fullmatch(cell) for cell in cells)
        and letters > 0.1 * len(cells)
        and sum(not cell.isalpha() for cell in cells) > 0.3 * len(cells)
    ):
        return Digits(rf"[0-9A-Fa-f]{{{width}}}", 16, _signed_bits(cells, 16))
    return None


def _value(cell: str, base: int) -> int:
    return int(_NOT_DIGITS.sub("", cell), 16) if base == 16 else int(cell, base)


def _signed_bits(cells: Sequence[str], base: int) -> int:
    """Bits of codes of one width that are two's complements, 0 of others.

    A line that crosses zero then leaps from nothing to the highest codes and back, and is smooth with a sign.
    """
    widths = {
        len(_NOT_DIGITS.sub("", cell)) if base == 16 else len(cell.lower().removeprefix("0b"))
        for cell in cells
    }
    bits = max(widths) * (4 if base == 16 else 1)
    if len(widths) > 1 or bits < _FEWEST_BITS:
        return 0
    codes = [_value(cell, base) for cell in cells]
    half = 1 << (bits - 1)
    signed = [code - 2 * half if code >= half else code for code in codes]
    leaps = max((abs(b - a) for a, b in pairwise(codes)), default=0)
    steps = max((abs(b - a) for a, b in pairwise(signed)), default=0)
    return bits if leaps > half and 2 * steps < half else 0
