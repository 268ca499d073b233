"""Abrupt reversals in a carrier that stands nearly all the time: too few to tell a symbol rate, but no tone either.

So seldom turned, a carrier passes for a steady line or a carrier burst: a search for symbols finds none. Its square is a
tone all the same, and along the phase of that tone the sign changes at once, while nothing is left across it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.carrier import squared_lines
from dsp.correlate import turn_back
from dsp.features import View
from dsp.fits import Ints
from dsp.kinds_carrier import carried
from dsp.source import Floats
from dsp.thin import turns_along

_NEAR = 0.4
# what may be left across the phase, and amplitudes vary by, over the power along it; noise taken off
_ACROSS = 0.1
_VARIES = 0.25
_CONTRAST = 30.0
_FEWEST_CYCLES = 64.0
# cycles on either side of a reversal in which the carrier must have so much of its amplitude
_BESIDE = 4
_PRESENT = 0.6


@dataclass(frozen=True)
class Turned:
    """Reversals in stretches of a carrier."""

    bursts: int
    flips: int
    carrier_hz: float


def reversals_in(view: View, density: float) -> Turned | None:
    """Reversals of the strongest carrier in a view whose noise has the one-sided ``density``; None if there are none."""
    samples = view.samples - view.samples.mean()
    spectrum = np.abs(np.fft.rfft(samples))
    near = float(np.argmax(spectrum)) * view.rate_hz / samples.size
    if near * view.duration_s < _FEWEST_CYCLES:
        return None
    lines = squared_lines(samples, view.rate_hz, near, (_NEAR * near,), 1)
    if not lines or lines[0].contrast < _CONTRAST or abs(lines[0].freq_hz / near - 1.0) > 0.5 * _NEAR:
        return None
    carrier_hz = lines[0].freq_hz
    band = carried(view, ((1.0 - _NEAR) * carrier_hz, (1.0 + _NEAR) * carrier_hz), density)
    if band is None:
        return None
    turned = turn_back(samples, 2.0 * np.pi * carrier_hz / view.rate_hz)
    cycle = view.rate_hz / carrier_hz
    scale = view.rate_hz / band.rate_hz
    flips = stretches = 0
    for begin, end in band.runs:
        # whole cycles, so that the image at minus the carrier's frequency averages out
        count = int((end - begin - 4 * band.smooth) * scale / cycle)
        if count < _FEWEST_CYCLES / 4.0:
            continue
        edges = np.rint((begin + 2 * band.smooth) * scale + cycle * np.arange(count + 1)).astype(np.int64)
        edges = np.clip(edges, 0, samples.size)
        z = turned.sums[edges[1:]] - turned.sums[edges[:-1]]
        z *= np.exp(-0.5j * np.angle(np.sum(z * z)))
        along, across = float(np.mean(z.real**2)), float(np.mean(z.imag**2))
        noise = 0.25 * density * view.rate_hz * cycle
        if across - noise > _ACROSS * along or float(np.var(np.abs(z.real))) - noise > _VARIES * along:
            return None
        slope = 2.0 * np.sqrt(along) / max(across, noise)
        flips += _without_pause(z.real / np.sqrt(along), edges, turns_along(z.real * slope, edges)[0])
        stretches += 1
    return Turned(stretches, flips, carrier_hz) if flips else None


def _without_pause(along: Floats, edges: Ints, where: Floats) -> int:
    """How many reversals have the carrier on both sides of them: two bursts are of any phase to each other."""
    at = np.searchsorted(edges, where)
    level = np.concatenate((np.zeros(_BESIDE), np.abs(along), np.zeros(_BESIDE)))
    reach = np.arange(1, _BESIDE + 1)
    before, after = level[at[:, None] + _BESIDE - 1 - reach], level[at[:, None] + _BESIDE - 1 + reach]
    return int(np.count_nonzero(np.minimum(before.mean(axis=1), after.mean(axis=1)) > _PRESENT))
