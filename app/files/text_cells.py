"""One cell of a table: a number, a mark for a value that is missing or too large, or text."""

from __future__ import annotations

import math
import re
from enum import Enum
from functools import lru_cache
from typing import NamedTuple

_POINT = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eEdD][+-]?\d+)?")
_COMMA = re.compile(r"[+-]?(?:\d+(?:,\d+|,(?=[eEdD]))?|,\d+)(?:[eEdD][+-]?\d+)?")
_INFINITE = re.compile(r"[+-]?(?:inf(?:inity)?|1\.#inf0*|∞)", re.I)
_OVERFLOW = re.compile(
    r"[+-]?(?:\*+|#{2,}|>+|<+|o\.?v?[lf]\.?d?|ovrflw|over(?:[ -]?(?:flow|range|load))?|clip(?:ped|ping)?)",
    re.I,
)
_MISSING = re.compile(
    r"-{1,4}|—|[+-]?nan(?:\(.*\))?|-?1\.#(?:qnan|ind)0*|#?n/?a|#num!?|null|none|missing|\?+|\.", re.I
)

# SCPI-1999, volume 1, "Numeric parameters": infinity is sent as 9.9E37, not-a-number as 9.91E37; from memory
_MOST_POWER = 330
# no number is written with more characters
_LONGEST = 400
SCPI_INFINITY = 9.9e37
SCPI_NAN = 9.91e37


class Kind(Enum):
    NUMBER = "number"
    INFINITE = "infinity"
    OVERFLOW = "overflow"
    MISSING = "missing"
    EMPTY = "empty"
    TEXT = "text"

    @property
    def is_value(self) -> bool:
        """Whether a cell of this kind stands where a sample is expected."""
        return self not in (Kind.EMPTY, Kind.TEXT)


class Cell(NamedTuple):
    kind: Kind
    value: float


def read_cell(text: str, decimal: str) -> Cell:
    """What ``text`` says; ``decimal`` is ``.`` or ``,``. Of marks the value is NaN."""
    text = text.strip().strip('"').strip()
    if len(text) > _LONGEST:
        return Cell(Kind.TEXT, math.nan)
    return _read(text, decimal)


# the first lines of a file are looked at in many ways
@lru_cache(maxsize=1 << 13)
def _read(text: str, decimal: str) -> Cell:
    if not text:
        return Cell(Kind.EMPTY, math.nan)
    if (_POINT if decimal == "." else _COMMA).fullmatch(text):
        value = float(text.replace(",", ".").replace("d", "e").replace("D", "e"))
        return _checked(value)
    if _INFINITE.fullmatch(text):
        return Cell(Kind.INFINITE, -math.inf if text[0] == "-" else math.inf)
    if _OVERFLOW.fullmatch(text):
        return Cell(Kind.OVERFLOW, math.nan)
    if _MISSING.fullmatch(text):
        return Cell(Kind.MISSING, math.nan)
    return Cell(Kind.TEXT, math.nan)


def _checked(value: float) -> Cell:
    if abs(value) < SCPI_INFINITY:
        return Cell(Kind.NUMBER, value)
    if math.isinf(value):
        return Cell(Kind.INFINITE, value)
    return Cell(Kind.MISSING if abs(value) == SCPI_NAN else Kind.OVERFLOW, math.nan)


def is_number(text: str, decimal: str) -> bool:
    return read_cell(text, decimal).kind is Kind.NUMBER


def split_row(line: str, delimiter: str) -> list[str]:
    """The cells of ``line``; a delimiter between double quotes separates nothing.

    A blank as delimiter stands for any run of blanks and tabs.
    """
    if delimiter == " ":
        return line.split()
    if '"' not in line:
        return line.split(delimiter)
    cells: list[str] = []
    inside = False
    for piece in line.split(delimiter):
        if inside:
            cells[-1] += delimiter + piece
        else:
            cells.append(piece)
        inside ^= piece.count('"') % 2 == 1
    return cells


def written_digits(text: str) -> tuple[int, int]:
    """Significant digits of the number ``text``, and the power of ten of its last digit, negated.

    Zeros count as they are written: ``0.0500`` has 3 significant digits and 4 decimals.
    """
    mantissa, *exponent = re.split("[eEdD]", text.strip().strip('"').replace(",", "."))
    fraction = mantissa.partition(".")[2]
    significant = len(mantissa.replace(".", "").lstrip("+-0"))
    # an exponent of more digits is beyond every number, and may be of too many for an integer
    power = int(exponent[0][:5]) if exponent else 0
    return significant, len(fraction) - max(min(power, _MOST_POWER), -_MOST_POWER)
