"""Blocks of lines to arrays of numbers: fast where every row is plain, row by row where one is not."""

from __future__ import annotations

import math
import re
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from app.errors import CaptureError
from app.files.capture_common import Head
from app.files.capture_options import Watch, counted
from app.files.text_blocks import Load
from app.files.text_cells import SCPI_INFINITY, SCPI_NAN, Cell, Kind, is_number, read_cell
from app.files.text_fast import FastRows
from app.files.text_header import COMMENT, Title, column_titles
from app.files.text_layout import Layout
from app.files.text_plain import PlainRows, Rows
from app.files.text_preamble import Facts, stated_facts
from app.files.text_table import Table

_SMALL_BYTES = 2 << 10
# of less the library's call takes longer than the rows
_WORTH_A_CALL_BYTES = 64 << 10
# what is kept of the lines of text that stand before records
_MOST_HEADERS, _MOST_HEADER_LINES, _LONGEST_TEXT = 10_000, 64, 200
_BLANK = " \t\r\f\v\x1a"
_WORD = re.compile(r"[^\W\d_]{2}")
_TAIL = re.compile(r"(?:[.,](\d*))?(?:[eE]([+-]?\d*))?$")


@dataclass(frozen=True)
class Prepared:
    """A block of whole lines, or the ``values`` of its rows if all are plain; ``regular``: none of them marks anything."""

    block: bytes
    values: Rows | None
    regular: bool = False


@dataclass
class Tally:
    """How often something odd was met, at which sample first, and what stood there."""

    count: int = 0
    first: int = 0
    cell: str = ""

    def note(self, count: int, first: int, cell: str = "") -> None:
        if self.count == 0:
            self.first, self.cell = first, cell
        self.count += count


