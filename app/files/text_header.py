"""Column names, units and the lines above the samples."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from app.files.text_cells import Kind, is_number, read_cell, split_row
from app.files.text_keys import BARE_RATE, QUANTITY, TIME, WITH_UNIT, keyed_pieces, meaning
from app.files.text_layout import Layout, is_filled
from app.files.text_units import (
    Unit,
    is_units_row,
    plain_cell,
    split_header,
    split_headers,
    split_label,
    unit_of_cell,
)

COMMENT = re.compile(r"^\s*(?:#+|%+|//+|!+|;+|\*+|'|(?i:rem)(?=\s))\s*")
_GAP_BEFORE_BRACKET = re.compile(r"\s+(?=[(\[])")
_STATED = re.compile(r"[:=]\s*[+-]?\.?\d")
_STATEMENT = re.compile(r"[^=:,;|\t]{1,60}?(?:\s*=\s*|:\s+)[^=:]+(?::\d[^=]*)?")
# "1.25 V", but not the channel "1 V"
_WRITTEN_VALUE = re.compile(rf"(?=[+-]?\d*[.,]){WITH_UNIT}")
_QUOTED_KEY = re.compile(r"[{,]\s*\"[^\"]{1,60}\"\s*:")
_HEADER_LINES = 4
LONGEST_LINE = 8 << 10
_PREAMBLE_LINES = 200
_SECTION = re.compile(r"\[[^\W\d][\w -]{2,}\]")
_KEY_BLANK_VALUE = re.compile(rf"(?P<key>[A-Za-z][\w -]{{0,60}}?)\s+{WITH_UNIT}")
_LISTED = re.compile(
    r"(?:column|col\.?|field|channel)?\s*(?P<number>\d{1,3})\s*[:=.)-]\s*(?P<title>\D.{0,80})", re.I
)
_NAMES = re.compile(r"(channel|signal|trace|source|label)s?([ _]?names?)?:?|names?:?", re.I)
# columns that the rows need not have
_REMARKS = re.compile(
    r"(comment|remark|note|event|flag|marker|bemerkung|kommentar|remarque|commentaire)s?(en)?", re.I
)
_TIME_WORD = re.compile(rf"(?<!\w)(?:{TIME.pattern})(?!\w)", TIME.flags)
_IN_BRACKETS = re.compile(r"[(\[][^()\[\]]*[)\]]")
_UNITS = re.compile(r"((vertical|channel|y|v)[ _]?)?units?:?", re.I)


@dataclass(frozen=True)
class Title:
    """What stands above a column: ``name`` may be empty, ``unit`` None."""

    name: str
    unit: Unit | None


def short_lines(lines: Sequence[str]) -> list[str]:
    """Those of ``lines`` that people may have written: a longer one states nothing and takes long to search."""
    return [line for line in lines if len(line) <= LONGEST_LINE]


def uncommented(line: str) -> str:
    return COMMENT.sub("", line)


def column_titles(above: Sequence[str], layout: Layout) -> list[Title]:
    """One title a data column, from the last of the lines ``above`` the samples.

    A row of units may stand below the names; a unit may stand with its name.
    """
    rows: list[list[str]] = []
    filled = [line for line in _joined(short_lines(above)) if is_filled(line)]
    for line in reversed(filled[-_HEADER_LINES:]):
        if _SECTION.fullmatch(line.strip()) or (not rows and _is_said(line, layout)):
            continue
        # below a name that is a number, such as channel 1, there must at least be its unit
        cells = _header_cells(line, layout, numbered=len(rows) == 1 and is_units_row(rows[0]))
        if cells is None:
            break
        rows.append(cells)
    units: list[Unit | None] = [None] * len(layout.data)
    # units stand below the names, seldom above them
    for i in range(min(2, len(rows))):
        if is_units_row(rows[i], rows[i + 1] if i + 1 < len(rows) else ()):
            units = [unit_of_cell(cell) for cell in rows.pop(i)]
            if i and len(rows) > 1 and _are_remarks(rows[0]) and all(rows[1]):
                del rows[0]
            break
    if not rows:
        rows = _listed(filled, layout)
    names = split_headers(rows[0]) if rows else [("", None)] * len(layout.data)
    if len(rows) > 1:
        names = _grouped(names, rows[1])
    titles = [Title(name, below or own) for (name, own), below in zip(names, units, strict=True)]
    return [_filled(title, *keyed) for title, keyed in zip(titles, _keyed(filled, layout), strict=True)]


def _grouped(names: Sequence[tuple[str, Unit | None]], above: Sequence[str]) -> list[tuple[str, Unit | None]]:
    """Names that occur twice, with that of the group of columns before them which stands in the row above."""
    groups: list[str] = []
    for cell in above:
        groups.append(plain_cell(cell) or (groups[-1] if groups else ""))
    plain = [name for name, _ in names]
    return [
        (f"{group} {name}" if group and plain.count(name) > 1 and not TIME.fullmatch(name) else name, unit)
        for group, (name, unit) in zip(groups, names, strict=True)
    ]


def _are_remarks(cells: Sequence[str]) -> bool:
    """Whether a row below names and units may hold remarks: it says nothing of a unit or of times."""
    labels = [split_header(cell) for cell in cells]
    return all(unit is None and not TIME.fullmatch(name) for name, unit in labels)


def _joined(lines: Sequence[str]) -> list[str]:
    """``lines`` with those put together that a cell in quotes goes across."""
    out: list[str] = []
    open_quote = False
    for line in lines:
        if open_quote and len(out[-1]) < LONGEST_LINE:
            out[-1] += " " + line.strip("\r")
        else:
            out.append(line)
        open_quote = out[-1].count('"') % 2 == 1
    # a stray quote, as of inches, opens nothing
    return list(lines) if open_quote else out


def _listed(above: Sequence[str], layout: Layout) -> list[list[str]]:
    """One row of titles from lines that each name a column, as ``# column 2: line [V]``; none without them."""
    found = [match for line in above if (match := _LISTED.fullmatch(uncommented(line).strip()))]
    numbers = [int(match["number"]) for match in found]
    if len(found) != layout.columns or numbers != list(range(numbers[0], numbers[0] + len(found))):
        return []
    return [[found[i]["title"] for i in layout.data]]


