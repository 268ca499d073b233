"""Places between samples: where a waveform crosses a level, where it has an extremum.

Positions are float sample indices into the array that was given; position 2.5 lies midway between samples
2 and 3. Nothing is interpolated across NaN.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.errors import BadInputError

Values = NDArray[Any]
Floats = NDArray[np.float64]

_NEWTON_STEPS = 4
BAND_LIMITED_REACH = 32  # samples on either side that an interpolated value depends on
# shape of the Kaiser window over the interpolating kernel, for ripples 80 dB down (Oppenheim and Schafer,
# Discrete-Time Signal Processing, section 7.5.3)
# products in a matrix that is multiplied in one go: with more a matrix library takes threads of its own, and these
# wait for each other a hundred times as long as it takes where the processors have other work
_PIECE, _PIECE_WIDE = 1 << 17, 64
_KAISER_BETA = 8.0


@dataclass(frozen=True, eq=False)
class Crossings:
    """Crossings of one level in ascending order, all arrays of shape (crossings,).

    ``stds`` is the standard uncertainty of each position, in samples, that the stated noise makes.
    """

    positions: Floats
    rising: NDArray[np.bool_]
    stds: Floats

    def __len__(self) -> int:
        return int(self.positions.shape[0])


@dataclass(frozen=True)
class Extremum:
    """A peak (``is_high``) or trough: position in samples and the interpolated value there."""

    position: float
    value: float
    is_high: bool


def find_crossings(
    values: Values, *, level: float = 0.0, hysteresis: float = 0.0, noise: float = 0.0
) -> Crossings:
    """Where ``values``, shape (samples,), pass through ``level``.

    A crossing counts when the waveform goes from under ``level - hysteresis`` to over ``level + hysteresis``
    or back, so noise within the hysteresis makes none, and a touch makes none. If noise takes the waveform
    through the level several times on the way, the position is the mean of those. Each is interpolated by
    the cubic through the four samples around it, by a straight line where there are not four.

    With white noise of standard deviation ``noise`` the cubic's value at fraction ``p`` has the variance
    ``noise^2 sum h_i(p)^2``, with ``h_i`` the weights of the four samples; divided by the square of the slope
    that is the variance of the position (JCGM 100:2008, 5.1.2, first order).

    Raises
    ------
    BadInputError : not one-dimensional, or a hysteresis or noise that is negative.
    """
    signal = _checked(values) - level
    if hysteresis < 0 or noise < 0:
        raise BadInputError(f"hysteresis {hysteresis:g} and noise {noise:g} must not be negative")
    before, after = _transitions(signal, hysteresis)
    below = signal < 0
    changes = np.flatnonzero(below[:-1] != below[1:])
    owner = np.searchsorted(before, changes, side="right") - 1
    kept = (owner >= 0) & (changes < after[np.maximum(owner, 0)]) if before.size else np.zeros(0, bool)
    changes, owner = (changes[kept], owner[kept]) if before.size else (changes[:0], changes[:0])
    positions, stds = _solve(signal, changes, noise)
    share = np.bincount(owner, minlength=before.size)
    with np.errstate(invalid="ignore"):
        mean_position = np.bincount(owner, positions, before.size) / share
        mean_std = np.bincount(owner, stds, before.size) / share
    return Crossings(mean_position, signal[after] > 0, mean_std)


def nearest_crossing(
    values: Values, position: float, *, level: float = 0.0, hysteresis: float = 0.0
) -> float | None:
    """Position of the crossing nearest to ``position``, or None if there is none."""
    found = find_crossings(values, level=level, hysteresis=hysteresis).positions
    return float(found[np.argmin(np.abs(found - position))]) if found.size else None


def nearest_extremum(
    values: Values, position: float, *, level: float = 0.0, hysteresis: float = 0.0
) -> Extremum | None:
    """The peak or trough nearest to ``position``: one for each lobe between two crossings of ``level``.

    A parabola is fitted by least squares to the middle third of the lobe about its greatest sample, which
    averages noise where there are many samples a cycle. The stretches before the first and after the last
    crossing are not whole lobes and have no extremum; None if there is no lobe.
    """
    crossings = find_crossings(values, level=level, hysteresis=hysteresis)
    if len(crossings) < 2:
        return None
    signal = _checked(values)
    at = int(np.searchsorted(crossings.positions, position))
    found = []
    for lobe in range(max(at - 2, 0), min(at + 2, len(crossings) - 1)):
        start, stop = crossings.positions[lobe], crossings.positions[lobe + 1]
        extremum = _lobe_extremum(signal, float(start), float(stop), bool(crossings.rising[lobe]))
        if extremum is not None:
            found.append(extremum)
    return min(found, key=lambda e: abs(e.position - position), default=None)


def middle_level(values: Values) -> float:
    """Level about which a waveform swings: its mean over whole cycles, else midway between its extremes.

    NaN is passed over; nan if there is nothing else.
    """
    signal = _checked(values)
    finite = signal[np.isfinite(signal)]
    if not finite.size:
        return float("nan")
    low, high = float(finite.min()), float(finite.max())
    rough = (low + high) / 2
    crossings = find_crossings(signal, level=rough, hysteresis=(high - low) / 8)
    ups = crossings.positions[crossings.rising]
    if ups.size < 2:
        return rough
    whole = signal[int(np.ceil(ups[0])) : int(np.ceil(ups[-1]))]
    whole = whole[np.isfinite(whole)]
    return float(whole.mean()) if whole.size else rough


def band_limited(values: Values, steps: int) -> Floats:
    """The band-limited curve through ``values``, shape (samples,), at ``steps`` points a sample.

    Returns shape ((samples - 1) * steps + 1,); every ``steps``-th point is a sample, to the last digit. Interpolation
    is by sinc under a Kaiser window of 32 samples on either side: within 80 dB up to nine tenths of half the sample
    rate. At the ends the samples are continued turned about the last one. Where NaN is within reach the samples are
    joined by straight lines, and next to NaN there is NaN.

    Raises
    ------
    BadInputError : not one-dimensional, or ``steps`` below 1.
    """
    signal = _checked(values)
    if steps < 1:
        raise BadInputError(f"{steps} points a sample; at least one is needed")
    if signal.size < 2 or steps == 1:
        return signal.copy()
    reach = min(BAND_LIMITED_REACH, signal.size - 1)
    before = 2 * signal[0] - signal[reach:0:-1]
    after = 2 * signal[-1] - signal[-2 : -reach - 2 : -1]
    pad = BAND_LIMITED_REACH - reach
    continued = np.pad(np.concatenate([before, signal, after]), pad, mode="edge")
    around = np.lib.stride_tricks.sliding_window_view(continued, 2 * BAND_LIMITED_REACH)[1 : signal.size]
    fractions = np.arange(steps) / steps
    curve = np.empty((signal.size - 1, steps))
    kernel = _kernel(steps)
    high, wide = max(1, _PIECE // kernel.shape[0] // min(steps, _PIECE_WIDE)), min(steps, _PIECE_WIDE)
    for row in range(0, len(curve), high):
        for column in range(0, steps, wide):
            here = slice(row, row + high), slice(column, column + wide)
            curve[here] = around[here[0]] @ kernel[:, here[1]]
    linear = signal[:-1, None] + np.diff(signal)[:, None] * fractions
    np.copyto(curve, linear, where=np.isnan(curve))
    curve[:, 0] = signal[:-1]
    return np.append(curve.reshape(-1), signal[-1])


@lru_cache(maxsize=4)
def _kernel(steps: int) -> Floats:
    """Weights of the samples -31 to 32 about each of ``steps`` places between two, shape (64, steps)."""
    place = np.arange(steps) / steps - np.arange(1 - BAND_LIMITED_REACH, BAND_LIMITED_REACH + 1)[:, None]
    within = np.maximum(0.0, 1.0 - (place / BAND_LIMITED_REACH) ** 2)
    kernel = np.sinc(place) * np.i0(_KAISER_BETA * np.sqrt(within)) / np.i0(_KAISER_BETA)
    # a level stays what it is
    kernel /= kernel.sum(axis=0)
    kernel.setflags(write=False)
    return np.asarray(kernel)


def _checked(values: Values) -> Floats:
    array = np.asarray(values)
    if array.ndim != 1 or array.dtype.kind not in "iuf":
        raise BadInputError(f"one-dimensional real samples are needed, not {array.dtype} {array.shape}")
    return array.astype(np.float64, copy=False)


def _transitions(signal: Floats, hysteresis: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Last sample beyond one side of the hysteresis and first beyond the other, for each crossing."""
    side = np.zeros(signal.size, np.int8)
    side[signal > hysteresis] = 1
    side[signal < -hysteresis] = -1
    decided = np.flatnonzero(side)
    turned = np.flatnonzero(side[decided][1:] != side[decided][:-1])
    before, after = decided[turned], decided[turned + 1]
    gaps = np.concatenate([[0], np.cumsum(np.isnan(signal))])
    unbroken = gaps[before] == gaps[after]
    return before[unbroken], after[unbroken]


