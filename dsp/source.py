"""Reading stored samples piece by piece, in physical units, without ever copying a whole capture."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from dsp.baseline import without_slow_part
from dsp.errors import BadInputError, CancelledError
from dsp.tones import Tones

Floats = NDArray[np.floating[Any]]


class SampleSource(Protocol):
    """Anything of known length that gives an array for ``source[a:b]``: array, memory map, lazy channel."""

    def __len__(self) -> int: ...

    def __getitem__(self, key: slice, /) -> NDArray[Any]: ...


class TakenOff(Protocol):
    """Anything known of a record that is no part of what is looked for: subtracted in place from samples read."""

    def take_off(self, values: NDArray[np.float32], start: int) -> None: ...


@dataclass(frozen=True)
class Stretch:
    """Contiguous samples ``[first, last)``, the first of them at ``start_s``."""

    first: int
    last: int
    start_s: float

    def __len__(self) -> int:
        return self.last - self.first


@dataclass(frozen=True, eq=False)
class Record:
    """One channel to work on: where its samples are and how to read them.

    ``wanders`` says that the level changes slowly, by more than what else there is; ``step`` is that of the
    converter in the channel's unit, 0 if unknown (`dsp.look`). ``tones`` and what is ``known`` otherwise are taken off
    what is read to work on, the latter before the level is.
    """

    source: SampleSource
    rate_hz: float
    scale: float
    offset: float
    stretches: tuple[Stretch, ...]
    wanders: bool = False
    step: float = 0.0
    tones: tuple[Tones, ...] = ()
    known: tuple[TakenOff, ...] = ()

    def less(self, found: Iterable[TakenOff | None]) -> Record:
        """The same with these known as well; the record itself if there is nothing but None among them."""
        more = [one for one in found if one is not None]
        return replace(self, known=(*self.known, *more)) if more else self

    def read(self, start: int, stop: int) -> Floats:
        """Samples ``[start, stop)`` as float64 in the channel's unit; non-finite ones become zero."""
        values = np.asarray(self.source[start:stop]).astype(np.float64)
        if self.scale != 1.0:
            values *= self.scale
        if self.offset != 0.0:
            values += self.offset
        if not np.isfinite(values).all():
            values[~np.isfinite(values)] = 0.0
        return values

    def read_left(self, start: int, stop: int) -> Floats:
        """Samples ``[start, stop)`` as `read` gives them, less what is known and steady tones; the level stays."""
        values = self.read(start, stop)
        if self.known or self.tones:
            off = np.zeros(values.size, dtype=np.float32)
            for known in (*self.known, *self.tones):
                known.take_off(off, start)
            values += off
        return values

    def read_centred(self, start: int, stop: int) -> NDArray[np.float32]:
        """Samples ``[start, stop)`` in the channel's unit less their level, non-finite ones zero.

        The level is their mean or, where it wanders, the slow part (`dsp.baseline`). Steady tones that are known
        (`dsp.tones`) are taken off.
        """
        if not self.wanders:
            values = self._less_known(start, stop)
        else:
            stretch = self.stretch_at(start)
            values = without_slow_part(
                self._less_known, (stretch.first, stretch.last), start, min(stop, stretch.last)
            )
        for tones in self.tones:
            tones.take_off(values, start)
        return values

    def read_spans(self, spans: list[tuple[int, int]], low: int, high: int) -> list[NDArray[np.float32]]:
        """Samples of spans that lie within ``[low, high)``, less the level of all of that."""
        stored = self.stored_whole(low, high)
        if stored is None:
            whole = self.read_centred(low, high)
            return [whole[start - low : stop - low] for start, stop in spans]
        level = _total(stored) / max(1, stored.size)
        out = []
        for start, stop in spans:
            values = stored[start - low : stop - low].astype(np.float32)
            values -= np.float32(level)
            if self.scale != 1.0:
                values *= np.float32(self.scale)
            out.append(values)
        return out

    def read_frames(self, starts: list[int], length: int) -> NDArray[np.float32]:
        """Samples (frames, length) from each of ``starts`` on, each frame as `read_centred` reads it.

        Frames of small whole numbers in memory are taken together: many short reads cost more than the samples.
        """
        stored = self.source
        small = isinstance(stored, np.ndarray) and stored.dtype.kind in "biu" and stored.dtype.itemsize <= 2
        if self.wanders or self.tones or self.known or not small:
            frames = np.empty((len(starts), length), dtype=np.float32)
            for row, start in enumerate(starts):
                frames[row] = self.read_centred(start, start + length)
            return frames
        values = sliding_window_view(np.asarray(stored), length)[starts].astype(np.float32)
        values -= values.mean(axis=1, keepdims=True)
        values -= values.mean(axis=1, keepdims=True)
        if self.scale != 1.0:
            values *= np.float32(self.scale)
        return values

    def _less_known(self, start: int, stop: int) -> NDArray[np.float32]:
        """Samples less what is known, and less their mean."""
        values = self._less_mean(start, stop)
        if self.known:
            for known in self.known:
                known.take_off(values, start)
            values -= values.mean()
        return values

    def _less_mean(self, start: int, stop: int) -> NDArray[np.float32]:
        """The mean comes off before the digits are cut to single precision, so that a small signal on a large
        level keeps its digits.
        """
        stored = np.asarray(self.source[start:stop])
        if stored.dtype.kind in "biu" and stored.dtype.itemsize <= 2:
            values = stored.astype(np.float32)
            # sums by pairs lose few digits, and the second round takes off what they lost
            values -= values.mean(dtype=np.float32)
            values -= values.mean(dtype=np.float32)
        else:
            wide = stored.astype(np.float64)
            finite = np.isfinite(wide)
            if not finite.all():
                wide -= wide[finite].mean() if finite.any() else 0.0
                wide[~finite] = 0.0
            elif wide.size:
                wide -= wide.mean()
            if self.scale != 1.0:
                # before the digits are cut, since the stored numbers may be beyond single precision
                wide *= self.scale
            return wide.astype(np.float32)
        if self.scale != 1.0:
            values *= np.float32(self.scale)
        return values

    def stored_whole(self, start: int, stop: int) -> NDArray[np.integer[Any]] | None:
        """Samples ``[start, stop)`` as they are stored, where these are small whole numbers of a steady level; else None."""
        if self.wanders or self.tones or self.known:
            return None
        stored = np.asarray(self.source[start:stop])
        small = stored.dtype.kind in "biu" and stored.dtype.itemsize <= 2
        return stored if small else None

    def stretch_at(self, sample: float) -> Stretch:
        for stretch in self.stretches:
            if sample < stretch.last:
                return stretch
        return self.stretches[-1]

    def time_s(self, sample: float, within: float | None = None) -> float:
        """Time of a fractional sample position on the axis of the stretch that holds it or ``within``."""
        stretch = self.stretch_at(sample if within is None else within)
        return stretch.start_s + (sample - stretch.first) / self.rate_hz

    @property
    def rounding(self) -> float:
        """Variance that rounding to steps of the converter adds to a signal (Widrow and Kollar 2008, section 5.2)."""
        return self.step**2 / 12.0

    @property
    def samples(self) -> int:
        return sum(len(s) for s in self.stretches)


