"""From the best of many periods to the maximum of the likelihood over period, timing, carrier and phase."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dsp.correlate import Turned
from dsp.fits import Fits, Ints, carry
from dsp.rate import Timings
from dsp.settling import settle
from dsp.weak import WeakTiming

_STEPS = 13


def first_fits(
    timings: Timings, turned: Turned, variance: float, amplitude: float, rival_nats: float = 0.0
) -> Fits:
    """Fits to the best timings at clearly different periods, at most two of each octave and seven in all.

    None reaches less than half of the best or of ``rival_nats``, what other periods came to.

    On a clean line a grid of periods is too coarse for the long ones, which lose to short ones that fit
    nearly as well anyhow: each octave keeps its own.
    """
    kept: list[int] = []
    octave = np.floor(np.log2(timings.period))
    for i in np.argsort(-timings.nats, kind="stable").tolist():
        best = max(rival_nats, timings.nats[kept[0]] if kept else 0.0)
        if timings.nats[i] < 0.5 * best or len(kept) == 7:
            break
        alike = sum(octave[i] == octave[j] for j in kept)
        apart = all(abs(timings.period[i] / timings.period[j] - 1.0) > 0.02 for j in kept)
        if timings.count[i] >= 4 and alike < 2 and apart:
            kept.append(i)
    return rough_fits(timings, np.array(kept, dtype=np.int64), turned, variance, amplitude)


def rough_fits(timings: Timings, rows: Ints, turned: Turned, variance: float, amplitude: float) -> Fits:
    """Fits to these ``rows`` (n,) of the timings, with the phase that their squared symbols have."""
    period, start, count = timings.period[rows], timings.start[rows], timings.count[rows]
    fits = Fits(
        turned,
        variance,
        2.0 * np.pi * timings.detune[rows],
        np.zeros(rows.size),
        start + 0.5 * count * period,
        np.full(rows.size, amplitude),
        period,
        start,
        count,
        np.zeros(rows.size),
        np.full(rows.size, float(turned.length)),
        timings.nats[rows],
    )
    if not rows.size:
        return fits
    edges = fits.edges()
    y = turned.between(edges) * np.exp(-1j * fits.angles(edges))
    square = np.sum(np.where(fits.inside(), y * y, 0.0), axis=1)
    return carry(replace(fits, phase=0.5 * np.angle(square)))


def polish(fits: Fits, rounds: int = 4) -> Fits:
    """Period and start together to the maximum of the likelihood, on grids that shrink.

    Over each grid the mean of the likelihood is taken, not its top: where several grid points put the same
    samples into each symbol they are equally good.
    """
    width = 0.3
    steps = np.linspace(-1.0, 1.0, _STEPS)
    for _ in range(rounds):
        fits = settle(fits, width=min(0.5, 2.0 * width))
        fits = fits.take(fits.count >= 3)
        if not len(fits):
            return fits
        periods = fits.period * (1.0 + steps[:, None] * width / fits.count)
        moves = steps * (0.5 * width) * fits.period[:, None]
        nats = WeakTiming(fits).over(periods, moves).swapaxes(0, 1)
        top = nats.max(axis=(1, 2))
        weight = np.exp(nats - top[:, None, None])
        weight /= weight.sum(axis=(1, 2), keepdims=True)
        period = np.sum(weight.sum(axis=2) * periods.T, axis=1)
        start = fits.middle - 0.5 * fits.count * period + np.sum(weight.sum(axis=1) * moves, axis=1)
        fits = replace(fits, nats=top, period=period, start=start)
        width /= 3.5
    return settle(fits, width=2.0 * width)
