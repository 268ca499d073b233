"""The symbol period, found together with symbol timing by the likelihood of the whole transmission.

For a carrier frequency known to a fraction of the transmission's resolution, every period and start on a
fine grid is scored with the likelihood of phase reversals at random (bits averaged out: ``ln cosh``),
phase and remaining frequency fitted for each. Averaging over the bits rather than taking the best ones
is what tells a period from its half: each further symbol that the data do not ask for costs
``ln 2`` (Proakis, section 5.3; MacKay 2003, chapter 28, on the evidence of nested models).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.correlate import Complexes, Turned, best_run, cos_sin, log_cosh
from dsp.fits import Ints
from dsp.source import Floats

PHASES = 8
# residual frequencies on either side, in steps of half the resolution of the squared symbols
_DETUNES = 2
_AT_ONCE = 1 << 16


@dataclass(frozen=True, eq=False)
class Timings:
    """The best timing at each period; all arrays (p,).

    A transmission of ``count`` symbols of ``period`` samples begins at sample ``start``; its carrier differs from
    the turned one by ``detune`` cycles a sample. ``nats`` is the log-likelihood ratio against silence.
    """

    period: Floats
    start: Floats
    count: Ints
    detune: Floats
    nats: Floats


def period_grid(shortest: float, longest: float, span: float, step: float = 0.25) -> Floats:
    """Periods between which no edge of a transmission of ``span`` samples moves by over ``step`` symbols."""
    periods = [shortest]
    while periods[-1] < longest:
        p = periods[-1]
        periods.append(p + step * p / max(4.0, span / p))
    return np.array(periods)


def search_period(turned: Turned, periods: Floats, variance: float, amplitude: float) -> Timings:
    """Score every period.

    Parameters
    ----------
    turned : the samples turned back by the carrier.
    periods : (p,) symbol periods in samples.
    variance : noise variance of a sample.
    amplitude : peak of the carrier, same unit.
    """
    count = np.maximum(1, ((turned.length - periods) / periods).astype(np.int64) + 1)
    order = np.argsort(count, kind="stable")
    parts: list[Timings] = []
    at = 0
    while at < order.size:
        size = max(1, _AT_ONCE // (PHASES * (int(count[order[at]]) + 1)))
        rows = order[at : at + size]
        # not too unequal, or the padding costs more than the calls
        rows = rows[count[rows] <= 1.5 * count[rows[0]] + 4]
        parts.append(_score(turned, periods[rows], count[rows], variance, amplitude))
        at += rows.size
    back = np.argsort(order, kind="stable")
    names = ("period", "start", "count", "detune", "nats")
    return Timings(*(np.concatenate([getattr(p, name) for p in parts])[back] for name in names))


def _score(turned: Turned, periods: Floats, count: Ints, variance: float, amplitude: float) -> Timings:
    period, many = np.repeat(periods, PHASES), np.repeat(count, PHASES)
    starts = np.tile(np.arange(PHASES) / PHASES, periods.size) * period
    k = np.arange(int(count.max()) + 1)
    u = turned.between(starts[:, None] + k * period[:, None]).astype(np.complex64)
    inside = k[:-1] < many[:, None]
    u *= (1.0 / np.sqrt(variance * period / 2.0)).astype(np.float32)[:, None]
    u[~inside] = 0.0
    gain = (amplitude * np.sqrt(period / (2.0 * variance))).astype(np.float32)[:, None]
    off = ((k[:-1] - (many[:, None] - 1) / 2.0) / many[:, None]).astype(np.float32)
    detune, phase = _best_detune(u * u, off)
    cos, sin = cos_sin(phase[:, None] + (0.5 * np.pi * detune[:, None]).astype(np.float32) * off)
    score = log_cosh(gain * (u.real * cos + u.imag * sin)) - gain * gain / np.float32(2.0)
    # symbols beyond the last one can only end a run
    score[~inside] = -1.0 - gain.max() ** 2
    value, first, last = best_run(score)
    # noise alone gives a likelihood above zero at the best of many starts; ends cost their own prior
    value = value.reshape(-1, PHASES)
    row = np.argmax(value, axis=1) + PHASES * np.arange(periods.size)
    return Timings(
        periods,
        starts[row] + first[row] * periods,
        (last - first)[row],
        detune[row] / (4.0 * count * periods),
        value.reshape(-1)[row],
    )


def _best_detune(square: NDArray[np.complexfloating[Any, Any]], off: Floats) -> tuple[Floats, Floats]:
    """Residual frequency of each row in quarters of its resolution, and the phase in its middle."""
    cos, sin = cos_sin(np.float32(np.pi) * off)
    sums = np.empty((len(square), 2 * _DETUNES + 1), dtype=np.complex64)
    sums[:, _DETUNES] = square.sum(axis=1)
    turn_re, turn_im = cos, sin
    for d in range(1, _DETUNES + 1):
        # one turn serves both directions: they differ by the sign of its imaginary part
        along, across = _over_rows(square, turn_re), _over_rows(square, turn_im)
        sums[:, _DETUNES + d], sums[:, _DETUNES - d] = along - 1j * across, along + 1j * across
        turn_re, turn_im = turn_re * cos - turn_im * sin, turn_re * sin + turn_im * cos
    pick = np.argmax(np.abs(sums), axis=1)
    return pick - float(_DETUNES), 0.5 * np.angle(sums[np.arange(pick.size), pick])


def _over_rows(values: NDArray[np.complexfloating[Any, Any]], weight: Floats) -> Complexes:
    """Sum of each row of complex ``values`` times real ``weight``, both (b, k)."""
    return np.asarray(
        np.einsum("ij,ij->i", values.real, weight) + 1j * np.einsum("ij,ij->i", values.imag, weight)
    )
