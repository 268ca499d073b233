"""Taking away what is not the transmission: supply level, ripple and its harmonics, slow wander."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.activity import filtered
from dsp.burstfit import Region
from dsp.noise import NoiseFloor, suppression
from dsp.source import Floats, Record

_SURROUND = 1 << 13


@dataclass(frozen=True, eq=False)
class Conditioner:
    """Reads conditioned regions of a record.

    What stands above the floor near ``carrier_hz`` is weighted down (`dsp.noise.suppression`); a line as
    quiet everywhere else as there is only loses its mean. ``noise_scale`` corrects the floor's density by
    what was met beside the transmissions.
    """

    record: Record
    noise: NoiseFloor
    carrier_hz: float
    symbol_rate_bd: float
    noise_scale: float = 1.0

    @property
    def reference(self) -> float:
        """One-sided noise density around the carrier, in unit^2/Hz."""
        return float(np.exp(np.mean(np.log(self._band(0.5)))))

    def _band(self, reach: float) -> Floats:
        """Floor density over ``reach`` symbol rates on either side of the carrier."""
        half = max(self.symbol_rate_bd * reach, self.record.rate_hz / 256.0)
        low = max(self.carrier_hz - half, 0.2 * self.carrier_hz)
        high = min(self.carrier_hz + half, 0.49 * self.record.rate_hz)
        return self.noise.density(np.linspace(min(low, high), max(low, high), 33))

    @property
    def variance(self) -> float:
        """Noise variance of a sample, were the floor everywhere as it is around the carrier."""
        return self.reference * self.record.rate_hz / 2.0 * self.noise_scale

    def region(self, start: int, stop: int) -> Region:
        """Conditioned samples ``[start, stop)``, cut to the stretch they lie in."""
        stretch = self.record.stretch_at(start)
        start, stop = max(start, stretch.first), min(stop, stretch.last)
        low, high = max(stretch.first, start - _SURROUND), min(stretch.last, stop + _SURROUND)
        samples = self.record.read(low, high)
        samples -= samples.mean()
        hz = np.fft.rfftfreq(samples.size, 1.0 / self.record.rate_hz)
        # twice the highest density in the band: the floor's own estimate may be off by as much, and a
        # transmission that is on most of the time must not be filtered by its own spectrum
        bound = 2.0 * float(self._band(1.0).max())
        if suppression(self.noise, hz, bound)[1:].min(initial=1.0) < 0.5:
            samples = filtered(samples, self.record.rate_hz, lambda f: suppression(self.noise, f, bound))
        part = samples[start - low : stop - low]
        return Region(part, start, self.variance, start == stretch.first, stop == stretch.last)
