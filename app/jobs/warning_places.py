"""Further places that a warning of a capture is about, one after the other."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.errors import CancelledError
from app.model.capture import Capture, Channel
from dsp.results import Notice

_BLOCK = 1 << 20
_OF_SEGMENTS = ("time-gap", "time-restart", "records")


def next_place(
    capture: Capture,
    notice: Notice,
    after: int,
    progress: Callable[[float], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> int | None:
    """The first sample from ``after`` on that the warning is about; None where there is none, or none can be told.

    Of clipping it is a sample at the value that was clipped at first, of what has no value a sample that is no finite
    number, in the channel the warning names or in any; of gaps and records the start of a segment.

    Raises
    ------
    CancelledError : as soon as ``cancelled`` says so.
    """
    if notice.code in _OF_SEGMENTS:
        return min((one.first for one in capture.segments if one.first >= max(after, 1)), default=None)
    if notice.first_sample is None:
        return None
    channels = [one for one in capture.channels if notice.text.startswith(f"{one.name}:")] or capture.channels
    wanted = [_wanted(channel, notice) for channel in channels]
    last = max(map(len, channels))
    for at in range(after, last, _BLOCK):
        if cancelled is not None and cancelled():
            raise CancelledError
        if progress is not None:
            progress((at - after) / (last - after))
        found = [
            at + int(np.argmax(hits))
            for channel, is_wanted in zip(channels, wanted, strict=True)
            if is_wanted is not None and (hits := is_wanted(channel.stored[at : at + _BLOCK])).any()
        ]
        if found:
            return min(found)
    return None


def _wanted(channel: Channel, notice: Notice) -> Callable[[NDArray[Any]], NDArray[np.bool_]] | None:
    """Which samples of a channel the warning is about; None if it is not about its values."""
    first = notice.first_sample or 0
    value = np.asarray(channel.stored[first : first + 1])
    if notice.code == "clipped":
        return lambda block: block == value
    if value.dtype.kind == "f" and (notice.code == "nan" or not np.isfinite(value).all()):
        return np.isnan if notice.code == "nan" else lambda block: ~np.isfinite(block)
    return None
