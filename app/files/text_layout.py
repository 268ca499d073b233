"""Delimiter, decimal mark, columns and first row of samples of a table, found by looking at its lines."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from app.files.text_cells import Cell, Kind, read_cell, split_row
from app.files.text_keys import meaning
from app.files.text_units import plain_cell

# In order of preference where two read the same lines equally well. The blank stands for any run of
# blanks and tabs; comma with decimal comma works only for quoted cells.
_DIALECTS = ((",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), ("|", "."), ("|", ","), (",", ","),
             (" ", "."), (" ", ","))  # fmt: skip
_SAMPLED_LINES = 200
_LETTERS = re.compile(r"[^\W\d_]{2}")
# what lines between titles and rows may be drawn with
_RULE = " \t\r\f\v,;|+-=_:\x1a"
_SCALED_TAIL = re.compile(r"\d+[eE][+-]?\d+")
_HEAD = re.compile(r"[+-]?\d*")
_DIGIT = re.compile(r"[+-]?\d")
# so many rows on end are no part of a preamble
_LONG_RUN = 8
# a row with text beside its numbers is more likely a title line than a sample
_TEXT_WEIGHT = 0.05


@dataclass(frozen=True)
class Layout:
    """``columns`` cells a row, of which those in ``data`` hold numbers; rows begin with line ``first_line``.

    Lines count from 0.
    """

    delimiter: str
    decimal: str
    columns: int
    data: tuple[int, ...]
    first_line: int

    def split(self, line: str) -> list[str]:
        return split_row(line, self.delimiter)

    def cells(self, line: str) -> list[Cell] | None:
        """The data cells of ``line``, None if it has not the number of cells of a row."""
        found = self.split(line)
        if len(found) <= self.data[-1] or any(cell.strip() for cell in found[self.columns :]):
            return None
        return [read_cell(found[i], self.decimal) for i in self.data]

    def is_row(self, line: str) -> bool:
        """Whether ``line`` holds a sample of each channel, some of which may be missing."""
        cells = self.cells(line)
        return cells is not None and _is_sample(cells)


def find_layout(lines: Sequence[str], tail: Sequence[str] = ()) -> Layout | None:
    """The layout under which most of the later ``lines`` are rows of numbers; None if there are none.

    ``tail`` are the last lines of the file, where that goes on behind ``lines``.
    """
    filled = [line for line in lines if line.strip()]
    later = filled[len(filled) // 2 :] if len(filled) > 2 * _SAMPLED_LINES else filled
    sample = later[:: max(1, len(later) // _SAMPLED_LINES)]
    if len(filled) > len(sample) or tail:
        # a preamble may be longer than the first rows of the table
        sample += [line for line in (tail or filled) if line.strip()][-_SAMPLED_LINES:]
    # a single column reads the same whatever the delimiter, so that the comma need not occur
    seen = set("".join(sample)) | {",", " "}
    best: tuple[float, int, int] = (0.0, 0, 0)
    chosen: tuple[str, str, _Shape] | None = None
    for delimiter, decimal in _DIALECTS:
        if delimiter not in seen or (delimiter == decimal and '"' not in seen):
            continue
        shape = _shape(sample, delimiter, decimal)
        if shape is None or (delimiter == "," and _is_decimal_comma(sample)):
            continue
        rank = (shape.weight, len(shape.data), shape.length)
        if rank > best:
            best, chosen = rank, (delimiter, decimal, shape)
    if chosen is None:
        return None
    delimiter, decimal, shape = chosen
    layout = Layout(delimiter, decimal, shape.columns, shape.data, 0)
    first = _first_row(lines, layout)
    first = first if first is None else _first_so_called(lines, layout, first, sample)
    if first is None:
        return None
    found = replace(layout, first_line=first)
    if shape.columns > 1:
        return found
    # a blank would part the words of the title
    above = _delimiter_above(lines[:first], lines[first:], delimiter if delimiter != " " else "\t")
    other = replace(found, delimiter=above)
    rows = lines[first : first + _SAMPLED_LINES]
    return other if all(other.is_row(line) for line in rows if found.is_row(line)) else found


def _delimiter_above(above: Sequence[str], below: Sequence[str], delimiter: str) -> str:
    """The delimiter of the title of a single column and of what stands beside it, or of most lines of the preamble.

    Of the rows it is none.
    """
    filled = [line for line in above if is_filled(line)][-_SAMPLED_LINES:]
    rows = "".join(below[:_SAMPLED_LINES])
    for lines, share in ((filled[-1:], 0.0), (filled, 0.5)):
        for mark in ";\t|":
            if mark not in rows and sum(_parts(line, mark) for line in lines) > share * len(lines):
                return mark
    return delimiter


def _parts(line: str, mark: str) -> bool:
    """Whether ``mark`` parts cells; in ``DT 1E-6;UNIT V`` every one is a key with its value."""
    return mark in line and not all(" " in cell.strip() for cell in line.split(mark))


def _first_so_called(lines: Sequence[str], layout: Layout, first: int, sample: Sequence[str]) -> int:
    """``first``, or the first of ``lines`` after it that begins with the word with which the later rows all do.

    In ``Scale,5`` and ``Offset,0`` above ``Data,0.1`` and so on the numbers are none of samples. Where later
    rows begin with an empty cell, words may as well stand beside the first samples, unless they are keys.
    """
    if layout.data[0] == 0:
        return first
    words = [_word(layout, line) for line in sample[len(sample) // 2 :] if layout.is_row(line)]
    if not words or any(word != words[-1] for word in words):
        return first
    rows = [i for i in range(first, len(lines)) if layout.is_row(lines[i])]
    later = next((n for n, i in enumerate(rows) if _word(layout, lines[i]) == words[-1]), 0)
    keyed = layout.data[0] == 1 and any(meaning(plain_cell(layout.split(lines[i])[0])) for i in rows[:later])
    return rows[later] if rows and (words[-1] or keyed) else first


def _word(layout: Layout, line: str) -> str:
    """The letters that a row begins with."""
    return "".join(filter(str.isalpha, layout.split(line)[0]))


@dataclass(frozen=True)
class _Shape:
    """``length`` characters belong to numbers."""

    columns: int
    data: tuple[int, ...]
    weight: float
    length: int


def _shape(sample: Sequence[str], delimiter: str, decimal: str) -> _Shape | None:
    """The commonest arrangement of numbers and text in rows that hold numbers."""
    split = [split_row(line, delimiter) for line in sample]
    rows = [[read_cell(cell, decimal) for cell in row] for row in split]
    groups: dict[tuple[int, tuple[int, ...]], list[list[Cell]]] = {}
    lengths: Counter[tuple[int, tuple[int, ...]]] = Counter()
    for row, written in zip(rows, split, strict=True):
        if any(cell.kind is Kind.NUMBER for cell in row):
            texts = tuple(i for i, cell in enumerate(row) if cell.kind is Kind.TEXT)
            groups.setdefault((len(row), texts), []).append(row)
            numbers = (
                len(text.strip()) for text, cell in zip(written, row, strict=True) if cell.kind is Kind.NUMBER
            )
            lengths[len(row), texts] += sum(numbers)
    shapes = []
    for (columns, texts), group in groups.items():
        filled = Counter(i for row in group for i, cell in enumerate(row) if cell.kind.is_value)
        # one value or two in a column that is empty otherwise belong to the titles
        data = tuple(i for i in range(columns) if filled[i] > 2 or 2 * filled[i] > len(group))
        if data:
            weight = len(group) * (_TEXT_WEIGHT if texts else 1.0)
            shapes.append(_Shape(columns, data, weight, lengths[columns, texts]))
    return max(shapes, key=lambda shape: (shape.weight, len(shape.data)), default=None)


def _is_decimal_comma(sample: Sequence[str]) -> bool:
    """Whether ``0,050`` and ``1,250`` are single numbers rather than pairs: whole numbers are not
    written with leading zeros, and the digits behind a decimal mark have no sign.
    """
    pairs = [line.strip().split(",") for line in sample if not _LETTERS.search(line)]
    pairs = [pair for pair in pairs if len(pair) == 2 and _HEAD.fullmatch(pair[0])]
    if len(pairs) * 2 <= len(sample):
        return False
    signs = [pair for pair in pairs if pair[0] in ("+", "-")]
    scaled = [pair for pair in pairs if _SCALED_TAIL.fullmatch(pair[1])]
    if 2 * len(scaled) > len(pairs):
        # ``9,750E+01``: one digit before the mark, and an exponent
        return all(map(_DIGIT.fullmatch, (head for head, _ in scaled)))
    # a mark of overflow, 9,9E37, is no pair
    pairs = [pair for pair in pairs if pair not in scaled and pair[1].strip()]
    return (
        all(tail.isdigit() for _, tail in pairs)
        # numbers filled up with zeros
        and not any(len(head) > 1 and head.startswith("0") for head, _ in pairs)
        # no number is a sign alone
        and (len(signs) > 0 or any(tail.startswith("0") and len(tail) > 1 for _, tail in pairs))
    )


def _is_sample(cells: Sequence[Cell]) -> bool:
    kinds = {cell.kind for cell in cells}
    return Kind.NUMBER in kinds and Kind.TEXT not in kinds


def _first_row(lines: Sequence[str], layout: Layout) -> int | None:
    """The first line of the first run of rows, or of the only row at the end.

    A few rows of numbers in the preamble are no such run: no titles stand above them, and more of the
    preamble stands below.
    """
    begin, length, before, passed = 0, 0, "", None
    for i, line in enumerate(lines):
        if not is_filled(line):
            continue
        if layout.is_row(line):
            begin, length = (begin, length + 1) if length else (i, 1)
            if length == _LONG_RUN or (length > 1 and _is_title(before, layout)):
                return begin
        else:
            if length > 1 and (_is_comment(line) or not any(map(layout.is_row, lines[i + 1 :]))):
                return begin
            passed = begin if length > 1 and passed is None else passed
            length, before = 0, line
    return begin if length else passed


def is_filled(line: str) -> bool:
    """Whether anything but blanks, delimiters and lines of dashes stands in ``line``."""
    return line.strip(_RULE) != ""


def _is_title(line: str, layout: Layout) -> bool:
    """Whether there is a text in ``line`` above every column of numbers."""
    cells = layout.cells(line) if line else None
    return cells is not None and all(cell.kind is Kind.TEXT for cell in cells)


def _is_comment(line: str) -> bool:
    return line.lstrip()[:1] in tuple("#%!/*;'")
