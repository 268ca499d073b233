"""What the exports share: a file that is whole or not there, and the samples of a span in pieces."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from app.errors import CancelledError, UsageError
from app.model.capture import Capture, Segment
from app.model.expressions import ChannelSource

_BLOCK = 1 << 18

Progress = Callable[[float], None]
Cancelled = Callable[[], bool]


@dataclass(frozen=True, eq=False)
class SpanSamples:
    """The samples to export: channels of equal length, and the stretches of the capture they come from.

    ``segments`` are those of the capture cut to the span; their indices count in the capture.
    """

    capture: Capture
    sources: tuple[ChannelSource, ...]
    segments: tuple[Segment, ...]

    @property
    def samples(self) -> int:
        return sum(segment.last - segment.first for segment in self.segments)

    @property
    def dtype(self) -> np.dtype[Any]:
        """float32 where it holds the stored numbers, else float64."""
        kinds = [np.asarray(source.stored[0:0]).dtype for source in self.sources]
        narrow = all(kind.itemsize <= 2 or kind == np.float32 for kind in kinds)
        return np.dtype("<f4" if narrow else "<f8")

    def pieces(
        self, progress: Progress | None = None, cancelled: Cancelled | None = None
    ) -> Iterator[tuple[Segment, int, NDArray[Any]]]:
        """Segment, number of the first sample in the capture, and values of shape (samples, channels)."""
        done = 0
        for segment in self.segments:
            for at in range(segment.first, segment.last, _BLOCK):
                if cancelled is not None and cancelled():
                    raise CancelledError("the export was cancelled")
                last = min(at + _BLOCK, segment.last)
                columns = [np.asarray(source[at:last], self.dtype) for source in self.sources]
                yield segment, at, np.stack(columns, axis=1)
                done += last - at
                if progress is not None:
                    progress(done / max(self.samples, 1))


def write_whole(path: Path, write: Callable[[IO[bytes]], object]) -> None:
    """Write beside ``path`` and move there in one step.

    Raises
    ------
    app.errors.UsageError : it cannot be written; what was there before stays.
    """
    target = path.resolve()
    part = target.with_name(f".{target.name[:80]}.{secrets.token_hex(6)}.part")
    try:
        with part.open("xb") as file:
            write(file)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, target)
    except OSError as error:
        raise UsageError(
            f"{path} cannot be written ({error.strerror or error}); choose another place"
        ) from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink()
