"""A capture: equally spaced samples of one or more channels, kept in their stored type.

No reader and no window lives here; the files layer makes these objects, everything above reads them.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from dsp.results import Notice


class Samples(Protocol):
    """Numbers of one type in a row, read by slices: an array, a memory map, or samples left in a session's file."""

    @property
    def dtype(self) -> np.dtype[Any]: ...

    @property
    def shape(self) -> tuple[int, ...]: ...

    @property
    def nbytes(self) -> int: ...

    def __len__(self) -> int: ...

    def __getitem__(self, key: slice, /) -> NDArray[Any]: ...


@dataclass(frozen=True, eq=False)
class Channel:
    """One measured quantity: ``value = stored * scale + offset`` in ``unit``.

    ``stored`` is one-dimensional, any integer or float type, possibly a memory map or a strided view
    of one, or left in a session's file until it is asked for; it is never written to and never converted as a whole.
    """

    name: str
    stored: Samples
    scale: float = 1.0
    offset: float = 0.0
    unit: str = "V"

    def values(self, start: int, stop: int) -> NDArray[np.float32] | NDArray[np.float64]:
        """Samples ``[start, stop)`` in ``unit``: float64 if stored so or as wide integers, else float32."""
        part = self.stored[start:stop]
        if part.dtype.itemsize <= 2 or part.dtype == np.float32:
            narrow = part.astype(np.float32)
            if self.scale != 1.0:
                narrow *= np.float32(self.scale)
            if self.offset != 0.0:
                narrow += np.float32(self.offset)
            return narrow
        wide = part.astype(np.float64)
        if self.scale != 1.0:
            wide *= self.scale
        if self.offset != 0.0:
            wide += self.offset
        return wide

    def __len__(self) -> int:
        return int(self.stored.shape[0])


@dataclass(frozen=True)
class SampleLayout:
    """How samples lie in a file that does not say so, as the user told: type, channels, bytes before the first."""

    dtype: str
    channels: int = 1
    skip: int = 0
    planar: bool = False


@dataclass(frozen=True)
class Segment:
    """Samples ``[first, last)`` of a capture are contiguous and begin at ``start_s``."""

    first: int
    last: int
    start_s: float


@dataclass(frozen=True)
class NamedSpan:
    """A stretch of time that the file itself gives a name to."""

    name: str
    start_s: float
    end_s: float


@dataclass(frozen=True, eq=False)
class Capture:
    """One recording. ``segments`` is never empty; a plain recording has one that covers it all.

    ``layout`` is what was told of a file that does not say how its samples lie in it.

    ``rate_std_hz`` is the standard uncertainty of a rate that was fitted to a time column, else None.
    ``path`` is None for a capture that came embedded in a session. ``derived`` are expressions on its channels
    that are shown beside them. ``spans`` are what the file says of stretches of time; a session takes them
    among its own, where they can be changed.
    """

    name: str
    format: str
    rate_hz: float
    start_s: float
    channels: tuple[Channel, ...]
    segments: tuple[Segment, ...]
    rate_std_hz: float | None = None
    path: Path | None = None
    sha256: str | None = None
    label: str = ""
    timebase_ppm: float | None = None
    gain_percent: float | None = None
    derived: tuple[str, ...] = ()
    layout: SampleLayout | None = None
    warnings: tuple[Notice, ...] = field(default=())
    spans: tuple[NamedSpan, ...] = ()

    @property
    def samples(self) -> int:
        """Number of samples in each channel, all segments together."""
        return len(self.channels[0])

    @property
    def duration_s(self) -> float:
        return self.samples / self.rate_hz

    def with_label(self, label: str) -> Capture:
        return replace(self, label=label)
