"""Text that came from outside, as a cell of a table that a spreadsheet may open."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Sequence

# with those of full width, which some spreadsheets take for the same
_FORMULA = "=+\\-@\uff1d\uff0b\uff0d\uff20"
# where a cell begins: in the text itself, and for a program that separates cells otherwise than this one does
_RISKY = re.compile(rf"(?:^|(?<=[;\t\r\n|]))(?=[^\S\r\n]*[{_FORMULA}]|[\t\r\n])")
# a number, maybe with its uncertainty and a unit, has no operator that a formula could be made with
_QUANTITY = re.compile(
    r"[+\-]?(?:\d+(?:[.,]\d+)?|[.,]\d+)(?:\(\d+\))?(?:[eE][+\-]?\d{1,3})?(?:[ \u00a0]?[A-Za-zµμΩ°%]{1,6})?"
)


def safe_text(text: str) -> str:
    """``text`` with an apostrophe before what a spreadsheet would take for a formula; numbers stay as they are.

    CWE-1236, *Improper Neutralization of Formula Elements in a CSV File*: "If a field starts with a formula
    character, prepend it with a ' (single apostrophe)", the characters being ``= + - @``. That blanks, tabs and line
    ends before them count, and that other separators begin a cell, too, is common practice, no published source.
    """
    return text if _QUANTITY.fullmatch(text) else _RISKY.sub("'", text)


def cell(value: object) -> object:
    """A value as it is written: numbers so that they read back the same, empty where nothing applies."""
    if isinstance(value, bool):
        return int(value)
    if isinstance(value, float):
        return repr(value) if math.isfinite(value) else ""
    if isinstance(value, int):
        return value
    return "" if value is None else safe_text(str(value))


def csv_text(columns: Sequence[str], rows: Iterable[Sequence[object]], *, heads: bool = True) -> str:
    """Delimited text (RFC 4180 quoting, line feeds)."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    if heads:
        writer.writerow([safe_text(column) for column in columns])
    writer.writerows([cell(value) for value in row] for row in rows)
    return out.getvalue()
