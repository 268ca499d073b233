"""Whether symbols are what their sums say all along: the same amplitude in both halves, and a sine rather than levels.

A sum over a symbol also takes in what lies at its side lobes, one and a half symbol rates beside the carrier and further
out. Keyed levels, tones or other carriers there look like symbols that nearly always turn over, but within a symbol
they turn, too.
"""

from __future__ import annotations

import numpy as np

from dsp.runs import Runs
from dsp.source import Floats

# symbols that tell a harmonic, and the share of half the sample rate that it may lie at
_SYMBOLS = 400
_BELOW_HALF = 0.95


def uneven(runs: Runs, noise_met: float = 1.0) -> float:
    """Power of what the halves of symbols differ by over that of what they have in common, noise taken off both.

    Symbols of one amplitude all along have 0, smooth pulses some tenth, what a side lobe takes in 1, independent halves
    up to 1. ``noise_met`` is the noise over that of the runs.
    """
    middle = 0.5 * (runs.starts + runs.stops)
    first, second = (_along(runs, a, b) for a, b in ((runs.starts, middle), (middle, runs.stops)))
    weight = np.minimum(first[1], second[1])
    noise = 0.25 * noise_met * runs.variance * (1.0 / first[1] + 1.0 / second[1])
    differ = float(np.sum(weight * (0.25 * (first[0] - second[0]) ** 2 - noise)))
    common = float(np.sum(weight * (0.25 * (first[0] + second[0]) ** 2 - noise)))
    return max(0.0, differ) / max(common, 1e-300)


def _along(runs: Runs, starts: Floats, stops: Floats) -> tuple[Floats, Floats]:
    """Amplitude of the carrier, of the phase it has in each symbol, between edges (s,); and the energy of a unit one."""
    sums = runs.turned.sums_of(np.stack((starts, stops), axis=1))
    z, length = sums.z[:, 0], sums.length[:, 0]
    turn = np.exp(-1j * runs.angles)
    double = (sums.double_re[:, 0] + 1j * sums.double_im[:, 0]) * np.conj(turn) ** 2
    energy = np.maximum(0.5 * (length + double.real), 1e-3 * np.maximum(length, 1.0))
    return np.asarray((z * turn).real / energy), np.asarray(energy)


def third_harmonic(runs: Runs, samples: Floats) -> float:
    """Amplitude of three times the carrier, as it stands in a square wave, over that of the carrier itself.

    Of levels that change in the middle of each symbol (bi-phase) it is 1/3, of a sine clipped to half its height 0.22.
    ``samples`` (n,) are those of the strip. 0 where it lies beyond half the sample rate.
    """
    most = int(np.searchsorted(runs.offset, _SYMBOLS, "right")) - 1
    rows = slice(0, int(runs.offset[max(1, most)]))
    omega = runs.omega[runs.owner[rows]]
    if 3.0 * float(omega.max()) > _BELOW_HALF * np.pi:
        return 0.0
    begin = np.ceil(runs.starts[rows]).astype(np.int64).clip(0, samples.size)
    count = (np.ceil(runs.stops[rows]).astype(np.int64).clip(0, samples.size) - begin).clip(0)
    owner = np.repeat(np.arange(count.size), count)
    at = np.arange(owner.size) - np.repeat(np.cumsum(count) - count, count) + begin[owner]
    middle = 0.5 * (runs.starts[rows] + runs.stops[rows])
    phase = runs.turned.omega * middle + runs.angles[rows]
    theta = phase[owner] + omega[owner] * (at - middle[owner])
    values = samples[at] * np.sign(runs.symbols[rows].real)[owner]
    own, third = (float(np.sum(values * np.cos(k * theta)) / np.sum(np.cos(k * theta) ** 2)) for k in (1, 3))
    return -third / own if own > 0.0 else 0.0
