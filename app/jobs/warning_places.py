"""Further places that a warning of a capture is about, one after the other."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.errors import CancelledError
from app.model.capture import Capture, Channel
from dsp.results import Notice
from dsp.source import SampleSource

Wanted = Callable[[NDArray[Any]], NDArray[np.bool_]]

_BLOCK = 1 << 20
_OF_SEGMENTS = ("time-gap", "time-restart", "records")


def next_place(
    capture: Capture,
    notice: Notice,
    after: int,
    progress: Callable[[float], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> int | None:
    """Where from ``after`` on a run of samples begins that the warning is about; None where none does, or none can be told.

    Of clipping these are samples at the value that was clipped at first, of what has no value those that are no finite
    numbers, in the channel the warning names or in any; of gaps and records it is the start of a segment.

    Raises
    ------
    CancelledError : as soon as ``cancelled`` says so.
    """
    if notice.code in _OF_SEGMENTS:
        return min((one.first for one in capture.segments if one.first >= max(after, 1)), default=None)
    if notice.first_sample is None:
        return None
    channels = [one for one in capture.channels if notice.text.startswith(f"{one.name}:")] or capture.channels
    runs = [
        _Runs(channel.stored, wanted, after) for channel in channels if (wanted := _wanted(channel, notice))
    ]
    last = max(map(len, channels))
    for at in range(after, last, _BLOCK):
        if cancelled is not None and cancelled():
            raise CancelledError
        if progress is not None:
            progress((at - after) / (last - after))
        found = [begin for one in runs if (begin := one.first_in(at, at + _BLOCK)) is not None]
        if found:
            return min(found)
    return None


class _Runs:
    """Begins of runs of samples of one kind, block after block; a run that goes on from before does not begin."""

    def __init__(self, stored: SampleSource, is_wanted: Wanted, after: int) -> None:
        self._stored = stored
        self._is_wanted = is_wanted
        self._inside = bool(after > 0 and is_wanted(np.asarray(stored[after - 1 : after])).any())

    def first_in(self, start: int, stop: int) -> int | None:
        wanted = self._is_wanted(np.asarray(self._stored[start:stop]))
        if not wanted.size:
            return None
        before = np.concatenate([[self._inside], wanted[:-1]])
        self._inside = bool(wanted[-1])
        begins = wanted & ~before
        return start + int(np.argmax(begins)) if begins.any() else None


def _wanted(channel: Channel, notice: Notice) -> Wanted | None:
    """Which samples of a channel the warning is about; None if it is not about its values."""
    first = notice.first_sample or 0
    value = np.asarray(channel.stored[first : first + 1])
    if notice.code == "clipped":
        return lambda block: block == value
    if value.dtype.kind == "f" and (notice.code == "nan" or not np.isfinite(value).all()):
        return np.isnan if notice.code == "nan" else lambda block: ~np.isfinite(block)
    return None