def _solve(signal: Floats, at: NDArray[np.intp], noise: float) -> tuple[Floats, Floats]:
    """Position and its standard uncertainty of the crossings between the samples ``at`` and ``at + 1``."""
    left, right = signal[at], signal[at + 1]
    step = right - left
    linear = np.clip(-left / step, 0.0, 1.0)
    fraction, slope = linear, step
    spread = np.hypot(linear, 1 - linear)
    four = (at >= 1) & (at + 2 < signal.size)
    around = signal[np.clip(at[:, None] + np.arange(-1, 3), 0, signal.size - 1)]
    four &= np.isfinite(around).all(axis=1)
    cubic = linear.copy()
    for _ in range(_NEWTON_STEPS):
        weights, steepness = _cubic_weights(cubic)
        gradient = np.einsum("ij,ij->i", steepness, around)
        with np.errstate(divide="ignore", invalid="ignore"):
            cubic = np.clip(cubic - np.einsum("ij,ij->i", weights, around) / gradient, 0.0, 1.0)
    weights, steepness = _cubic_weights(cubic)
    residual = np.einsum("ij,ij->i", weights, around)
    with np.errstate(invalid="ignore"):
        solved = four & (np.abs(residual) <= 1e-9 * np.abs(step))
    fraction = np.where(solved, cubic, fraction)
    slope = np.where(solved, np.einsum("ij,ij->i", steepness, around), slope)
    spread = np.where(solved, np.sqrt(np.einsum("ij,ij->i", weights, weights)), spread)
    # the mean slope over the step bounds a cubic's that is nearly flat at the crossing
    steep = np.maximum(np.abs(slope), np.abs(step) / 4)
    return at + fraction, noise * spread / steep


