"""Period, jitter and each interval's deviation, of cycles or symbols whose instants are known.

Model: instant ``i`` is ``t_i = t_0 + k_i T + e_i`` with whole (or, beyond a flip, half) numbers ``k_i`` of periods and
independent ``e_i`` of standard deviation ``s``. Least squares gives ``T``; with ``n`` instants

    s^2 = sum r_i^2 / (n - 2),      u(T)^2 = s^2 / sum (k_i - mean k)^2

(JCGM 100:2008, H.3, the straight line with uncorrelated residuals). For ``N`` periods without a gap the sum is
``N (N + 1) (N + 2) / 12``, so ``u(T)`` falls with the power 3/2 of the number of cycles. ``s`` is itself uncertain by
``s / sqrt(2 (n - 2))`` (JCGM 100:2008, E.4.3). It is never taken smaller than the least that is told.

Terms: the scatter ``s`` of the instants about the even grid is the jitter of the instants; the scatter of the
single periods about their mean is the period jitter, which for independent instants is ``s sqrt(2)``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.errors import BadInputError
from dsp.interpolate import find_crossings, middle_level
from dsp.measure_timing import moving_level
from dsp.near_carrier import STRONG_NOISE, near_carrier
from dsp.reading import Reading

Floats = NDArray[np.float64]
_OFF = 0.2
_LEVEL_PERIODS = 4


@dataclass(frozen=True, eq=False)
class PeriodReadings:
    """``deviations_s`` of each interval between neighbouring instants from as many mean periods, at ``starts_s``.

    ``periods`` is how many lie between the first and the last instant; ``left_out`` instants were off the grid.
    """

    period: Reading
    frequency: Reading
    jitter: Reading
    period_jitter: Reading | None
    periods: float
    starts_s: Floats
    steps: Floats
    deviations_s: Floats
    left_out: int


def read_period(
    times_s: Floats,
    *,
    about_s: float | None = None,
    halves: bool = False,
    least_std_s: float = 0.0,
    widening: float = 1.0,
    longest: float = math.inf,
) -> PeriodReadings | None:
    """Period of instants in ascending order, shape (instants,); None for fewer than three, or without a common period.

    Parameters
    ----------
    about_s : the period, within a tenth or so; the median interval if None.
    halves : steps of half a period occur, as where a carrier is turned over.
    least_std_s : what an instant is uncertain by at least, from noise or sampling.
    longest : periods between neighbouring instants; beyond it, how many they are apart is not known, and the answer None.
    widening : of the period's uncertainty, where the errors of neighbouring instants are alike.
    """
    times = np.asarray(times_s, np.float64)
    if times.size < 3 or not np.all(np.diff(times) > 0):
        return None
    rough = float(np.median(np.diff(times))) if about_s is None else about_s
    if not rough > 0:
        return None
    unit = 0.5 if halves else 1.0
    steps = np.round(np.diff(times) / rough / unit) * unit
    by_steps = _settled(times, np.concatenate([[0.0], np.cumsum(steps)]), unit)
    # a step that noise or a flip makes rounds the wrong way shifts all after it; the grid of a known period does not
    turns = times / (rough * unit)
    phase = float(np.angle(np.mean(np.exp(2j * np.pi * (turns - turns[0])))) / (2 * np.pi))
    by_grid = _settled(times, np.round(turns - turns[0] - phase) * unit, unit)
    found = [one for one in (by_steps, by_grid) if one is not None]
    if not found:
        return None
    number, good = max(found, key=lambda one: int(one[1].sum()))
    times, number = times[good], number[good]
    kept = np.concatenate([[True], np.diff(number) > 0])
    times, number = times[kept], number[kept]
    left_out = int(np.size(times_s) - times.size)
    if times.size < 3 or left_out > times.size / 2 or float(np.diff(number).max()) > longest:
        return None
    return _readings(times, number, left_out, least_std_s, widening)


@dataclass(frozen=True, eq=False)
class CycleTimes:
    """Rising crossings in seconds from the first sample; ``std_s`` is what noise makes each uncertain by.

    ``averaged`` tells that only what lies near the carrier was looked at; ``widening`` is what that does to the
    uncertainty of a period fitted to them (`dsp.near_carrier`).
    """

    times_s: Floats
    std_s: float
    averaged: bool = False
    widening: float = 1.0


def cycle_times(
    values: NDArray[Any], rate_hz: float, *, noise: float = 0.0, carrier_hz: float | None = None
) -> CycleTimes:
    """Rising crossings of the middle level.

    With ``carrier_hz`` the level follows the mean over four periods (`dsp.measure_timing.moving_level`), and where noise is
    strong, only what lies near the carrier is looked at.

    Raises
    ------
    BadInputError : no finite sample.
    """
    signal = np.asarray(values).astype(np.float64)
    if not np.isfinite(signal).any():
        raise BadInputError("there is no finite sample to read")
    window = rate_hz / carrier_hz * _LEVEL_PERIODS if carrier_hz else math.inf
    signal = signal - (moving_level(signal, window) if signal.size > window + 2 else middle_level(signal))
    amplitude = math.sqrt(2) * float(np.sqrt(np.nanmean(signal * signal)))
    widening, averaged = 1.0, False
    if carrier_hz and noise > STRONG_NOISE * amplitude and np.isfinite(signal).all():
        near = near_carrier(signal, rate_hz / carrier_hz)
        signal, noise, widening, averaged = near.signal, noise * near.noise_gain, near.widening_rising, True
        amplitude = math.sqrt(2) * float(np.sqrt(np.mean(signal * signal)))
    found = find_crossings(signal, hysteresis=max(4 * noise, 0.1 * amplitude), noise=noise)
    chosen = found.rising
    stds = found.stds[chosen]
    std_s = float(np.median(stds)) / rate_hz if stds.size else 0.0
    return CycleTimes(found.positions[chosen] / rate_hz, std_s, averaged, widening)


def _settled(times: Floats, number: Floats, unit: float) -> tuple[Floats, NDArray[np.bool_]] | None:
    """Numbers on the even grid that they themselves lead to, and which instants lie on it."""
    good = np.ones(times.size, bool)
    for _ in range(4):
        period, origin = _line(number[good], times[good])
        if not period > 0:
            return None
        # numbers follow the better period, from the middle on, so that a rough one does no harm at the ends
        number = np.round((times - origin) / period / unit) * unit
        good = np.abs((times - origin) / period - number) < _OFF * unit
        if good.sum() < 3:
            return None
    return number, good


def _line(number: Floats, times: Floats) -> tuple[float, float]:
    centred = number - number.mean()
    spread = float(centred @ centred)
    if not spread > 0:
        return math.nan, 0.0
    period = float(centred @ (times - times.mean())) / spread
    return period, float(times.mean() - period * number.mean())


def _readings(
    times: Floats, number: Floats, left_out: int, least_std_s: float, widening: float
) -> PeriodReadings:
    period, origin = _line(number, times)
    residual = times - origin - period * number
    freedom = times.size - 2
    found = math.sqrt(float(residual @ residual) / freedom)
    scatter = max(found, least_std_s)
    spread = float(np.sum((number - number.mean()) ** 2))
    period_std = widening * scatter / math.sqrt(spread)
    steps = np.diff(number)
    deviations = np.diff(times) - steps * period
    single = deviations[steps == 1]
    period_jitter = None
    if single.size > 2:
        value = float(np.sqrt(np.mean(single**2)))
        period_jitter = Reading(value, value / math.sqrt(2 * (single.size - 1)), "s", int(single.size))
    return PeriodReadings(
        Reading(period, period_std, "s", times.size),
        Reading(1 / period, period_std / period**2, "Hz", times.size),
        Reading(found, found / math.sqrt(2 * freedom), "s", times.size),
        period_jitter,
        float(number[-1] - number[0]),
        times[:-1],
        steps,
        deviations,
        left_out,
    )
