"""The content of a text file in blocks of whole lines, each read where and when it is asked for.

Blocks are bytes with ``\\n`` between lines, in UTF-8 or in the 8-bit encoding of the file: digits,
signs and delimiters are the same bytes in both, and only names and units need decoding.
"""

from __future__ import annotations

import codecs
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from threading import Lock
from typing import BinaryIO

from app.errors import CaptureError
from app.files.capture_common import Head
from app.files.text_encoding import PADDING, TextCoding

BLOCK_BYTES = 1 << 20
LONGEST_LINE = 1 << 20
# most lines are shorter, so that finding the end of one reads no more than that
_LINE_BYTES = 1 << 12
_FILLED_BYTES = 1 << 16

Load = Callable[[], bytes]
"""Reads one block, in any thread; of a block behind which only filling stands it gives nothing."""


class Source:
    """The bytes of an open file, or ``content`` in its place, read at any place from any thread."""

    def __init__(self, head: Head, file: BinaryIO | None, content: bytes | None) -> None:
        self.head = head
        self._file, self._content = file, content
        self._lock = Lock()
        self.size = head.size if content is None else len(content)

    def read(self, at: int, length: int) -> bytes:
        """``length`` bytes from ``at``, fewer where the file ends."""
        if self._content is not None or self._file is None:
            return (self._content or b"")[at : at + length]
        if not hasattr(os, "pread"):
            with self._lock:
                self._file.seek(at)
                return self._file.read(length)
        piece = os.pread(self._file.fileno(), length, at)
        # a network's file system may give a part at a time
        while len(piece) < length and (
            more := os.pread(self._file.fileno(), length - len(piece), at + len(piece))
        ):
            piece += more
        return piece


@contextmanager
def open_source(head: Head, content: bytes | None = None) -> Iterator[Source]:
    """The file of ``head`` while its blocks are read; ``content`` stands for what is in it."""
    if content is not None:
        yield Source(head, None, content)
        return
    with head.path.open("rb") as file:
        yield Source(head, file, None)


def line_blocks(source: Source, coding: TextCoding) -> Iterator[tuple[Load, float]]:
    """Whole lines in blocks of up to some megabytes, each with the fraction of the file read by its end.

    Only the last block may lack the final line end. Filling at the end of the file is left out.

    Raises
    ------
    app.errors.CaptureError : a line of more than a megabyte, which no table of samples has.
    """
    if not coding.wide and not coding.returns_only:
        yield from _plain_blocks(source, coding.mark_bytes)
        return
    carried = b""
    for piece, share in _decoded(source, coding):
        block = carried + piece
        end = block.rfind(b"\n") + 1
        carried = block[end:]
        if len(carried) > LONGEST_LINE:
            raise _too_long(source)
        if end:
            yield partial(_unpadded, block[:end]), share
    if carried := _unpadded(carried):
        yield partial(bytes, carried), 1.0


def _plain_blocks(source: Source, at: int) -> Iterator[tuple[Load, float]]:
    """The same where bytes are characters and lines end in a line feed; only line ends are looked for here."""
    size = _filled_size(source)
    # larger ones take less time and more memory, of which few samples justify little
    length = min(max(size // 200, BLOCK_BYTES), 2 * BLOCK_BYTES)
    while at < size:
        end = _line_end(source, at + length, size)
        yield partial(_read, source, at, end - at), min(end / size, 1.0)
        at = end


def _line_end(source: Source, at: int, size: int) -> int:
    """Where the line ends in which ``at`` is, or the file."""
    first = at
    while at < size:
        piece = source.read(at, min(_LINE_BYTES, size - at))
        if not piece:
            break
        if found := piece.find(b"\n") + 1:
            return at + found
        at += len(piece)
        if at - first > LONGEST_LINE:
            raise _too_long(source)
    return size


def _filled_size(source: Source) -> int:
    """The size without the NUL that fills the file up at its end."""
    size = source.size
    while size:
        tail = source.read(max(size - _FILLED_BYTES, 0), min(_FILLED_BYTES, size))
        if not tail.endswith(b"\0"):
            break
        size -= len(tail) - len(tail.rstrip(b"\0"))
    return size


def _read(source: Source, at: int, length: int) -> bytes:
    return _unpadded(source.read(at, length))


def _too_long(source: Source) -> CaptureError:
    problem = f"a line is longer than {LONGEST_LINE} bytes, so this is no table"
    return CaptureError(source.head.path, "", problem, "one row a sample is read")


def _unpadded(block: bytes) -> bytes:
    return PADDING.sub(b"", block) if b"\0" in block else block


def _decoded(source: Source, coding: TextCoding) -> Iterator[tuple[bytes, float]]:
    decoder = codecs.getincrementaldecoder(coding.name)("replace") if coding.wide else None
    at = coding.mark_bytes
    while block := source.read(at, BLOCK_BYTES):
        at += len(block)
        if decoder is not None:
            block = decoder.decode(block).encode("utf-8", "replace")
        yield block.replace(b"\r", b"\n") if coding.returns_only else block, min(at / source.size, 1.0)
