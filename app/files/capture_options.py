"""What the caller tells about a capture file that the file itself does not say."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from app.errors import CancelledError, UsageError

Progress = Callable[[float], None]
Cancelled = Callable[[], bool]

HIGHEST_RATE_HZ = 1e15
LOWEST_RATE_HZ = 1e-6


@dataclass(frozen=True)
class ReadOptions:
    """Told by the user; ``None`` means: take it from the file.

    ``dtype``, ``channels``, ``skip`` (bytes) and ``interleaved`` describe raw binary. ``scale`` and
    ``offset`` give ``value = stored * scale + offset`` in ``unit``, volts when only a scale is given;
    of integer samples ``scale`` is therefore the value of one step of the converter.

    Raises
    ------
    app.errors.UsageError : a value that no file could be read with.
    """

    rate_hz: float | None = None
    dtype: str | None = None
    channels: int | None = None
    scale: float | None = None
    offset: float | None = None
    unit: str | None = None
    skip: int = 0
    interleaved: bool = True

    def __post_init__(self) -> None:
        rate = self.rate_hz
        if rate is not None and not LOWEST_RATE_HZ <= rate <= HIGHEST_RATE_HZ:
            raise UsageError(
                f"a sample rate of {rate:g} Hz makes no sense; "
                f"give a rate from {LOWEST_RATE_HZ:g} to {HIGHEST_RATE_HZ:g} Hz"
            )
        if self.channels is not None and not 1 <= self.channels <= 1024:
            raise UsageError(f"{self.channels} channels cannot be read; give a number from 1 to 1024")
        if self.skip < 0:
            raise UsageError(f"cannot skip {self.skip} bytes; give zero or more")
        if self.scale is not None and not (math.isfinite(self.scale) and self.scale != 0):
            raise UsageError(
                f"a scale of {self.scale:g} makes no sense; give a finite number other than zero"
            )
        if self.offset is not None and not math.isfinite(self.offset):
            raise UsageError(f"an offset of {self.offset:g} makes no sense; give a finite number")


def counted(count: int, noun: str) -> str:
    """``1 row``, ``2 rows``."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


@dataclass(frozen=True)
class Watch:
    """The two callbacks of a long read, together."""

    progress: Progress | None = None
    cancelled: Cancelled | None = None

    def step(self, fraction: float) -> None:
        """Report ``fraction`` done; raises `CancelledError` if the caller asked to stop."""
        self.stop_if_asked()
        if self.progress is not None:
            self.progress(min(max(fraction, 0.0), 1.0))

    def stop_if_asked(self) -> None:
        if self.cancelled is not None and self.cancelled():
            raise CancelledError("reading was cancelled")


UNWATCHED = Watch()
"""Nobody looks on, and nobody stops it."""
