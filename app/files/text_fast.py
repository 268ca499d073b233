"""Blocks of plain rows to arrays by the reader of the polars library, which runs outside the interpreter's lock.

It gives the same values as Python to the last bit, two to three times as fast as `numpy.fromstring` on
one core, and on several cores at once. Whatever it does not take, the slower ways read.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor, wait
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.files.capture_options import Watch
from app.files.text_layout import Layout

_ASK_EVERY_S = 0.01
_PART = 1 << 16
_MOST_THREADS = 4
_END, _RETURN, _TAB, _BLANK, _COMMA = b"\n\r\t ,"
_TO_POINT = np.uint8(ord(".") - _COMMA)


class FastRows:
    """Reads blocks in one layout; ``available`` if the library is there and knows the layout."""

    def __init__(self, layout: Layout, library: Any) -> None:
        self._layout = layout
        # of a comma with a decimal comma only quotes tell which is which
        self._polars: Any = library if layout.delimiter != layout.decimal else None
        # whether blanks have to be looked at: where single ones part the cells the library alone is faster
        self._blanks_apart = False
        self._data = [str(i) for i in layout.data]
        kinds = ("Float64" if i in layout.data else "String" for i in range(layout.columns))
        self._schema = {str(i): getattr(library, kind) for i, kind in enumerate(kinds)}

    @property
    def available(self) -> bool:
        return self._polars is not None

    def rows(self, block: bytes) -> NDArray[np.float64] | None:
        """Array of shape (rows, data columns), None if some row is not plain."""
        layout = self._layout
        if self._polars is None or not block.endswith(b"\n"):
            return None
        if layout.decimal == ",":
            # faster than the library's own way
            block = _points(block)
        if layout.delimiter == " " and not self._blanks_apart:
            values = self._read(block)
            if values is not None:
                return values
            # so are the next ones, likely
            self._blanks_apart = True
        if layout.delimiter == " ":
            block = _single_blanks(block)
        return self._read(block)

    def _read(self, block: bytes) -> NDArray[np.float64] | None:
        polars, layout = self._polars, self._layout
        # the library passes over empty lines
        lines = _lines(block)
        try:
            frame = _collected(polars, block, layout.delimiter, self._schema)
        except polars.exceptions.PolarsError:
            return None
        if len(self._data) < layout.columns:
            frame = frame.select(self._data)
        if frame.height != lines or any(column.null_count() for column in frame.iter_columns()):
            return None
        values: NDArray[np.float64] = frame.to_numpy(order="fortran")
        # what comes from one column alone may be the library's own memory
        return values if values.flags.writeable else values.copy()


def is_loaded() -> bool:
    """Whether the library is there without a wait."""
    return "polars" in sys.modules


class Loading:
    """The library on its way in a thread of its own, while the caller does something else; `wait` gives it."""

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="halfturn-load")
        self._library = self._pool.submit(_library_at_work)
        self._pool.shutdown(wait=False)

    def wait(self, watch: Watch) -> Any:
        """The library, None where it is not there; ``watch`` is asked meanwhile."""
        while not wait([self._library], _ASK_EVERY_S).done:
            watch.step(0.0)
        return self._library.result()


def open_fast_reader(watch: Watch) -> Any:
    """The library, loaded only where a large text is read; None where it is not there.

    Not every processor can run it. Loading takes a moment, in which ``watch`` is asked.
    """
    return _library() if is_loaded() else Loading().wait(watch)


def reading_threads() -> int:
    """How many blocks to read at a time: one for each processor that this process may use, within reason."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(cores, _MOST_THREADS)


def _library() -> Any:
    # as many as there are blocks read side by side: its threads are one pool for all calls
    os.environ.setdefault("POLARS_MAX_THREADS", str(reading_threads()))
    try:
        import polars
    except ImportError:
        return None
    return polars


def _library_at_work() -> Any:
    """The library after a first call, which takes some times as long as those after it."""
    polars = _library()
    if polars is not None:
        schema = {"0": polars.Float64, "1": polars.Float64}
        _collected(polars, b"0,1\n", ",", schema).to_numpy(order="fortran")
    return polars


def _collected(polars: Any, block: bytes, separator: str, schema: dict[str, Any]) -> Any:
    """The frame of ``block``; a plan without anything to optimise costs half of what `read_csv` takes a call."""
    plan = polars.scan_csv(block, has_header=False, separator=separator, schema=schema, glob=False)
    return plan.collect(engine="in-memory", optimizations=polars.QueryOptFlags.none())


def _parts(codes: NDArray[np.uint8]) -> Iterator[NDArray[np.uint8]]:
    """Views of ``codes`` so small that what is worked out of each takes no fresh memory from the system."""
    for at in range(0, codes.size, _PART):
        yield codes[at : at + _PART]


def _lines(block: bytes) -> int:
    """How many lines end in ``block``."""
    codes = np.frombuffer(block, np.uint8)
    return sum(int(np.count_nonzero(part == _END)) for part in _parts(codes))


def _points(block: bytes) -> bytes:
    """``block`` with a point for each comma; a point that stands there is no number's."""
    if b"." in block:
        block = block.replace(b".", b"x")
    codes = np.frombuffer(block, np.uint8)
    out = np.empty_like(codes)
    # in steps that let other threads run, which the replacing of bytes does not
    for at in range(0, codes.size, _PART):
        part = codes[at : at + _PART]
        np.add(part, (part == _COMMA).view(np.uint8) * _TO_POINT, out=out[at : at + _PART])
    return out.tobytes()


def _single_blanks(block: bytes) -> bytes:
    """``block`` with one blank between cells, and none at the ends of a row."""
    codes = np.frombuffer(block, np.uint8)
    if _is_single(codes) and b"\t" not in block and b"\r" not in block:
        return block
    out = []
    before = _END
    for at in range(0, codes.size, _PART):
        part = codes[at : at + _PART]
        following = codes[at + _PART] if at + _PART < codes.size else _END
        kept = _with_single_blanks(part, before, following)
        before = kept[-1] if kept.size else before
        out.append(kept.tobytes())
    return b"".join(out)


def _is_single(codes: NDArray[np.uint8]) -> bool:
    """Whether no blank stands beside another or at an end of a row; empty rows do not pass."""
    before = True
    for part in _parts(codes):
        apart = (part == _END) | (part == _BLANK)
        if (before and apart[0]) or (apart[1:] & apart[:-1]).any():
            return False
        before = bool(apart[-1])
    return True


def _with_single_blanks(codes: NDArray[np.uint8], before: int, following: int) -> NDArray[np.uint8]:
    """The same of a part of a block, of which the byte kept ``before`` and the one ``following`` are told."""
    end = codes == _END
    gap = (codes == _BLANK) | (codes == _TAB) | (codes == _RETURN)
    # a blank goes if a blank or the end follows, and if the row only begins
    drop = gap.copy()
    drop[:-1] &= gap[1:] | end[1:]
    drop[-1] &= following in (_END, _BLANK, _TAB, _RETURN)
    kept, gaps = codes[~drop], gap[~drop]
    if kept.size:
        gaps[1:] &= kept[:-1] == _END
        gaps[0] &= before == _END
    out: NDArray[np.uint8] = kept[~gaps]
    out[(out == _TAB) | (out == _RETURN)] = _BLANK
    return out
