"""The functions that an expression on channels may use: filters, delay and envelope, read in parts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from app.errors import UsageError
from app.model.capture import Capture
from dsp.errors import BadInputError
from dsp.filters import (
    Filter,
    ac_coupling,
    band_pass,
    delayed,
    filtered_part,
    high_pass,
    low_pass,
)

Read = Callable[[int, int], Any]
_Part = Callable[[Read, int, int, tuple[int, int]], Any]
_Work = tuple[_Part, int]
"""What works out a part, and how many samples on either side of it are read besides."""


@dataclass(frozen=True)
class ChannelFunction:
    """``make`` gives, of sample rate and constants, what works out a part of a contiguous stretch, and its reach."""

    name: str
    constants: tuple[str, ...]
    says: str
    make: Callable[..., _Work]

    @property
    def usage(self) -> str:
        return f"{self.name}(channel, {', '.join(self.constants)})"


def _by(filter_: Filter) -> _Work:
    return lambda read, start, stop, within: filtered_part(read, start, stop, within, filter_), filter_.reach


def _envelope(rate_hz: float, corner_hz: float) -> _Work:
    """Amplitude of a carrier: the root of twice its mean square about the level, both as the low-pass leaves them."""
    smooth = low_pass(corner_hz, rate_hz)

    def part(read: Read, start: int, stop: int, within: tuple[int, int]) -> Any:
        def squares(a: int, b: int) -> Any:
            values = np.asarray(read(a, b), dtype=np.float64)
            return values * values

        level = filtered_part(read, start, stop, within, smooth, mirrored=True)
        square = filtered_part(squares, start, stop, within, smooth, mirrored=True)
        return np.sqrt(2.0 * np.maximum(square - level * level, 0.0))

    return part, smooth.reach


def _delay(rate_hz: float, delay_s: float) -> _Work:
    samples = delay_s * rate_hz
    # a delayed part is as long as what is read for it
    return lambda read, start, stop, within: delayed(read, start, stop, within, samples), 0


FUNCTIONS = {
    one.name: one
    for one in (
        ChannelFunction(
            "lowpass", ("corner",), "what lies below a frequency", lambda r, f: _by(low_pass(f, r))
        ),
        ChannelFunction("highpass", ("corner",), "what lies above it", lambda r, f: _by(high_pass(f, r))),
        ChannelFunction(
            "bandpass", ("low", "high"), "what lies between two", lambda r, a, b: _by(band_pass(a, b, r))
        ),
        ChannelFunction(
            "ac",
            ("corner",),
            "without its level, as through a capacitor",
            lambda r, f: _by(ac_coupling(f, r)),
        ),
        ChannelFunction("envelope", ("corner",), "amplitude of a carrier above it", _envelope),
        ChannelFunction("delay", ("seconds",), "later by a time, parts of a sample too", _delay),
    )
}
"""By name. A corner is in hertz; constants may have an SI prefix: ``lowpass(A, 20k)``."""


def applied(
    function: ChannelFunction, read: Read, constants: tuple[float, ...], capture: Capture
) -> tuple[Read, int]:
    """What reads the function of a channel, and its reach in samples; none is across the edge of a segment.

    Raises
    ------
    app.errors.UsageError : a constant that makes no sense at this sample rate.
    """
    try:
        part, reach = function.make(capture.rate_hz, *constants)
    except BadInputError as error:
        raise UsageError(f"{function.usage}: {error}") from error
    segments = capture.segments

    def whole(start: int, stop: int) -> Any:
        parts = [
            part(read, max(start, one.first), min(stop, one.last), (one.first, one.last))
            for one in segments
            if one.first < stop and one.last > start
        ]
        if len(parts) == 1:
            return parts[0]
        return np.concatenate(parts) if parts else np.zeros(0)

    return whole, reach