class RowReader:
    """Turns blocks into arrays of shape (rows, data columns) and keeps account of what was odd.

    Rows of the file count from 1 as in an editor, samples from 0.

    ``odd`` : tally of cells that are no plain number, by kind and data column.
    ``records`` : samples before which lines of text stand, as where a header is repeated.
    ``text_rows`` : rows of text among or after the samples; ``first`` is a row of the file.
    ``cut_row`` : row of the last line, if that is incomplete; ``open_end`` : it may be, having no line end.
    """

    def __init__(self, head: Head, table: Table, coding: str, watch: Watch, library: Any = None) -> None:
        layout, lines = table.layout, table.lines
        self.samples = 0
        self.odd: dict[tuple[Kind, int], Tally] = {}
        self.records: list[int] = []
        self.text_rows = Tally()
        self.cut_row: int | None = None
        self.open_end = False
        self._head = head
        self._layout = layout
        self._coding = coding
        self._watch = watch
        self._row = layout.first_line + 1
        self._starts: list[tuple[int, int]] = []
        self._style = table.style
        self._plain = PlainRows(layout)
        self._fast = FastRows(layout, library) if library is not None else None
        self._tails = _tails(layout, lines)
        # whether nothing but their order tells the times of rows; those met that hold nothing but delimiters or quotes
        self._by_order = table.roles.time is None and table.roles.index is None
        self._empty_rows: list[int] = []
        self._text_before = False
        self._texts: list[str] = []
        self._before: dict[int, list[str]] = {}

    def facts_before(self, sample: int) -> Facts:
        """What is stated in the lines of text right before ``sample``, with which a record begins."""
        lines = self._before.get(sample, [])
        return stated_facts(lines, replace(self._layout, first_line=len(lines)))

    def titles_before(self, sample: int) -> list[Title]:
        """The titles of the data columns in the lines of text right before ``sample``."""
        lines = self._before.get(sample, [])
        return column_titles(lines, replace(self._layout, first_line=len(lines)))

    @property
    def runs_beside(self) -> bool:
        """Whether `prepared` runs beside other threads rather than in turn with them."""
        return self._fast is not None and self._fast.available

    def prepared(self, load: Load) -> Prepared:
        """The block that ``load`` reads as it is to be taken; changes nothing here.

        Of plain rows the block itself is let go, since several of them wait for their turn.
        """
        if self._fast is not None and not self._style.steps:
            # not kept here, since room for a copy of it will be needed; it is read again if that was in vain
            values = self._fast.rows(load())
            block = b"" if values is not None else load()
        else:
            block = self._style.block(load(), self._coding)
            values = self._fast.rows(block) if self._fast is not None else None
        if values is None and block.endswith(b"\n"):
            values = self._plain.rows(block)
        return Prepared(block, None) if values is None else Prepared(b"", values, _is_regular(values))

    def row_of(self, sample: int) -> str:
        """The row of the file in which ``sample`` stands."""
        at = max(bisect_right(self._starts, (sample, 1 << 62)) - 1, 0)
        first, row = self._starts[at] if self._starts else (0, self._layout.first_line + 1)
        return f"row {row + sample - first}"

    def read(self, given: Prepared, last: bool) -> Rows:
        """The numbers in a block of whole lines; ``last`` if the file ends with it.

        Raises
        ------
        app.errors.CaptureError : a row with too few or too many cells, named by its row of the file.
        """
        block, values = given.block, given.values
        if values is not None:
            self._note_start(self._row)
            if not given.regular:
                self._note_odd_values(values)
            self._row += len(values)
        elif len(block) > _SMALL_BYTES and (half := block.rfind(b"\n", 0, len(block) // 2) + 1):
            # a few odd rows must not make millions of plain ones slow
            parts = ((block[:half], False), (block[half:], last))
            return np.concatenate([self._read_part(part, is_last) for part, is_last in parts])
        else:
            values = self._row_by_row(block, last)
        self.samples += len(values)
        return values

    def _read_part(self, block: bytes, last: bool) -> Rows:
        values = None
        if block.endswith(b"\n"):
            fast = self._fast if len(block) >= _WORTH_A_CALL_BYTES else None
            values = self._plain.rows(block) if fast is None or not fast.available else fast.rows(block)
        return self.read(Prepared(block, values, values is not None and _is_regular(values)), last)

    def _note_start(self, row: int, sample: int | None = None) -> None:
        """Remember where the difference between rows of the file and samples changes."""
        sample = self.samples if sample is None else sample
        if not self._starts or row - sample != self._starts[-1][1] - self._starts[-1][0]:
            self._starts.append((sample, row))
        if self._text_before:
            self._text_before = False
            if sample:
                self.records.append(sample)
                if len(self._before) < _MOST_HEADERS:
                    self._before[sample] = self._texts
            self._texts = []

    def _note_odd_values(self, values: Rows) -> None:
        """Find NaN, infinity and the numbers that stand for them, which all parse as numbers."""
        size = np.abs(values)
        for kind, mask in (
            (Kind.MISSING, np.isnan(values) | (size == SCPI_NAN)),
            (Kind.INFINITE, np.isinf(values)),
            (Kind.OVERFLOW, (size >= SCPI_INFINITY) & (size != SCPI_NAN) & np.isfinite(size)),
        ):
            for column in np.flatnonzero(mask.any(axis=0)).tolist():
                hits = np.flatnonzero(mask[:, column])
                self._tally(kind, column).note(hits.size, self.samples + int(hits[0]))
            if kind is not Kind.INFINITE:
                values[mask] = np.nan

    def _tally(self, kind: Kind, column: int) -> Tally:
        return self.odd.setdefault((kind, column), Tally())

    def _row_by_row(self, block: bytes, last: bool) -> Rows:
        self._watch.stop_if_asked()
        lines = block.decode(self._coding, "replace").split("\n")
        # where lines end in a return behind the feed, one stands behind the last
        whole = lines[-1] in ("", "\r")
        if whole:
            lines.pop()
        filled = [i for i, line in enumerate(lines) if line.strip(_BLANK)]
        final = filled[-1] if filled and last else -1
        out: list[list[float]] = []
        for i in filled:
            row, sample = self._row + i, self.samples + len(out)
            cells = self._layout.cells(lines[i].strip("\r\x1a"))
            kinds = {cell.kind for cell in cells} if cells else {Kind.TEXT}
            if kinds == {Kind.EMPTY}:
                self._empty_rows += [row] * self._by_order
                continue
            broken_off = i == final and not whole and self._is_cut(lines[i])
            if broken_off or not cells or self._is_titles(lines[i], kinds):
                self._other_line(lines[i], row, i == final)
                self._empty_rows.clear()
                continue
            out += self._missing_rows(sample)
            sample = self.samples + len(out)
            self._note_start(row, sample)
            if kinds != {Kind.NUMBER}:
                self._note_odd_cells(lines[i], cells, sample)
            out.append([cell.value for cell in cells])
        if final >= 0 and not whole and self.cut_row is None:
            self.open_end = block.endswith(b"\r") or self._may_be_cut(lines[final])
        self._row += len(lines)
        return np.array(out, dtype=np.float64).reshape(len(out), len(self._layout.data))

    def _missing_rows(self, sample: int) -> list[list[float]]:
        """The rows without a value right before ``sample``: where only their order tells times, they are samples too."""
        rows, columns = self._empty_rows, len(self._layout.data)
        self._empty_rows = []
        if rows:
            self._note_start(rows[0], sample)
            for column in range(columns):
                self._tally(Kind.EMPTY, column).note(len(rows), sample)
        return [[math.nan] * columns for _ in rows]

    def _note_odd_cells(self, line: str, cells: Sequence[Cell], sample: int) -> None:
        texts = self._layout.split(line)
        for column, cell in enumerate(cells):
            if cell.kind is not Kind.NUMBER:
                self._tally(cell.kind, column).note(1, sample, texts[self._layout.data[column]].strip(_BLANK))

    def _is_titles(self, line: str, kinds: set[Kind]) -> bool:
        """Whether a row with text in it begins with a word, as a repeated title or preamble does."""
        return Kind.TEXT in kinds and self._begins_with_word(line)

    def _begins_with_word(self, line: str) -> bool:
        first = next((cell for cell in self._layout.split(line) if cell.strip(_BLANK)), "")
        is_text = read_cell(first, self._layout.decimal).kind is Kind.TEXT
        return is_text and (_WORD.search(first) is not None or COMMENT.match(line) is not None)

    def _other_line(self, line: str, row: int, final: bool) -> None:
        """A line that is no row of samples: the cut-off end of the file, text, or a mistake."""
        found = self._layout.split(line.strip("\r"))
        numbers = [is_number(cell, self._layout.decimal) for cell in found]
        says = not numbers[0] and _WORD.search(line) is not None and len(found) != self._layout.columns
        if not any(numbers) or says or self._begins_with_word(line):
            self.text_rows.note(1, row)
            self._text_before = True
            if len(self._texts) < _MOST_HEADER_LINES:
                self._texts.append(line.strip("\r")[:_LONGEST_TEXT])
        elif final:
            self.cut_row = row
        else:
            raise CaptureError(
                self._head.path,
                f"row {row}",
                f"it has {counted(len(found), 'cell')} where the rows before have {self._layout.columns}",
                "mend or remove that row",
            )

    def _is_cut(self, line: str) -> bool:
        """Whether the last cell of a line without line end has lost digits that all others have."""
        tail = self._last_tail(line)
        return self._tails.constant and tail is not None and tail < self._tails.usual

    def _may_be_cut(self, line: str) -> bool:
        tail = self._last_tail(line)
        usual_exponent, usual_decimals = self._tails.usual
        return tail is not None and (tail[0] < usual_exponent or tail[1] <= usual_decimals - 2)

    def _last_tail(self, line: str) -> tuple[int, int] | None:
        cells = self._layout.split(line.rstrip("\r"))
        ends_in_data = self._layout.data[-1] == self._layout.columns - 1
        return (
            _tail(cells[self._layout.data[-1]])
            if ends_in_data and len(cells) == self._layout.columns
            else None
        )


def _is_regular(values: Rows) -> bool:
    """Whether all are numbers within what SCPI has for them; of NaN neither comparison holds."""
    return not values.size or bool(values.min() > -SCPI_INFINITY and values.max() < SCPI_INFINITY)


@dataclass(frozen=True)
class _Tails:
    """Characters of exponent and decimals in the last column; ``constant`` if all rows have the same."""

    usual: tuple[int, int]
    constant: bool


def _tail(cell: str) -> tuple[int, int]:
    """Number of characters of the exponent and of decimals."""
    match = _TAIL.search(cell.strip().strip('"'))
    return (len(match[2] or ""), len(match[1] or "")) if match else (0, 0)


def _tails(layout: Layout, lines: Sequence[str]) -> _Tails:
    rows = [line for line in lines[layout.first_line :][:300] if layout.is_row(line)][:-1]
    tails = [_tail(layout.split(line)[layout.data[-1]]) for line in rows]
    usual = max(set(tails), key=tails.count, default=(0, 0))
    return _Tails(usual, len(rows) > 3 and len(set(tails)) == 1)
