"""Delimited text: the table is found by looking at the opening lines, then read in blocks."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain

from app.files.capture_common import Head
from app.files.capture_options import ReadOptions, Watch
from app.files.text_axis import TextAxis
from app.files.text_capture import assembled
from app.files.text_encoding import line_blocks, text_coding
from app.files.text_rows import RowReader
from app.files.text_store import ColumnStore
from app.files.text_table import find_table
from app.model.capture import Capture

_LOOK_BYTES = 256 << 10


def read_text(head: Head, options: ReadOptions, watch: Watch) -> Capture:
    """Read ``head`` as a table of one row a sample.

    Raises
    ------
    app.errors.CaptureError : no numbers, no time and no rate, ragged rows; names the first bad row.
    """
    coding = text_coding(head.start)
    blocks = line_blocks(head, coding)
    first, fraction = next(blocks, (b"", 1.0))
    table = find_table(head, _opening_lines(first, coding.block_name), options)
    axis = TextAxis(table, options)
    reader = RowReader(head, table.layout, coding.block_name, table.lines, watch)
    store = ColumnStore(table.types)
    rest = first[_offset_of_line(first, table.layout.first_line) :]
    for block, share, last in _with_last(chain([(rest, fraction)], blocks)):
        watch.step(share)
        values = reader.read(block, last)
        axis.add(values, reader)
        store.add(values[:, list(table.roles.channels)], share)
    return assembled(table, options, reader, axis.fit(reader), store.finished(), watch)


def _opening_lines(block: bytes, coding: str) -> list[str]:
    cut = block if len(block) <= _LOOK_BYTES else block[: block.rfind(b"\n", 0, _LOOK_BYTES) + 1]
    return [line.rstrip("\r") for line in cut.decode(coding, "replace").split("\n")]


def _offset_of_line(block: bytes, line: int) -> int:
    at = 0
    for _ in range(line):
        at = block.index(b"\n", at) + 1
    return at


def _with_last(blocks: Iterator[tuple[bytes, float]]) -> Iterator[tuple[bytes, float, bool]]:
    """Each block with whether it is the last one."""
    held = next(blocks)
    for following in blocks:
        yield *held, False
        held = following
    yield *held, True