def _filled(title: Title, name: str, unit: str) -> Title:
    if title.name and title.unit is not None:
        return title
    return Title(title.name or name, title.unit or unit_of_cell(unit))


def _keyed(above: Sequence[str], layout: Layout) -> list[tuple[str, str]]:
    """Name and unit of each data column from lines that begin with a word for them, as ``Unit,V,mV``."""
    found = {_NAMES: [""] * len(layout.data), _UNITS: [""] * len(layout.data)}
    for line in above[-_PREAMBLE_LINES:]:
        cells = [plain_cell(cell) for cell in split_row(uncommented(line), layout.delimiter)]
        wanted = [cells[i] if 0 < i < len(cells) else "" for i in layout.data]
        for key, row in found.items():
            # one value alone is said of the whole file
            is_row = (
                len(cells) > (1 if layout.data[0] > 0 else 2)
                and key.fullmatch(cells[0])
                and not _is_sentence(uncommented(line))
            )
            # beside an empty column even one value stands in that of the samples
            if is_row and sum(map(bool, wanted)) > (0 if layout.data[0] > 0 else 1):
                row[:] = wanted
    return list(zip(*found.values(), strict=True))


def _header_cells(line: str, layout: Layout, numbered: bool) -> list[str] | None:
    """The cells of ``line`` above the data columns; None if it is no line of titles."""
    if _states(line, layout):
        return None
    # a mark of comments that is a cell of its own is the title of row numbers
    first = line.lstrip().lstrip("#%")[:1] if layout.delimiter != " " else ""
    readings = (line, uncommented(line)) if first == layout.delimiter else (uncommented(line), line)
    for text in dict.fromkeys(readings):
        for delimiter in _delimiters(text, layout):
            cells = _split(text.strip("\r\n"), delimiter, layout)
            if cells is None or ((delimiter == " " or len(cells) == 1) and _is_sentence(text)):
                continue
            wanted = [cells[i].strip() if i < len(cells) else "" for i in layout.data]
            if any(_WRITTEN_VALUE.fullmatch(plain_cell(cell)) for cell in wanted):
                return None
            kinds = [read_cell(cell, layout.decimal).kind for cell in wanted]
            if Kind.TEXT in kinds and (numbered or Kind.NUMBER not in kinds or _are_numbered(wanted)):
                return None if _is_stated(cells, wanted, layout) else wanted
    return _behind_times(uncommented(line), layout)


def _states(line: str, layout: Layout) -> bool:
    """Whether two cells alone are a word that is sought and what it is to be: ``Sample interval,1e-06``."""
    for delimiter in dict.fromkeys((layout.delimiter, ",", ";", "\t", "|")):
        cells = (
            [plain_cell(cell) for cell in split_row(uncommented(line), delimiter)] if delimiter != " " else []
        )
        if len(cells) > 1 and cells[0] and cells[1] and not any(cells[3:]):
            said = meaning(cells[0])
            is_quantity = QUANTITY.fullmatch(cells[1]) is not None
            if said in ("value unit", "time unit", "channel"):
                return len(layout.data) == 1 and not is_quantity and not any(cells[2:])
            if said is not None:
                return is_quantity
    if _QUOTED_KEY.search(line) or any(
        piece["value"] and meaning(piece["key"]) not in (None, "channel") for piece in keyed_pieces(line)
    ):
        return True
    if len(layout.data) == 1 and BARE_RATE.search(line) and split_label(line)[1] == "":
        return True
    key, mark, rest = re.sub("[=：]", ":", uncommented(line), count=1).partition(":")
    return bool(mark) and meaning(key) is not None and QUANTITY.fullmatch(plain_cell(rest)) is not None


