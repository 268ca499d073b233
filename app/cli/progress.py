"""One line of progress on a terminal, nothing anywhere else."""

from __future__ import annotations

import sys
import time
from typing import TextIO

_EVERY_S = 0.1
_ERASE = "\r\x1b[K"


class ProgressLine:
    """Call it with the fraction done; used as a context it takes the line away at the end."""

    def __init__(self, title: str, stream: TextIO | None = None) -> None:
        self._title = title
        self._stream = sys.stderr if stream is None else stream
        self._shown = self._stream.isatty()
        self._last = -_EVERY_S

    def __call__(self, fraction: float) -> None:
        now = time.monotonic()
        if self._shown and now - self._last >= _EVERY_S:
            self._last = now
            self._stream.write(f"{_ERASE}{self._title}: {100 * fraction:.0f} %")
            self._stream.flush()

    def clear(self) -> None:
        """Take the line away; the next call draws it again."""
        if self._shown:
            self._stream.write(_ERASE)
            self._stream.flush()
            self._last = -_EVERY_S

    def __enter__(self) -> ProgressLine:
        return self

    def __exit__(self, *_: object) -> None:
        self.clear()