def _cubic_weights(fraction: Floats) -> tuple[Floats, Floats]:
    """Lagrange weights, shape (n, 4), of the samples -1, 0, 1, 2 at ``fraction``, and their derivatives."""
    p = fraction
    weights = np.stack(
        [
            -p * (p - 1) * (p - 2) / 6,
            (p + 1) * (p - 1) * (p - 2) / 2,
            -(p + 1) * p * (p - 2) / 2,
            (p + 1) * p * (p - 1) / 6,
        ],
        axis=1,
    )
    slopes = np.stack(
        [
            -(3 * p * p - 6 * p + 2) / 6,
            (3 * p * p - 4 * p - 1) / 2,
            -(3 * p * p - 2 * p - 2) / 2,
            (3 * p * p - 1) / 6,
        ],
        axis=1,
    )
    return weights, slopes


def _lobe_extremum(signal: Floats, start: float, stop: float, is_high: bool) -> Extremum | None:
    first, last = int(np.ceil(start)), int(np.floor(stop)) + 1
    lobe = signal[first:last]
    if not lobe.size or not np.isfinite(lobe).all():
        return None
    top = first + int(np.argmax(lobe) if is_high else np.argmin(lobe))
    reach = max(1, round((stop - start) / 6))
    a, b = max(top - reach, 0), min(top + reach + 1, signal.size)
    part = signal[a:b]
    if part.size < 3 or not np.isfinite(part).all():
        return Extremum(float(top), float(signal[top]), is_high)
    square, slope, constant = np.polyfit(np.arange(a, b) - top, part, 2)
    offset = -slope / (2 * square) if square else np.inf
    if (square < 0) != is_high or abs(offset) > reach:
        return Extremum(float(top), float(signal[top]), is_high)
    return Extremum(top + float(offset), float(constant + slope * offset / 2), is_high)