def _is_said(line: str, layout: Layout) -> bool:
    """Whether the line states one thing, without the delimiter of the rows: ``Sample rate 2 MS/s``."""
    text = uncommented(line).strip()
    match = _KEY_BLANK_VALUE.fullmatch(text)
    if match is None or (layout.delimiter != " " and layout.delimiter in text):
        return False
    # "Channel 1" is a name, "Offset   1" and "Offset 1.0" are not
    return meaning(match["key"]) not in (None, "channel") or "  " in text or "." in match["value"]


def _delimiters(text: str, layout: Layout) -> Sequence[str]:
    """What may part the titles in ``text``: the delimiter of the rows, or any if it does not occur."""
    if layout.columns > 1 and layout.delimiter != " " and layout.delimiter in text:
        return (layout.delimiter,)
    return tuple(dict.fromkeys((layout.delimiter, ",", ";", "\t", "|", " ")))


def _is_sentence(text: str) -> bool:
    """Whether blanks part the words of one statement, ``Trigger level = 1.25 V`` or ``Date: 2026-11-27``."""
    return _STATEMENT.fullmatch(text.strip()) is not None


def _are_numbered(cells: Sequence[str]) -> bool:
    """Whether a word for the times is followed by the numbers of channels, as ``Time,1,2``."""
    first, *others = [plain_cell(cell) for cell in cells]
    return TIME.fullmatch(split_header(first)[0]) is not None and others == [
        str(int(others[0][:3]) + i) if others[0].isdecimal() else "" for i in range(len(others))
    ]


def _is_stated(cells: Sequence[str], wanted: Sequence[str], layout: Layout) -> bool:
    """Whether the line states something, as ``Sample rate, 1000000`` or ``Channels: 1`` do.

    What is stated beside several titles ``wanted``, as in ``X,CH1 (V),dt = 2e-6``, does not make them none.
    """
    # a single column splits at any mark, a line about it too
    parts = cells if len(cells) > 1 else re.split(r"[\s,;:=]+", cells[0])
    values = [plain_cell(part) for part in parts[1:]]
    if meaning(parts[0]) in ("value unit", "time unit") and len(values) == 1:
        return True
    are_values = [is_number(value, layout.decimal) or QUANTITY.fullmatch(value) for value in values]
    if len(cells) == 2 and len(wanted) == 1 and are_values[0] and split_label(cells[0])[1] == "":
        # beside the title of a single column nothing stands but what has a key of its own
        return True
    # "Channel 1" is a name
    keyed = meaning(parts[0]) not in (None, "channel") and any(are_values)
    if len(wanted) > 1:
        # in "Sample (fs = 1 MHz)" it is said beside a title
        return keyed or any(_STATED.search(_IN_BRACKETS.sub("", cell)) for cell in wanted)
    return keyed or any(_STATED.search(cell) for cell in cells)


def _behind_times(text: str, layout: Layout) -> list[str] | None:
    """Titles with a unit for each column but the first, in which times then stand; None if they are none."""
    mark = layout.delimiter
    if mark == " " or (layout.columns > 2 and mark not in text) or _LISTED.fullmatch(text.strip()):
        return None
    cells = split_row(text.strip("\r\n"), mark)
    if len(cells) != layout.columns - 1 or layout.data != tuple(range(layout.columns)):
        return None
    labels = [split_header(cell) for cell in cells]
    if any(not name or unit is None or unit.time or _TIME_WORD.search(name) for name, unit in labels):
        return None
    return None if any(is_number(name, layout.decimal) for name, _ in labels) else ["", *cells]


def _split(text: str, delimiter: str, layout: Layout) -> list[str] | None:
    """``text`` in as many cells as a row has, or more if those hold values; None if that cannot be.

    A title may have blanks where rows are split at blanks.
    """
    attempts = [split_row(text, delimiter)]
    if delimiter != " " and len(attempts[0]) > layout.columns and '"' not in text:
        # a comma within brackets parts what stands in them, as in "CH1 (V, DC)"
        attempts.append(re.split(rf"{re.escape(delimiter)}(?![^(\[]*[)\]])", text))
    if delimiter == " ":
        attempts += [_GAP_BEFORE_BRACKET.sub("", text).split(), re.split(r"\s{2,}|\t", text.strip())]
    for cells in attempts:
        beyond = cells[layout.columns :]
        plain = [plain_cell(cell) for cell in beyond]
        stated = any(QUANTITY.fullmatch(cell) or meaning(cell) or _REMARKS.fullmatch(cell) for cell in plain)
        if layout.data[-1] < len(cells) and (stated or not any(cell.strip() for cell in beyond)):
            return cells
    return None
