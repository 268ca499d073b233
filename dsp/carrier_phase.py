"""Half cycles of a weak carrier from the phase of its square, which no flip turns."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.half_cycles import HalfCycles

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

_CYCLES = 2.0  # of the filter before squaring: shorter lets more noise in, longer blurs flips
_TRACKED_CYCLES = 14.0  # over which the phase is averaged
_LEAST_COHERENCE = 0.5  # of the squared signal within them, or there is no carrier
_LEAST_PERIOD = 2.5  # samples


def tracked_half_cycles(values: NDArray[Any], carrier: float) -> HalfCycles | None:
    """Where a carrier of ``carrier`` cycles a sample in ``values``, shape (samples,), passes its level; None where too short.

    The signal is filtered to the carrier's band (a complex exponential under a Hann window of two of its cycles, less
    what that lets through of a constant), moved to zero and squared, which maps both phases of a carrier that is turned
    over by half a turn onto one (Proakis, Digital Communications, section 5.2; the amplitude is kept as it is, as Viterbi
    and Viterbi 1983 allow, so that a click weighs no more than it is high). Averaged over some cycles, half of its angle
    is the carrier's phase with far less noise than single crossings have, and flips leave no gap in it. A place is told
    as turned where the signal, held against that phase, changes its sign. ``carrier`` may be one percent off.

    Places stand only where the squares of some cycles agree.
    """
    signal = np.asarray(values, np.float64)
    window = _window(_CYCLES / carrier)
    tracking = _window(_TRACKED_CYCLES / carrier)
    if 1 / carrier < _LEAST_PERIOD or signal.size < tracking.size or not np.isfinite(signal).all():
        return None
    at = np.arange(signal.size)
    back = np.exp(-2j * np.pi * carrier * at)
    band = _filtered(signal - signal.mean(), _band_taps(window, carrier)) * back
    height = np.abs(band)
    squared = np.divide(band**2, height, out=np.zeros_like(band), where=height > 0)
    agreed = _filtered(squared, tracking)
    coherence = np.abs(agreed) / np.maximum(_filtered(height, tracking), np.finfo(float).tiny)
    half_angle = np.unwrap(np.angle(agreed)) / 2
    phase = np.maximum.accumulate(half_angle + 2 * np.pi * carrier * at)
    turns = np.arange(np.ceil(phase[0] / np.pi - 0.5), np.floor(phase[-1] / np.pi - 0.5) + 1)
    positions = np.interp((turns + 0.5) * np.pi, phase, at)
    told = np.interp(positions, at, coherence) >= _LEAST_COHERENCE
    held = (band * np.exp(-1j * half_angle)).real
    return HalfCycles(positions[told], _nearest(positions, _sign_changes(held))[told])


def _window(samples: float) -> Floats:
    count = max(round(samples), 3) | 1
    window: Floats = np.hanning(count + 2)[1:-1]
    window /= window.sum()
    return window


def _band_taps(window: Floats, carrier: float) -> Complexes:
    taps = 2 * window * np.exp(2j * np.pi * carrier * (np.arange(window.size) - window.size // 2))
    less: Complexes = taps - window * taps.sum()
    return less


def _filtered(signal: NDArray[Any], taps: NDArray[Any]) -> NDArray[Any]:
    return np.convolve(np.pad(signal, taps.size // 2, mode="reflect"), taps, "valid")


def _sign_changes(held: Floats) -> Floats:
    """Between samples, where a straight line between them changes its sign."""
    before = np.flatnonzero(np.signbit(held[:-1]) != np.signbit(held[1:]))
    low, high = held[before], held[before + 1]
    places: Floats = before + low / (low - high)
    return places


def _nearest(positions: Floats, changes: Floats) -> NDArray[np.bool_]:
    """Which of ``positions`` an odd number of ``changes`` lies nearest to."""
    count = np.zeros(positions.size, np.int64)
    if positions.size > 1:
        np.add.at(count, np.searchsorted((positions[:-1] + positions[1:]) / 2, changes), 1)
    odd: NDArray[np.bool_] = count % 2 == 1
    return odd
