"""Column names, units and the lines above the samples."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from app.files.text_cells import Kind, is_number, read_cell, split_row
from app.files.text_keys import meaning
from app.files.text_layout import Layout
from app.files.text_units import Unit, is_units_row, split_header, unit_of_cell

COMMENT = re.compile(r"^\s*(?:#+|%+|//+|!+|;+|\*+|')\s*")
_GAP_BEFORE_BRACKET = re.compile(r"\s+(?=[(\[])")
_STATED = re.compile(r"[:=]\s*[+-]?\.?\d")
_HEADER_LINES = 4


@dataclass(frozen=True)
class Title:
    """What stands above a column: ``name`` may be empty, ``unit`` None."""

    name: str
    unit: Unit | None


def uncommented(line: str) -> str:
    return COMMENT.sub("", line)


def column_titles(above: Sequence[str], layout: Layout) -> list[Title]:
    """One title a data column, from the last of the lines ``above`` the samples.

    A row of units may stand below the names; a unit may stand with its name.
    """
    rows: list[list[str]] = []
    for line in reversed([line for line in above if line.strip()][-_HEADER_LINES:]):
        # below a name that is a number, such as channel 1, there must at least be its unit
        cells = _header_cells(line, layout, numbered=len(rows) == 1 and is_units_row(rows[0]))
        if cells is None:
            break
        rows.append(cells)
    if not rows:
        return [Title("", None)] * len(layout.data)
    units: list[Unit | None] = [None] * len(layout.data)
    if is_units_row(rows[0]):
        units = [unit_of_cell(cell) for cell in rows.pop(0)]
    names = [split_header(cell) for cell in rows[0]] if rows else [("", None)] * len(layout.data)
    return [Title(name, below or own) for (name, own), below in zip(names, units, strict=True)]


def _header_cells(line: str, layout: Layout, numbered: bool) -> list[str] | None:
    """The cells of ``line`` above the data columns; None if it is no line of titles."""
    for text in dict.fromkeys((uncommented(line), line)):
        for delimiter in dict.fromkeys((layout.delimiter, ",", ";", "\t", "|", " ")):
            cells = _split(text.strip("\r\n"), delimiter, layout)
            if cells is None:
                continue
            wanted = [cells[i].strip() if i < len(cells) else "" for i in layout.data]
            kinds = [read_cell(cell, layout.decimal).kind for cell in wanted]
            if Kind.TEXT in kinds and (numbered or Kind.NUMBER not in kinds):
                return None if _is_stated(cells, layout) else wanted
    return None


def _is_stated(cells: Sequence[str], layout: Layout) -> bool:
    """Whether the line states something, as ``Sample rate, 1000000`` or ``Channels: 1`` do."""
    parts = cells if len(cells) > 1 else cells[0].split()
    keyed = meaning(parts[0]) is not None and any(is_number(part, layout.decimal) for part in parts[1:])
    return keyed or any(_STATED.search(cell) for cell in cells)


def _split(text: str, delimiter: str, layout: Layout) -> list[str] | None:
    """``text`` in as many cells as a row has, or more if those hold values; None if that cannot be.

    A title may have blanks where rows are split at blanks.
    """
    attempts = [split_row(text, delimiter)]
    if delimiter == " ":
        attempts += [_GAP_BEFORE_BRACKET.sub("", text).split(), re.split(r"\s{2,}|\t", text.strip())]
    for cells in attempts:
        beyond = cells[layout.columns :]
        stated = any(is_number(cell, layout.decimal) for cell in beyond)
        if layout.data[-1] < len(cells) and (stated or not any(cell.strip() for cell in beyond)):
            return cells
    return None
