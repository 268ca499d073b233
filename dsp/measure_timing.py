"""Carrier frequency and whole cycles from crossings.

Crossings of a carrier lie half a period apart, and a flip at a crossing leaves them there; so the frequency
of a carrier with flips can be read from them as long as its cycles are not interrupted for long.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dsp.errors import BadInputError
from dsp.interpolate import Crossings, Floats, Values, find_crossings, middle_level
from dsp.near_carrier import STRONG_NOISE, near_carrier
from dsp.reading import Reading

_HYSTERESIS_STDS = 4.0
_LEAST_HYSTERESIS = 0.1  # of the amplitude
_LONGEST_GAP = 5.0  # half periods; beyond that a new run of crossings begins
_OFF_GRID = 0.2  # half periods
_ODD_STEPS = 0.25
_LEVEL_PERIODS = 4  # one would do for a bare carrier; more, so that a flip tilts the level less


@dataclass(frozen=True)
class CarrierReadings:
    """What the crossings of a carrier say.

    ``whole_cycles`` lie between the first and the last crossing, gaps left out; ``crossings`` are all found.
    """

    frequency: Reading
    whole_cycles: int
    crossings: int


def carrier_readings(
    values: Values, rate_hz: float, *, noise: float = 0.0, carrier_hz: float | None = None
) -> CarrierReadings | None:
    """Frequency and whole cycles of the carrier in ``values``, shape (samples,); None where `fit_carrier` is.

    With ``carrier_hz``, which need only be near, the level follows the mean over four carrier periods, which
    takes slow ripple and drift away; without, or if there are fewer periods, it is one level for all. Where noise is
    strong beside a known carrier, only what lies near it is looked at (`dsp.near_carrier`).
    """
    signal = np.asarray(values).astype(np.float64)
    window = rate_hz / carrier_hz * _LEVEL_PERIODS if carrier_hz else math.inf
    signal = signal - (moving_level(signal, window) if signal.size > window + 2 else middle_level(signal))
    finite = signal[np.isfinite(signal)]
    if finite.size < 4:
        return None
    amplitude = math.sqrt(2) * float(np.sqrt(np.mean(finite * finite)))
    widening = 1.0
    if carrier_hz and noise > STRONG_NOISE * amplitude and finite.size == signal.size:
        near = near_carrier(signal, rate_hz / carrier_hz)
        signal, noise, widening = near.signal, noise * near.noise_gain, near.widening
        amplitude = math.sqrt(2) * float(np.sqrt(np.mean(signal * signal)))
    hysteresis = max(_HYSTERESIS_STDS * noise, _LEAST_HYSTERESIS * amplitude)
    crossings = find_crossings(signal, hysteresis=hysteresis, noise=noise)
    found = fit_carrier(crossings, rate_hz, carrier_hz=carrier_hz)
    if found is None or found.frequency.std is None:
        return found
    return replace(found, frequency=replace(found.frequency, std=found.frequency.std * widening))


def moving_level(values: Values, period: float) -> Floats:
    """Mean over a ``period`` (in samples, at least 2) about each sample, held constant at both ends.

    A carrier that goes into it a whole number of times is left out, wholly where the period is a whole number
    of samples and to 1 % or so otherwise; none of it is shifted in phase. Whole windows only; the ends, half
    a period each, repeat the nearest. NaN spreads over the windows that hold it.

    Raises
    ------
    BadInputError : fewer samples than the window, or a period under two samples.
    """
    signal = np.asarray(values).astype(np.float64)
    half = (period - 1) / 2
    whole = math.floor(half)
    if period < 2 or signal.size < 2 * (whole + 1) + 1:
        raise BadInputError(f"a window of {period:g} samples does not fit {signal.size} samples")
    window = np.ones(2 * (whole + 1) + 1)
    window[0] = window[-1] = half - whole
    level = np.convolve(signal, window / window.sum(), mode="valid")
    return np.pad(level, whole + 1, mode="edge")


def fit_carrier(
    crossings: Crossings, rate_hz: float, *, carrier_hz: float | None = None
) -> CarrierReadings | None:
    """Carrier frequency from its crossings in both directions; None if they do not say.

    They do not if there are fewer than four, or if more than a quarter of their distances are not the half
    period and the carrier is not known to a tenth: at one cycle a symbol, a carrier with flips at its
    crossings and one of half that frequency with flips at its peaks have the same crossings.

    The model ``t_i = t_0 + k_i H + d_i a`` has the half period ``H``, the whole number ``k_i`` of half
    periods and the asymmetry ``a`` of a level that is off the middle, ``d_i`` being +1 or -1 for rising or
    falling; each run without a long gap has its own ``t_0``. Solved by linear least squares; with residual
    variance ``s^2`` over ``N - runs - 2`` degrees of freedom the covariance is ``s^2 (X' X)^-1``
    (JCGM 100:2008, H.3). ``s`` is not taken smaller than the noise predicts for a crossing. Crossings that
    a flip between two grid points makes are left out.
    """
    if len(crossings) < 4:
        return None
    times, direction = crossings.positions, np.where(crossings.rising, 1.0, -1.0)
    half, asymmetry = _rough(times, crossings.rising)
    if not half > 0:
        return None
    if carrier_hz is not None:
        half = rate_hz / (2 * carrier_hz)
    even = times - direction * asymmetry
    kept = _on_grid(even, half)
    times, direction, even, stds = times[kept], direction[kept], even[kept], crossings.stds[kept]
    run, count = _number(even, half)
    if carrier_hz is None and np.mean(np.diff(count) != 1) > _ODD_STEPS:
        return None
    cycles = sum(int(np.ptp(count[run == r])) // 2 for r in np.unique(run))
    for _ in range(2):
        solved = _solve(times, count, direction, run)
        if solved is None:
            return None
        half, variance, residual = solved
        limit = 4 * max(1.4826 * float(np.median(np.abs(residual))), float(np.median(stds)), 1e-12)
        good = np.abs(residual) <= limit
        if good.all() or good.sum() < 4:
            break
        times, count, direction = times[good], count[good], direction[good]
        run, stds = run[good], stds[good]
    freedom = times.size - np.unique(run).size - 2
    scatter = float(residual @ residual) / freedom if freedom > 0 else 0.0
    half_std = math.sqrt(variance * max(scatter, float(np.mean(stds * stds))))
    frequency = rate_hz / (2 * half)
    std = frequency * half_std / half if half_std > 0 or freedom > 0 else None
    return CarrierReadings(Reading(frequency, std, "Hz", times.size), cycles, len(crossings))


def _rough(times: Floats, rising: NDArray[np.bool_]) -> tuple[float, float]:
    """Half period and asymmetry to begin with: a low quantile, as flips only ever make intervals longer."""
    steps = np.diff(times)
    up, down = steps[rising[:-1]], steps[~rising[:-1]]
    if not up.size or not down.size:
        return math.nan, 0.0
    from_up, from_down = float(np.quantile(up, 0.3)), float(np.quantile(down, 0.3))
    return (from_up + from_down) / 2, (from_down - from_up) / 4


def _on_grid(times: Floats, half: float) -> NDArray[np.bool_]:
    """False for a crossing that lies between two grid points that are a whole number of halves apart."""
    steps = np.diff(times) / half
    off = np.abs(steps - np.round(steps)) > _OFF_GRID
    around = steps[:-1] + steps[1:]
    between = off[:-1] & off[1:] & (np.abs(around - np.round(around)) < _OFF_GRID)
    kept = np.ones(times.size, bool)
    kept[1:-1] = ~between
    return kept


def _number(times: Floats, half: float) -> tuple[NDArray[np.intp], Floats]:
    """Run and number of half periods of each crossing."""
    steps = np.diff(times) / half
    run = np.concatenate([[0], np.cumsum(steps > _LONGEST_GAP)]).astype(np.intp)
    return run, np.concatenate([[0.0], np.cumsum(np.round(steps))])


def _solve(
    times: Floats, count: Floats, direction: Floats, run: NDArray[np.intp]
) -> tuple[float, float, Floats] | None:
    """Half period, its variance for unit residual variance, residuals."""
    share = np.maximum(np.bincount(run), 1)

    def centred(column: Floats) -> Floats:
        centre: Floats = column - (np.bincount(run, column) / share)[run]
        return centre

    t, columns = centred(times), np.stack([centred(count), centred(direction)], axis=1)
    normal = columns.T @ columns
    if not normal[0, 0] > 0:
        return None
    inverse = np.linalg.pinv(normal)
    half, asymmetry = inverse @ (columns.T @ t)
    return float(half), float(inverse[0, 0]), t - columns @ np.array([half, asymmetry])
