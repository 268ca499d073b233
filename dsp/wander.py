"""How a carrier wanders over a record, as a curve, and samples from which that is taken off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.source import Floats


@dataclass(frozen=True, eq=False)
class Wander:
    """What a carrier has beyond that of its model at each place of a record.

    ``places`` (k,) are samples of the record in rising order, ``omega`` (k,) radians a sample there, straight lines
    between, constant beyond; ``phase`` (k,) in radians is the sum of it up to there.
    """

    places: Floats
    omega: Floats
    phase: Floats

    def omega_at(self, place: Floats) -> Floats:
        """Radians a sample at samples (n,) of the record."""
        return np.asarray(np.interp(place, self.places, self.omega))

    def phase_at(self, place: Floats) -> Floats:
        """Radians by which the carrier is ahead at samples (n,) of the record."""
        i = np.clip(np.searchsorted(self.places, place, "right") - 1, 0, self.places.size - 1)
        return np.asarray(
            self.phase[i] + 0.5 * (self.omega[i] + self.omega_at(place)) * (place - self.places[i])
        )

    def taken_off(self, values: Floats, first: int) -> Floats:
        """Samples (n,) of the record from number ``first`` on, their frequencies shifted by as much as it wanders.

        Those of the analytic signal (Gabor 1946) are: the carrier must stand clear of zero and of half the sample rate.
        """
        from scipy.fft import fft, ifft, next_fast_len

        size = next_fast_len(values.size)
        spectrum = fft(values.astype(np.float32), size)
        spectrum[1 : (size + 1) // 2] *= 2.0
        spectrum[size // 2 + 1 :] = 0.0
        analytic = ifft(spectrum)[: values.size]
        turn = np.remainder(self.phase_at(first + np.arange(values.size, dtype=np.float64)), 2.0 * np.pi)
        return np.asarray(analytic.real * np.cos(turn) + analytic.imag * np.sin(turn), dtype=values.dtype)


def wander_through(places: Floats, omega: Floats) -> Wander:
    """The wander with ``omega`` (k,) radians a sample at ``places`` (k,), two at least."""
    steps = 0.5 * (omega[1:] + omega[:-1]) * np.diff(places)
    return Wander(places, omega, np.concatenate(([0.0], np.cumsum(steps))))
