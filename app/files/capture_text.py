"""Delimited text: the table is found by looking at the opening lines, then read in blocks."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor, wait
from functools import partial
from itertools import chain

from app.errors import CaptureError
from app.files.capture_common import Head
from app.files.capture_options import ReadOptions, Watch
from app.files.text_axis import TextAxis
from app.files.text_blocks import Load, Source, line_blocks, open_source
from app.files.text_capture import FORMAT, assembled
from app.files.text_encoding import TextCoding, last_lines, text_coding
from app.files.text_fast import Loading, is_loaded, open_fast_reader, reading_threads
from app.files.text_lists import listed_text
from app.files.text_rows import Prepared, RowReader
from app.files.text_store import ColumnStore
from app.files.text_table import Table, find_table
from app.files.text_turned import turned_text
from app.model.capture import Capture

__all__ = ["FORMAT", "LARGE_BYTES", "open_fast_reader", "read_text"]

_LOOK_BYTES = 256 << 10
# a preamble may be longer than the first look, but hardly than this
_LONGEST_LOOK_BYTES = 4 << 20
# below this a second thread takes longer to start than it saves, below four times as much loading the library
LARGE_BYTES = 4 << 20

_ASK_EVERY_S = 0.05

_Block = tuple[Load, float]


def read_text(head: Head, options: ReadOptions, watch: Watch) -> Capture:
    """Read ``head`` as a table of one row a sample.

    Raises
    ------
    app.errors.CaptureError : no numbers, no time and no rate, ragged rows; names the first bad row.
    """
    coding = text_coding(head.start)
    turned = listed_text(head, coding, watch) or turned_text(head, coding)
    if turned is not None:
        coding = TextCoding("utf-8", 0, False)
    large = turned is None and head.size >= (LARGE_BYTES if is_loaded() else 4 * LARGE_BYTES)
    loading = Loading() if large else None
    with open_source(head, turned) as source:
        table, blocks = _opened(source, coding, turned is None, options, watch)
        axis = TextAxis(table, options)
        library = loading.wait(watch) if loading is not None else None
        reader = RowReader(head, table, coding.block_name, watch, library)
        store = ColumnStore(table.types)
        for prepared, share, last in _parsed(reader, blocks, watch):
            watch.step(share)
            rows = reader.read(prepared, last)
            axis.add(rows, reader)
            store.add(rows, table.roles.channels, share)
    return assembled(table, options, reader, axis.fit(reader), store.finished(), watch)


def _opened(
    source: Source, coding: TextCoding, in_file: bool, options: ReadOptions, watch: Watch
) -> tuple[Table, Iterator[_Block]]:
    """The table, and the blocks of its rows with the fraction of the file read by then."""
    head = source.head
    blocks = line_blocks(source, coding)
    load, share = next(blocks, (bytes, 1.0))
    opening = load()
    tail = last_lines(head, coding) if in_file and head.size > _LOOK_BYTES else []
    try:
        table = find_table(head, _lines(opening[:_LOOK_BYTES], opening, coding), tail, options)
    except CaptureError:
        if len(opening) <= _LOOK_BYTES:
            raise
        for load, share in blocks:  # noqa: B007  (the last one counts)
            watch.stop_if_asked()
            opening += load()
            if len(opening) > _LONGEST_LOOK_BYTES:
                break
        table = find_table(head, _lines(opening[:_LONGEST_LOOK_BYTES], opening, coding), tail, options)
    rest = opening[_offset_of_line(opening, table.layout.first_line) :]
    return table, chain([(partial(bytes, rest), share)], blocks)


def _lines(part: bytes, whole: bytes, coding: TextCoding) -> list[str]:
    """The whole lines in ``part``, the beginning of ``whole``."""
    cut = part if len(part) == len(whole) else part[: part.rfind(b"\n") + 1]
    return [line.rstrip("\r") for line in cut.decode(coding.block_name, "replace").split("\n")]


def _offset_of_line(block: bytes, line: int) -> int:
    at = 0
    for _ in range(line):
        at = block.index(b"\n", at) + 1
    return at


def _parsed(
    reader: RowReader, blocks: Iterator[_Block], watch: Watch
) -> Iterator[tuple[Prepared, float, bool]]:
    """Each block, prepared, the fraction read, and whether it is the last one.

    Of a large file some blocks are read and parsed ahead by other threads, where that can run beside this one.
    """
    # one more than there are processors: while one waits for the interpreter's lock, others parse
    ahead = reading_threads() + 1 if reader.runs_beside else 0
    if not ahead:
        for (load, share), last in _with_last(blocks):
            yield reader.prepared(load), share, last
        return
    waiting: deque[tuple[Future[Prepared], float, bool]] = deque()
    with ThreadPoolExecutor(ahead, thread_name_prefix="halfturn-text") as pool:
        try:
            for (load, share), last in _with_last(blocks):
                waiting.append((pool.submit(reader.prepared, load), share, last))
                if len(waiting) > ahead:
                    future, share_then, last_then = waiting.popleft()
                    yield _awaited(future, watch), share_then, last_then
            while waiting:
                future, share_then, last_then = waiting.popleft()
                yield _awaited(future, watch), share_then, last_then
        finally:
            for future, *_ in waiting:
                future.cancel()


def _awaited(future: Future[Prepared], watch: Watch) -> Prepared:
    """What comes of ``future``; ``watch`` is asked now and then where others hold the processors."""
    while not (future.done() or wait([future], _ASK_EVERY_S).done):
        watch.stop_if_asked()
    return future.result()


def _with_last(blocks: Iterator[_Block]) -> Iterator[tuple[_Block, bool]]:
    """Each block with whether it is the last one."""
    held = next(blocks)
    for following in blocks:
        yield held, False
        held = following
    yield held, True
