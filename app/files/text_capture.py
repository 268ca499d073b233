"""The finished capture of a table, with everything odd about it said in its warnings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any

from numpy.typing import NDArray

from app.errors import CaptureError, one_line
from app.files.capture_checks import check_clipping
from app.files.capture_common import distinct
from app.files.capture_options import ReadOptions, Watch, counted
from app.files.text_axis import Axis
from app.files.text_cells import Kind
from app.files.text_records import Block, laid_end_to_end, side_by_side
from app.files.text_rows import RowReader
from app.files.text_table import Table
from app.files.text_units import COUNTS, Unit, find_unit
from app.model.capture import Capture, Channel
from dsp.results import Notice

FORMAT = "delimited text"
_MOST_BLOCKS = 64

_ODD_CELLS = {
    Kind.EMPTY: ("missing", "empty"),
    Kind.MISSING: ("nan", "without a value (NaN)"),
    Kind.INFINITE: ("infinity", "of infinite value"),
    Kind.OVERFLOW: ("overflow", "marked as overflow"),
    Kind.TEXT: ("unreadable", "that cannot be read"),
}


def assembled(
    table: Table,
    options: ReadOptions,
    reader: RowReader,
    axis: Axis,
    columns: Sequence[NDArray[Any]],
    watch: Watch,
) -> Capture:
    """The capture of ``columns``, one a channel.

    Raises
    ------
    app.errors.CaptureError : fewer than two rows.
    """
    if reader.samples < 2:
        place = f"row {table.layout.first_line + 1}"
        raise CaptureError(
            table.head.path, place, "one row of numbers is all there is", "save a longer capture"
        )
    channels = _channels(table, options, columns)
    warnings = (
        *table.roles.notices,
        *axis.notices,
        *_sign_notices(table, channels),
        *_cell_notices(table, reader, [channel.name for channel in channels]),
        *_row_notices(table, reader),
        *check_clipping(channels, watch),
    )
    capture = laid_end_to_end(
        Capture(
            table.head.path.name,
            FORMAT,
            axis.rate_hz,
            axis.segments[0].start_s,
            channels,
            axis.segments,
            rate_std_hz=axis.rate_std_hz,
            path=table.head.path,
            warnings=warnings,
        )
    )
    return side_by_side(capture, _blocks(table, reader)) if reader.records else capture


def _blocks(table: Table, reader: RowReader) -> list[Block]:
    """The stretches of samples below headers of their own, where there is one channel."""
    if len(table.roles.channels) != 1 or len(reader.records) > _MOST_BLOCKS:
        return []
    at = table.roles.channels[0]
    edges = [0, *reader.records, reader.samples]
    blocks = []
    for first, last in pairwise(edges):
        title = reader.titles_before(first)[at] if first else table.titles[at]
        facts = reader.facts_before(first) if first else table.facts
        unit = title.unit or find_unit(facts.value_unit or "")
        blocks.append(Block(first, last, one_line(facts.channel or title.name), unit))
    return blocks


def _channels(table: Table, options: ReadOptions, columns: Sequence[NDArray[Any]]) -> tuple[Channel, ...]:
    titles = [table.titles[i] for i in table.roles.channels]
    given = [title.name for title in titles]
    if given == [""] and table.facts.channel:
        given = [table.facts.channel]
    stated = find_unit(table.facts.value_unit or "") or Unit("", 1.0)
    channels = []
    for name, title, column, coding in zip(distinct(given), titles, columns, table.codings, strict=True):
        unit = title.unit or stated
        scale, offset, symbol = unit.factor, 0.0, unit.symbol
        if coding is not None:
            known = unit.symbol if unit.symbol not in COUNTS else ""
            scale, offset, symbol = coding.scale, coding.offset, coding.unit or known
        if options.scale is not None:
            scale, offset, symbol = options.scale, 0.0, "V"
        if options.offset is not None:
            offset = options.offset
        channels.append(Channel(name, column, scale, offset, options.unit or symbol))
    return tuple(channels)


def _sign_notices(table: Table, channels: Sequence[Channel]) -> Iterator[Notice]:
    for column, channel in zip(table.roles.channels, channels, strict=True):
        if table.layout.data[column] in table.style.signed:
            text = f"{channel.name}: its codes are read with a sign (two's complement), since they leap around zero without"
            yield Notice("codes-signed", text)


def _cell_notices(table: Table, reader: RowReader, names: Sequence[str]) -> Iterator[Notice]:
    for (kind, column), tally in sorted(reader.odd.items(), key=lambda item: item[1].first):
        if column in table.roles.channels:
            code, words = _ODD_CELLS[kind]
            name = names[table.roles.channels.index(column)]
            place = reader.row_of(tally.first) + (f" ('{tally.cell[:20]}')" if tally.cell else "")
            text = f"{name}: {counted(tally.count, 'cell')} {words}, first at {place}"
            yield Notice(code, text, tally.count, tally.first)


def _row_notices(table: Table, reader: RowReader) -> Iterator[Notice]:
    last = reader.samples - 1
    if reader.cut_row is not None:
        text = f"the last line, row {reader.cut_row}, is cut off and left out"
        yield Notice("truncated", text, 1, last)
    elif reader.open_end:
        yield Notice(
            "truncated", "the last row has no whole line end, so its last number may be cut", 1, last
        )
    if reader.text_rows.count:
        rows = counted(reader.text_rows.count, "row")
        text = f"{rows} of text among or after the samples, first at row {reader.text_rows.first}"
        yield Notice("text-rows", text, reader.text_rows.count)
    stated = table.facts.count
    if stated is not None and reader.samples < stated:
        text = f"the file states {stated} samples and holds {reader.samples}"
        yield Notice("truncated", text, 1, last)
