"""Blocks of plain rows to arrays by the reader of the polars library, which runs outside the interpreter's lock.

It gives the same values as Python to the last bit, two to three times as fast as `numpy.fromstring` on
one core, and on several cores at once. Whatever it does not take, the slower ways read.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor, wait
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.files.capture_options import Watch
from app.files.text_layout import Layout

_ASK_EVERY_S = 0.05
_BLANKS = tuple(b" \t\r")


class FastRows:
    """Reads blocks in one layout; ``available`` if the library is there and knows the layout."""

    def __init__(self, layout: Layout, library: Any) -> None:
        self._layout = layout
        # of a comma with a decimal comma only quotes tell which is which
        self._polars = library if layout.delimiter != layout.decimal else None
        self._data = [str(i) for i in layout.data]

    @property
    def available(self) -> bool:
        return self._polars is not None

    def rows(self, block: bytes) -> NDArray[np.float64] | None:
        """Array of shape (rows, data columns), None if some row is not plain."""
        polars, layout = self._polars, self._layout
        if polars is None or not block.endswith(b"\n"):
            return None
        if layout.delimiter == " ":
            block = _single_blanks(block)
        if layout.decimal == ",":
            # faster than the library's own way
            block = block.replace(b".", b"x").replace(b",", b".")
        schema = {
            str(i): polars.Float64 if i in layout.data else polars.String for i in range(layout.columns)
        }
        try:
            frame = polars.read_csv(
                block,
                has_header=False,
                separator=layout.delimiter,
                schema=schema,
            )
        except polars.exceptions.PolarsError:
            return None
        if len(self._data) < layout.columns:
            frame = frame.select(self._data)
        if frame.height != block.count(b"\n") or any(column.null_count() for column in frame):
            return None
        values: NDArray[np.float64] = frame.to_numpy(order="fortran")
        # what comes from one column alone may be the library's own memory
        return values if values.flags.writeable else values.copy()


def open_fast_reader(watch: Watch) -> Any:
    """The library, loaded only where a large text is read; None where it is not there.

    Not every processor can run it. Loading takes a moment, in which ``watch`` is asked.
    """
    with ThreadPoolExecutor(1) as pool:
        loading = pool.submit(_library)
        while not wait([loading], _ASK_EVERY_S).done:
            watch.step(0.0)
        return loading.result()


def _library() -> Any:
    try:
        import polars
    except ImportError:
        return None
    return polars


def _single_blanks(block: bytes) -> bytes:
    """``block`` with one blank between cells, and none at the ends of a row."""
    codes = np.frombuffer(block, np.uint8)
    end = codes == ord("\n")
    ends = np.flatnonzero(end)
    begins = np.concatenate([[0], ends[:-1] + 1])
    if (
        not any(odd in block for odd in (b"\t", b"\r", b"  "))
        and not (codes[begins] == ord(" ")).any()
        and not (codes[np.maximum(ends - 1, 0)] == ord(" ")).any()
    ):
        return block
    gap = np.isin(codes, _BLANKS)
    # a blank goes if a blank or the end follows, and if the row only begins
    drop = gap.copy()
    drop[:-1] &= gap[1:] | end[1:]
    kept = codes[~drop]
    first = np.concatenate([[True], kept[:-1] == ord("\n")])
    kept = kept[~(first & np.isin(kept, _BLANKS))]
    kept[np.isin(kept, _BLANKS)] = ord(" ")
    return kept.tobytes()
