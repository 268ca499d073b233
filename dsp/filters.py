"""Filters of a channel that is read in parts: any part comes out as if the whole had been filtered.

Low-pass, high-pass and band-pass are Butterworth filters of fourth order run forwards and backwards (Gustafsson
1996; as `scipy.signal.sosfiltfilt`), so that they shift no flip in time; at a corner a tone is left half its
amplitude. AC coupling is one capacitor and one resistor, forwards only, as an instrument's input has it. Every part
is read with so much around it that what lies beyond has died away; at the ends of a contiguous stretch the samples
are continued turned about the last one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from dsp.errors import BadInputError
from dsp.source import Floats

__all__ = ["Filter", "ac_coupling", "band_pass", "delayed", "filtered_part", "high_pass", "low_pass"]

Read = Callable[[int, int], Floats]
"""``read(start, stop)``: samples of that half-open range."""

_ORDER = 4
# to this share of its beginning an impulse response has died away
_DEAD = 1e-9
# samples read on either side at most: with more, a glance at a few samples would take a noticeable time
REACH_MOST = 1 << 22
# samples in a block that is transformed: with its spectrum it stays in a second-level cache
_BLOCK, _LONGEST_BLOCK = 1 << 15, 1 << 18
# of the interpolating kernel: samples on either side, and the shape of its Kaiser window (80 dB; Oppenheim and Schafer,
# Discrete-Time Signal Processing, section 7.5.3)
_TAPS = 48
_BETA = 8.0


@dataclass(frozen=True, eq=False)
class Filter:
    """Second-order sections ``sos`` (n, 6); ``reach`` samples on either side matter; ``both_ways`` shifts nothing."""

    sos: Floats
    reach: int
    both_ways: bool

    @property
    def by_blocks(self) -> bool:
        """Whether blocks of a size that the cache holds are long beside the reach."""
        return self.both_ways and 4 * self.reach <= _LONGEST_BLOCK

    @cached_property
    def gain(self) -> Floats:
        """Response of both ways at the frequencies of a real Fourier transform of a block of suitable length, real."""
        from scipy.signal import sosfreqz

        length = min(max(_BLOCK, 1 << (8 * self.reach - 1).bit_length()), _LONGEST_BLOCK)
        frequencies = np.linspace(0.0, np.pi, length // 2 + 1)
        return np.asarray(np.abs(sosfreqz(self.sos, frequencies)[1]) ** 2)


def low_pass(corner_hz: float, rate_hz: float) -> Filter:
    """Raises `BadInputError` where the corner is not between 0 and half the rate, or too low to be filtered by parts."""
    return _butterworth("lowpass", (corner_hz,), rate_hz)


def high_pass(corner_hz: float, rate_hz: float) -> Filter:
    """Raises `BadInputError` as `low_pass` does."""
    return _butterworth("highpass", (corner_hz,), rate_hz)


def band_pass(low_hz: float, high_hz: float, rate_hz: float) -> Filter:
    """Raises `BadInputError` as `low_pass` does, and where the corners are not in rising order."""
    if not low_hz < high_hz:
        raise BadInputError(
            f"the lower corner of a band-pass, {low_hz:g} Hz, is not below the upper, {high_hz:g} Hz"
        )
    return _butterworth("bandpass", (low_hz, high_hz), rate_hz)


def ac_coupling(corner_hz: float, rate_hz: float) -> Filter:
    """Raises `BadInputError` as `low_pass` does."""
    return _butterworth("highpass", (corner_hz,), rate_hz, order=1)


def _butterworth(
    kind: Literal["lowpass", "highpass", "bandpass"],
    corners_hz: tuple[float, ...],
    rate_hz: float,
    order: int = _ORDER,
) -> Filter:
    from scipy.signal import butter, sos2zpk

    for corner in corners_hz:
        if not 0.0 < corner < rate_hz / 2.0:
            raise BadInputError(
                f"a filter's corner of {corner:g} Hz is not between 0 and half the sample rate, {rate_hz / 2.0:g} Hz"
            )
    # the poles come closest to the unit circle for the lowest corner or the narrowest band
    narrow = min(corners_hz[0], corners_hz[-1] - corners_hz[0] or corners_hz[0])
    if narrow < rate_hz / REACH_MOST * 10.0:
        raise BadInputError(
            f"a filter that tells {narrow:g} Hz apart needs longer parts of a capture at {rate_hz:g} samples a second "
            f"than can be read at once; the least is {rate_hz / REACH_MOST * 10.0:.3g} Hz"
        )
    corners = np.array(corners_hz) if len(corners_hz) > 1 else np.float64(corners_hz[0])
    sos = np.asarray(butter(order, corners, kind, output="sos", fs=rate_hz))
    radius = float(np.abs(sos2zpk(sos)[1]).max())
    reach = int(np.ceil(np.log(_DEAD) / np.log(radius))) if radius > 0.0 else 1
    return Filter(sos, min(max(reach, 32), REACH_MOST), order != 1)


def filtered_part(
    read: Read, start: int, stop: int, within: tuple[int, int], filter_: Filter, *, mirrored: bool = False
) -> Floats:
    """Filtered samples ``[start, stop)`` (stop - start,) of a contiguous stretch ``within`` that holds them.

    ``mirrored``: beyond the ends the samples are continued as they are, not turned about the last one, which suits
    what is never negative.
    """
    low = max(within[0], start - filter_.reach)
    high = min(within[1], stop + filter_.reach) if filter_.both_ways else stop
    values, missing = _whole(np.asarray(read(low, high), dtype=np.float64))
    before = (
        _continued(values, filter_.reach, True, mirrored)
        if low == within[0] and filter_.both_ways
        else values[:0]
    )
    after = (
        _continued(values, filter_.reach, False, mirrored)
        if high == within[1] and filter_.both_ways
        else values[:0]
    )
    whole = np.concatenate((before, values, after)) if before.size or after.size else values
    begin = before.size + start - low
    end = begin + stop - start
    if filter_.by_blocks and begin >= filter_.reach and whole.size - end >= filter_.reach:
        part = _by_blocks(whole[begin - filter_.reach : end + filter_.reach], filter_)
    else:
        part = _recursively(whole, filter_)[begin:end].copy()
    if missing is not None:
        part[missing[start - low : stop - low]] = np.nan
    return part


def _recursively(whole: Floats, filter_: Filter) -> Floats:
    from scipy.signal import sosfilt, sosfilt_zi

    settled = sosfilt_zi(filter_.sos)
    # as if the first value had stood there for ever; what a part's own first value does dies away within the reach
    out = sosfilt(filter_.sos, whole, zi=settled * whole[0])[0]
    if filter_.both_ways:
        out = sosfilt(filter_.sos, out[::-1], zi=settled * out[-1])[0][::-1]
    return np.asarray(out)


def _by_blocks(values: Floats, filter_: Filter) -> Floats:
    """``values`` without the filter's reach on either side, (n - 2 reach,), filtered both ways, by Fourier transforms.

    Overlap-save (Oppenheim and Schafer, Discrete-Time Signal Processing, section 8.7): forwards and backwards the
    response is the squared magnitude of the forward one, without phase. Twice as fast as recursion.
    """
    from scipy.fft import irfft, rfft

    gain = filter_.gain
    length = 2 * (gain.size - 1)
    fresh = length - 2 * filter_.reach
    count = values.size - 2 * filter_.reach
    out = np.empty(count)
    for at in range(0, count, fresh):
        block = values[at : at + length]
        if block.size < length:
            # what stands beyond the end reaches nothing that is kept
            block = np.pad(block, (0, length - block.size), mode="edge")
        spectrum = rfft(block)
        spectrum *= gain
        kept = min(fresh, count - at)
        out[at : at + kept] = irfft(spectrum, length, overwrite_x=True)[filter_.reach : filter_.reach + kept]
    return out


def _whole(values: Floats) -> tuple[Floats, NDArray[np.bool_] | None]:
    """With the value before in place of each that is no finite number, since a filter would never forget one.

    Where that is, None if nowhere.
    """
    with np.errstate(over="ignore", invalid="ignore"):
        # the sum of finite numbers may be infinite, but hardly ever is
        if np.isfinite(np.add.reduce(values)):
            return values, None
    missing = ~np.isfinite(values)
    if not missing.any():
        return values, None
    places = np.where(missing, 0, np.arange(values.size))
    filled = values[np.maximum.accumulate(places)]
    return np.where(np.isfinite(filled), filled, 0.0), missing


def _continued(values: Floats, reach: int, at_start: bool, mirrored: bool) -> Floats:
    """What stands beyond an end: the samples before it in reverse, by half a turn about the last one or as they are."""
    count = min(reach, values.size - 1)
    there = values[count:0:-1] if at_start else values[-2 : -count - 2 : -1]
    if mirrored:
        return np.asarray(there)
    return np.asarray(2.0 * (values[0] if at_start else values[-1]) - there)


def delayed(read: Read, start: int, stop: int, within: tuple[int, int], delay_samples: float) -> Floats:
    """Samples ``[start, stop)`` of a stretch that comes ``delay_samples`` later, a part of a sample as well.

    Band-limited interpolation with a Kaiser-windowed sinc, good to 80 dB up to nine tenths of half the rate. Beyond
    the stretch its end values stand.
    """
    whole = int(np.floor(delay_samples))
    part = delay_samples - whole
    reach = 0 if part == 0.0 else _TAPS
    first, last = start - whole - reach - 1, stop - whole + reach
    low, high = max(within[0], min(first, within[1] - 1)), min(within[1], max(last, within[0] + 1))
    values = np.asarray(read(low, high), dtype=np.float64)
    values = np.pad(values, (max(0, low - first), max(0, last - high)), mode="edge")[: last - first]
    if part == 0.0:
        return np.asarray(values[1 : 1 + stop - start])
    place = np.arange(-_TAPS, _TAPS + 1) - part + 0.0
    kernel = (
        np.sinc(place)
        * np.i0(_BETA * np.sqrt(np.maximum(0.0, 1.0 - (place / (_TAPS + 1)) ** 2)))
        / np.i0(_BETA)
    )
    kernel /= kernel.sum()
    from scipy.signal import oaconvolve

    # y[n] = sum over k of x[n - whole - k] kernel(k - part)
    return np.asarray(oaconvolve(values, kernel, mode="valid")[1 : 1 + stop - start])