def _total(stored: NDArray[np.integer[Any]]) -> int:
    """Sum of whole numbers; of single bytes 128 at a time in two bytes, which do not run over, as many sums at once."""
    if stored.dtype.itemsize > 1:
        return int(stored.sum(dtype=np.int64))
    whole = stored.size // 128 * 128
    sums = np.add.reduce(stored[:whole].reshape(128, -1), axis=0, dtype=np.int16)
    return int(sums.sum(dtype=np.int64)) + int(stored[whole:].sum(dtype=np.int64))


@dataclass(frozen=True)
class Watch:
    """Progress and cancel of one stage, handed down through the steps."""

    progress: Callable[[float], None] | None = None
    cancelled: Callable[[], bool] | None = None

    def at(self, fraction: float) -> None:
        """Report a fraction done and raise `CancelledError` if the caller wants to stop."""
        if self.cancelled is not None and self.cancelled():
            raise CancelledError("the decode was cancelled")
        if self.progress is not None:
            self.progress(min(1.0, max(0.0, fraction)))

    def part(self, begin: float, end: float) -> Watch:
        """The same watch for a stage that covers ``begin`` to ``end`` of the whole."""
        if self.progress is None:
            return self
        outer = self.progress
        return Watch(lambda f: outer(begin + (end - begin) * f), self.cancelled)


def make_record(
    source: SampleSource,
    rate_hz: float,
    start_s: float = 0.0,
    scale: float = 1.0,
    offset: float = 0.0,
    segments: tuple[tuple[int, int, float], ...] | None = None,
) -> Record:
    """Check the arguments and wrap them.

    Raises
    ------
    BadInputError : rate not positive and finite, samples not one-dimensional and real, bad segments.
    TypeError : a rate that is no real number, samples that are no row of numbers.
    """
    if isinstance(rate_hz, (str, bytes, complex)) or not hasattr(rate_hz, "__float__"):
        raise TypeError(f"the sample rate must be a real number of hertz, not {rate_hz!r}")
    if isinstance(source, (str, bytes)) or not (
        hasattr(source, "__len__") and hasattr(source, "__getitem__")
    ):
        raise TypeError(f"samples must be a row of real numbers, not {type(source).__name__}")
    if not (math.isfinite(rate_hz) and rate_hz > 0.0):
        raise BadInputError(f"the sample rate must be a positive number of hertz, not {rate_hz!r}")
    if not (math.isfinite(scale) and math.isfinite(offset) and scale != 0.0):
        raise BadInputError(f"scale {scale!r} and offset {offset!r} must be finite, the scale not zero")
    shape = getattr(source, "shape", None)
    if shape is not None and len(shape) != 1:
        raise BadInputError(f"samples must be one-dimensional, not of shape {tuple(shape)}")
    kind = getattr(getattr(source, "dtype", None), "kind", "f")
    if kind not in "biuf":
        raise BadInputError("samples must be real numbers")
    length = len(source)
    stretches = []
    before = 0
    for first, last, at_s in segments if segments is not None else ((0, length, start_s),):
        if not math.isfinite(at_s):
            raise BadInputError(f"the start of samples must be a finite time, not {at_s!r}")
        if not 0 <= first <= last <= length:
            raise BadInputError(f"segment {first}:{last} does not lie within {length} samples")
        if first < before:
            raise BadInputError(
                f"segment {first}:{last} begins before the one ahead of it ends, at {before}: segments must be in order"
            )
        before = last
        if last > first:
            stretches.append(Stretch(first, last, at_s))
    return Record(source, float(rate_hz), float(scale), float(offset), tuple(stretches))
