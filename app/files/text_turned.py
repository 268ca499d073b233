"""Tables that lie on their side: one line a channel, its samples one behind the other along the line.

So does an instrument answer that is asked for its samples as text, perhaps behind the header of a data
block (IEEE Std 488.2). The table is turned, so that everything else need not know.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import zip_longest

from app.files.capture_common import Head
from app.files.text_cells import Kind, read_cell, split_row
from app.files.text_encoding import TextCoding

# a turned table is taken into memory as a whole
LARGEST_BYTES = 128 << 20
_LOOK_BYTES = 1 << 20
_MOST_LINES = 256
_MOST_CHANNELS = 16
_FEWEST_SAMPLES = 16
_LOOKED_AT = 64
_ANSWERED = re.compile(r"\s*[:*]?[A-Za-z][\w:]{0,60}[ \t]+([+-]?\.?\d[\d.,eE+-]*)\s*")
_BLOCK = re.compile(r"\s*(?:[:*]?[A-Za-z][\w:]{0,60}[ \t]+)?#([1-9])")


def turned_text(head: Head, coding: TextCoding) -> bytes | None:
    """The text of ``head`` as lines of one row a sample, in UTF-8; None if it is not on its side."""
    if head.size > LARGEST_BYTES:
        return None
    with head.path.open("rb") as file:
        file.seek(coding.mark_bytes)
        raw = file.read(_LOOK_BYTES)
        if raw.count(b"\n") + raw.count(b"\r") > 2 * _MOST_LINES:
            return None
        raw += file.read()
    lines = _without_block_header(raw.decode(coding.name, "replace")).splitlines()
    lines = [line for line in lines if line.strip(" \0\t")]
    if not lines or len(lines) > _MOST_LINES:
        return None
    delimiter = next((mark for mark in "\t;|," if all(mark in line for line in _longest(lines))), " ")
    count = next(
        n for n in range(len(lines) + 1) if n == len(lines) or not _is_long(lines[-1 - n], delimiter)
    )
    rows = [split_row(line.rstrip(delimiter), delimiter) for line in lines[len(lines) - count :]]
    if not 1 <= count <= _MOST_CHANNELS or min(map(len, rows)) < max(_FEWEST_SAMPLES, 4 * count):
        return None
    above = lines[: len(lines) - count]
    # a line of titles above columns is as long as they are
    if any(len(split_row(line, delimiter)) == len(rows[0]) for line in above):
        return None
    rows = [_parted(row) for row in rows]
    titled = [_decimal_kind(row[0]) is Kind.TEXT for row in rows]
    if any(titled):
        rows = [row if is_titled else ["", *row] for row, is_titled in zip(rows, titled, strict=True)]
    turned = [delimiter.join(cells) for cells in zip_longest(*rows, fillvalue="")]
    return "\n".join([*above, *turned, ""]).encode("utf-8", "replace")


def _parted(row: list[str]) -> list[str]:
    """``row`` without the word with which an answer begins in the cell of its first number: ``:CURVE 12``."""
    match = _ANSWERED.fullmatch(row[0])
    return row if match is None else [match[1], *row[1:]]


def _longest(lines: Sequence[str]) -> list[str]:
    return sorted(lines, key=len)[-1:]


def _decimal_kind(cell: str) -> Kind:
    return min((read_cell(cell, mark).kind for mark in ".,"), key=lambda kind: kind is Kind.TEXT)


def _is_long(line: str, delimiter: str) -> bool:
    """Whether ``line`` holds many numbers, behind a title perhaps."""
    cells = split_row(line[: _LOOKED_AT * 40], delimiter)[: _LOOKED_AT + 1]
    kinds = [_decimal_kind(cell) for cell in cells[1:]]
    values = sum(kind.is_value for kind in kinds)
    return len(cells) > _FEWEST_SAMPLES // 2 and values > 0.8 * len(kinds)


def _without_block_header(text: str) -> str:
    match = _BLOCK.match(text)
    digits = int(match[1]) if match else 0
    begin = match.end() if match else 0
    return text[begin + digits :] if digits and text[begin : begin + digits].isdecimal() else text
