"""The symbol period, found together with symbol timing by the likelihood of the whole transmission.

For a carrier frequency known to a fraction of the transmission's resolution, every period and start on a
fine grid is scored with the likelihood of phase reversals at random (bits averaged out: ``ln cosh``),
phase and remaining frequency fitted for each. Averaging over the bits rather than taking the best ones
is what tells a period from its half: each further symbol that the data do not ask for costs
``ln 2`` (Proakis, section 5.3; MacKay 2003, chapter 28, on the evidence of nested models).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.correlate import Complexes, Turned, cos_sin, log_cosh
from dsp.fits import Ints
from dsp.on_off import best_run
from dsp.source import Floats

PHASES = 8
# residual frequencies on either side, in steps of half the resolution of the squared symbols
_DETUNES = 2
_AT_ONCE = 1 << 16
# rows for each column from which on a step from column to column, over all rows, is quicker than running sums
_MANY_ROWS = 2


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
    groups: list[Ints] = []
    at = 0
    while at < order.size:
        size = max(1, _AT_ONCE // (PHASES * (int(count[order[at]]) + 1)))
        rows = order[at : at + size]
        # not too unequal, or the padding costs more than the calls
        rows = rows[count[rows] <= 1.25 * count[rows[0]] + 4]
        groups.append(rows)
        at += rows.size

    parts = [_score(turned, periods[rows], count[rows], variance, amplitude) for rows in groups]
    back = np.argsort(order, kind="stable")
    names = ("period", "start", "count", "detune", "nats")
    return Timings(*(np.concatenate([getattr(p, name) for p in parts])[back] for name in names))


def _score(turned: Turned, periods: Floats, count: Ints, variance: float, amplitude: float) -> Timings:
    """Score periods (p,) of like ``count`` (p,); arrays below have the axes period, phase and symbol."""
    most = int(count.max())
    starts = periods[:, None] * (np.arange(PHASES) / PHASES)
    # what lies beyond the last symbol has no length, and can only end a run
    k = np.minimum(np.arange(most + 1), count[:, None])
    gain = amplitude * np.sqrt(periods / (2.0 * variance))
    # with the gain taken in: ln cosh is asked of the product
    scale = (gain / np.sqrt(variance * periods / 2.0)).astype(np.float32)[:, None, None]
    u = turned.between(starts[:, :, None] + (k * periods[:, None])[:, None, :])
    u = u.astype(np.complex64)
    u *= scale
    off = ((np.arange(most) - (count[:, None] - 1) / 2.0) / count[:, None]).astype(np.float32)
    detune, phase = _best_detune(u * u, off)
    cos, sin = cos_sin(
        phase[:, :, None] + (0.5 * np.pi * detune).astype(np.float32)[:, :, None] * off[:, None]
    )
    cos *= u.real
    sin *= u.imag
    cos += sin
    score = log_cosh(cos)
    score -= (gain * gain / 2.0).astype(np.float32)[:, None, None]
    # noise alone gives a likelihood above zero at the best of many starts; ends cost their own prior
    phase_of = np.argmax(_most(score), axis=1)
    row = np.arange(periods.size)
    value, first, last = best_run(score[row, phase_of])
    return Timings(
        periods,
        starts[row, phase_of] + first * periods,
        last - first,
        detune[row, phase_of] / (4.0 * count * periods),
        value,
    )


def _most(score: NDArray[np.float32]) -> NDArray[np.float32]:
    """Largest sum over a run along the last axis of ``score`` (p, phases, k)."""
    most = score.shape[-1]
    rows = score.reshape(-1, most)
    if len(rows) > _MANY_ROWS * most:
        best, here = np.zeros((2, len(rows)), dtype=score.dtype)
        for column in np.ascontiguousarray(rows.T):
            here += column
            np.maximum(here, np.float32(0.0), out=here)
            np.maximum(best, here, out=best)
        return best.reshape(score.shape[:-1])
    total = np.zeros((len(rows), most + 1), dtype=score.dtype)
    np.cumsum(rows, axis=1, out=total[:, 1:])
    total -= np.minimum.accumulate(total, axis=1)
    return np.asarray(total.max(axis=1).reshape(score.shape[:-1]))


def _best_detune(square: Complexes, off: Floats) -> tuple[Floats, Floats]:
    """Residual frequency of each row in quarters of its resolution, and the phase in its middle, both (p, phases).

    ``square`` has shape (p, phases, k), ``off`` (p, k).
    """
    cos, sin = cos_sin(np.float32(np.pi) * off)
    turn = np.empty((*off.shape, 2 * _DETUNES + 1), dtype=np.complex64)
    turn[:, :, _DETUNES] = 1.0
    step = cos - np.complex64(1j) * sin
    for d in range(1, _DETUNES + 1):
        turn[:, :, _DETUNES + d] = turn[:, :, _DETUNES + d - 1] * step
        turn[:, :, _DETUNES - d] = turn[:, :, _DETUNES + d].conj()
    sums = square @ turn
    pick = np.argmax(np.abs(sums), axis=2)
    best = np.take_along_axis(sums, pick[:, :, None], axis=2)[:, :, 0]
    return pick - float(_DETUNES), np.asarray(0.5 * np.angle(best))
