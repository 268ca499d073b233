"""One change between two states, in the terms of IEEE Std 181."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from dsp.interpolate import Floats, Values, find_crossings
from dsp.reading import Reading


@dataclass(frozen=True)
class Transition:
    """State levels, 10 % to 90 % transition duration, and the slope between those instants."""

    low: Reading
    high: Reading
    duration: Reading
    slope: Reading
    rising: bool


def find_transition(values: Values, rate_hz: float, *, unit: str, noise: float) -> Transition | None:
    """The one transition in ``values``, shape (samples,); None if there is none or more than one.

    State levels: the mean of the samples about the shortest interval that holds half of those on one side of
    the middle (the shorth of IEEE Std 181, from memory). Duration: between the 10 % and 90 % reference level
    instants. Each instant carries the noise of one sample through the slope of the waveform there, found by a straight
    line over an eighth of the transition about it; an error of a state level moves both instants at once. With slopes
    ``s1`` and ``s9`` at the two instants the variance is, to first order (JCGM 100:2008, 5.1.2),

        noise^2 (1/s1^2 + 1/s9^2) + u(low)^2 (0.1/s9 - 0.9/s1)^2 + u(high)^2 (0.9/s9 - 0.1/s1)^2,

    too much rather than too little where noise takes the waveform through a level several times.
    """
    signal = np.asarray(values).astype(np.float64)
    finite = signal[np.isfinite(signal)]
    if finite.size < 4:
        return None
    middle = (float(finite.min()) + float(finite.max())) / 2
    low, high = _state(finite[finite <= middle], unit, noise), _state(finite[finite > middle], unit, noise)
    height = high.value - low.value
    if not height > 8 * noise:
        return None
    margin = min(4 * noise, 0.09 * height)
    instants = [
        find_crossings(signal, level=low.value + part * height, hysteresis=margin) for part in (0.1, 0.9)
    ]
    if any(len(each) != 1 for each in instants):
        return None
    samples = abs(float(instants[1].positions[0] - instants[0].positions[0]))
    if not samples > 0:
        return None
    levels_std = math.hypot(low.std or 0.0, high.std or 0.0)
    first, last = (1 / _local_slope(signal, float(one.positions[0]), samples, height) for one in instants)
    samples_std = math.hypot(
        noise * math.hypot(first, last),
        (low.std or 0.0) * (0.1 * last - 0.9 * first),
        (high.std or 0.0) * (0.9 * last - 0.1 * first),
    )
    duration = Reading(samples / rate_hz, samples_std / rate_hz, "s", 1)
    rising = bool(instants[0].rising[0])
    slope = math.copysign(0.8 * height / duration.value, 1 if rising else -1)
    slope_std = abs(slope) * math.hypot(samples_std / samples, levels_std / height)
    return Transition(low, high, duration, Reading(slope, slope_std, f"{unit}/s", 1), rising)


def _local_slope(signal: Floats, position: float, samples: float, height: float) -> float:
    """Steepness about a position, in the signal's unit a sample, at least a tenth of the transition's mean."""
    reach = max(samples / 16, 1.0)
    a = max(math.floor(position - reach), 0)
    part = signal[a : math.ceil(position + reach) + 1]
    least = 0.08 * height / samples
    if part.size < 2 or not np.isfinite(part).all():
        return 0.8 * height / samples
    return max(abs(float(np.polyfit(np.arange(part.size), part, 1)[0])), least)


def _state(values: Floats, unit: str, noise: float) -> Reading:
    if not values.size:
        return Reading(math.nan, None, unit, 0)
    ordered = np.sort(values)
    share = (ordered.size + 1) // 2
    widths = ordered[share - 1 :] - ordered[: ordered.size - share + 1]
    at = int(np.argmin(widths))
    about = float(ordered[at : at + share].mean())
    near = ordered[np.abs(ordered - about) <= max(4 * noise, float(widths[at]))]
    return Reading(float(near.mean()), noise / math.sqrt(near.size), unit, near.size)
