"""What the opening lines of a text file tell about the table in it."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from app.errors import CaptureError
from app.files.capture_common import STEPS, Head
from app.files.capture_options import ReadOptions
from app.files.text_cells import is_number, read_cell, written_digits
from app.files.text_codes import Coding, codings
from app.files.text_header import Title, column_titles
from app.files.text_layout import Layout, find_layout
from app.files.text_preamble import Facts, stated_facts
from app.files.text_roles import Roles, assign_roles
from app.files.text_rules import row_names
from app.files.text_store import SampleType, column_type
from app.files.text_style import Style, find_style
from app.files.text_units import COUNTS, find_unit, plain_cell, split_headers

# rows looked at closely; of many columns fewer are as telling
_PREVIEW_ROWS, _FEWEST_PREVIEW_ROWS, _PREVIEW_CELLS = 300, 100, 1200
_FOOTER_LINES = 40
_WHICH = re.compile(
    r"(channel|chan|ch|kanal|canal|voie|signal|source|sensor|probe)([ _.]*(no|nr|number|name|id|#))?\.?", re.I
)
_MOST_WHICH = 64


@dataclass(frozen=True)
class Table:
    """``lines`` are the first of the file; ``types`` are those to store the channels in.

    ``time_digits`` are the most significant digits and decimals the times are written with. ``style`` is
    what rows are rewritten by before they are read. ``codings`` has one for each channel of codes.
    """

    head: Head
    lines: Sequence[str]
    layout: Layout
    titles: Sequence[Title]
    facts: Facts
    roles: Roles
    types: Sequence[SampleType]
    time_digits: tuple[int, int]
    style: Style
    codings: Sequence[Coding | None]


def find_table(head: Head, given: Sequence[str], tail: Sequence[str], options: ReadOptions) -> Table:
    """Layout, titles, preamble and columns from the opening lines of the file and its last ones.

    Raises
    ------
    app.errors.CaptureError : no numbers, no samples, or nothing to place them in time by.
    """
    style = find_style(tail or given, given)
    lines = [style.rewritten(line) for line in given] if style.steps else given
    layout = find_layout(lines, [style.rewritten(line) for line in tail])
    if layout is None:
        row = next((i for i, line in enumerate(lines) if line.strip()), 0)
        raise CaptureError(
            head.path,
            f"row {row + 1}",
            f"no row of numbers is found in this text, which begins with '{lines[row].strip()[:40]}'",
            "rows of numbers are read, with comma, semicolon, tab, bar or blanks between them",
        )
    few = max(_PREVIEW_CELLS // len(layout.data), _FEWEST_PREVIEW_ROWS)
    near = lines[: layout.first_line + min(_PREVIEW_ROWS, few)]
    rows = [line for line in near[layout.first_line :] if layout.is_row(line)]
    above = given[: layout.first_line]
    titles = _with_units(column_titles(above, layout), style, layout)
    titles = _with_units_beside(titles, rows, layout)
    if not any(title.name for title in titles):
        titles = _named_in_rows(titles, given[layout.first_line], style, layout)
    facts = stated_facts([*above, *near[layout.first_line :]], layout)
    if facts.stated_rate_hz is None:
        facts = _with_footer(facts, tail or given, layout)
    roles = assign_roles(titles, facts, _numbers(rows, layout), options.rate_hz is not None)
    _check(head, layout, facts, roles, options)
    _check_one_row_a_sample(
        head,
        layout,
        titles,
        roles,
        above,
        rows,
        [style.rewritten(line) for line in tail[-_FEWEST_PREVIEW_ROWS:]],
    )
    types = [column_type(_written(rows, layout, i)) for i in roles.channels]
    times = [written_digits(cell) for cell in _written(rows, layout, roles.time)]
    digits = (max((n for n, _ in times), default=1), max((n for _, n in times), default=-30))
    if roles.finer is not None:
        part, unit_s = roles.finer
        written = [written_digits(cell) for cell in _written(rows, layout, part)]
        digits = (digits[0], max((n for _, n in written), default=0) - round(math.log10(unit_s)))
    coded = _codings(above, rows, layout, titles, roles, style)
    return Table(head, near, layout, titles, facts, roles, types, digits, style, coded)


def _with_footer(facts: Facts, last: Sequence[str], layout: Layout) -> Facts:
    """With what is stated below the samples, where nothing above states the rate."""
    footer = [line for line in last[-_FOOTER_LINES:] if line.strip() and not layout.is_row(line)]
    below = stated_facts(footer, replace(layout, first_line=len(footer)))
    if below.stated_rate_hz is None:
        return facts
    start_s = below.start_s if facts.start_s is None else facts.start_s
    return replace(facts, interval_s=below.interval_s, rate_hz=below.rate_hz, start_s=start_s)


def _with_units(titles: Sequence[Title], style: Style, layout: Layout) -> list[Title]:
    """The titles, with units that stand in the cells where they have none of their own."""
    units = dict(style.units)
    return [
        Title(title.name, units.get(column, title.unit))
        for title, column in zip(titles, layout.data, strict=True)
    ]


def _named_in_rows(titles: list[Title], row: str, style: Style, layout: Layout) -> list[Title]:
    """The titles, with names that stand in the rows and are taken out there."""
    names = row_names(row) if style.steps else []
    if len(names) != layout.columns or len(set(names)) < len(names):
        return titles
    names = [names[i] for i in layout.data]
    said = split_headers(names)
    return [
        # "v" alone is a name
        Title(name or whole, title.unit or (unit if name else None))
        for title, whole, (name, unit) in zip(titles, names, said, strict=True)
    ]


def _with_units_beside(titles: Sequence[Title], rows: Sequence[str], layout: Layout) -> list[Title]:
    """The titles, with a unit that stands in a column of its own behind that of the numbers, the same in every row."""
    cells = [layout.split(row) for row in rows]
    out = []
    for title, column in zip(titles, layout.data, strict=True):
        beside = {row[column + 1].strip() if column + 1 < len(row) else "" for row in cells}
        is_text = column + 1 < layout.columns and column + 1 not in layout.data
        unit = (
            find_unit(plain_cell(beside.pop()))
            if is_text and title.unit is None and len(beside) == 1
            else None
        )
        out.append(title if unit is None else Title(title.name, unit))
    return out


def _codings(
    above: Sequence[str],
    rows: Sequence[str],
    layout: Layout,
    titles: Sequence[Title],
    roles: Roles,
    style: Style,
) -> list[Coding | None]:
    """How to come from the whole numbers in a column to values, where the preamble says so."""
    found = codings(above, layout, len(roles.channels))
    out: list[Coding | None] = []
    for number, column in enumerate(roles.channels):
        unit = titles[column].unit
        plain = style.codes or unit is None or unit.symbol in COUNTS
        are_whole = plain and all(
            cell.strip().strip('"').lstrip("+-").isdecimal() for cell in _written(rows, layout, column)
        )
        coding = found[number] if found is not None and are_whole else None
        if coding is None and style.codes and are_whole and unit is None:
            coding = Coding(1.0, 0.0, STEPS)
        out.append(coding)
    return out


def _check(head: Head, layout: Layout, facts: Facts, roles: Roles, options: ReadOptions) -> None:
    place = f"row {layout.first_line + 1}"
    if not roles.channels:
        problem = "there is a column of times or sample numbers and none of samples"
        raise CaptureError(head.path, place, problem, "save a channel with it")
    if roles.time is None and options.rate_hz is None and facts.stated_rate_hz is None:
        count = (
            "one column of numbers begins" if len(layout.data) == 1 else f"{len(layout.data)} columns begin"
        )
        problem = f"{count} here, with no time column, sample interval or sample rate"
        raise CaptureError(head.path, place, problem, "give the rate with --rate")


def _check_one_row_a_sample(
    head: Head,
    layout: Layout,
    titles: Sequence[Title],
    roles: Roles,
    above: Sequence[str],
    first: Sequence[str],
    last: Sequence[str],
) -> None:
    """Refuse rows that belong to several channels in turn or one after the other, as a column of them says."""
    header = next((layout.split(line) for line in reversed(above) if line.strip()), [])
    for column in range(min(layout.columns, len(header))):
        if not _WHICH.fullmatch(plain_cell(header[column])):
            continue
        rows = [*first, *(line for line in last if layout.is_row(line))]
        cells = [layout.split(row)[column].strip() for row in rows]
        if column in layout.data and (
            roles.time is None
            or titles[layout.data.index(column)].unit is not None
            or not all(cell.isdecimal() for cell in cells)
        ):
            continue
        if roles.time is not None:
            times = [
                read_cell(layout.split(row)[layout.data[roles.time]], layout.decimal).value for row in rows
            ]
            changes = [i for i in range(1, len(cells)) if cells[i] != cells[i - 1]]
            # a column of levels, or of states, changes while time goes on
            if sum(times[i] <= times[i - 1] for i in changes) < 0.4 * max(len(changes), 1):
                continue
        if 1 < len(set(cells)) <= _MOST_WHICH:
            problem = f"the rows belong to several channels, which column {column + 1} tells apart"
            remedy = "save one column a channel, or each channel in a file of its own"
            raise CaptureError(head.path, f"row {layout.first_line + 1}", problem, remedy)


def _written(rows: Sequence[str], layout: Layout, column: int | None) -> list[str]:
    """The cells of a data column that are numbers, as they stand."""
    if column is None:
        return []
    cells = [layout.split(row)[layout.data[column]] for row in rows]
    return [cell for cell in cells if is_number(cell, layout.decimal)]


def _numbers(rows: Sequence[str], layout: Layout) -> NDArray[np.float64]:
    """The first rows as numbers, shape (rows, data columns); NaN for whatever is no number."""
    cells = [layout.cells(row) or [] for row in rows]
    values = np.array([[cell.value for cell in row] for row in cells], dtype=np.float64)
    return np.where(np.isfinite(values), values, np.nan)
