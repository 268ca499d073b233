"""Undoing a filter that transmissions and noise went through alike: the input of an instrument, a receiver, the line.

Where the noise is coloured by a filter, what is sent is smeared by the same one. The inverse of the noise's spectrum
makes it white again, which is the first half of every best receiver in coloured noise (Van Trees 2001, section 4.3), and
makes rectangles again of what was sent. Noise tells how much a filter lets through, not by how much it delays: filters of
real parts delay as little as such ones can (minimum phase: the delay follows from the logarithm of the gain by the
cepstrum, Oppenheim and Schafer 2010, section 13.5), computed ones often all frequencies alike.

Where a filter lets nothing through nothing can be won back. A little white noise is added before (diagonal loading,
Carlson 1988), so that no more is tried and the floor is flat in the end.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from dsp.continued import continued
from dsp.noise import NoiseFloor
from dsp.source import Floats, Record, Stretch
from dsp.spectra import spectra

Singles = NDArray[np.float32]

# density of the noise that is added, of what the floor has where something is sent: it costs 0.004 dB there
_LOADING = 1e-3
# times by which the floor is lower elsewhere if a filter makes it so; the beginning of what leaks (`NoiseFloor.gentle`)
_LOWER = 16.0
# frames, and samples of one, that tell where something is sent
_FRAMES, _FRAME = 300, 4096
# how seldom noise is to seem sent, and times by which the floor may be told too low
_RARE, _STRONGER = 1e-3, 2.0
# samples of a filter, twice those of the longest frames that tell the floor, and of the spectrum it is worked out in
_TAPS, _GRID = 1 << 13, 1 << 16
# share of a filter's energy that may be cut off at its end
_CUT = 1e-7
# samples that are filtered at a time, and of those that are remembered
_BLOCK, _REMEMBERED = 1 << 16, 1 << 24


@dataclass(frozen=True, eq=False)
class Equalised:
    """Samples of a record with noise added and filtered, as a source of their own.

    ``taps`` (t,) times samples up to ``ahead`` after each one make it; ``added`` is the standard deviation of the noise.
    """

    record: Record
    taps: Floats
    ahead: int
    added: float
    _blocks: OrderedDict[int, Singles] = field(default_factory=OrderedDict, repr=False)

    @property
    def dtype(self) -> np.dtype[np.float32]:
        return np.dtype(np.float32)

    def __len__(self) -> int:
        return len(self.record.source)

    def __getitem__(self, key: slice, /) -> Singles:
        start, stop, _ = key.indices(len(self))
        out = np.zeros(max(0, stop - start), dtype=np.float32)
        for stretch in self.record.stretches:
            a, b = max(start, stretch.first), min(stop, stretch.last)
            while a < b:
                origin = stretch.first + (a - stretch.first) // _BLOCK * _BLOCK
                block = self._block(stretch, origin)
                end = min(b, origin + block.size)
                out[a - start : end - start] = block[a - origin : end - origin]
                a = end
        return out

    def _block(self, stretch: Stretch, origin: int) -> Singles:
        block = self._blocks.get(origin)
        if block is None:
            block = self._filtered(stretch, origin, min(origin + _BLOCK, stretch.last))
            self._blocks[origin] = block
            if len(self._blocks) * _BLOCK > _REMEMBERED:
                self._blocks.popitem(last=False)
        return block

    def _filtered(self, stretch: Stretch, start: int, stop: int) -> Singles:
        from scipy.signal import oaconvolve

        behind = self.taps.size - 1 - self.ahead
        low, high = max(stretch.first, start - behind), min(stretch.last, stop + self.ahead)
        values = self._loaded(stretch, low, high).astype(np.float64)
        if low > start - behind:
            before = continued(values[::-1], behind - (start - low))[::-1]
            values = np.concatenate((before, values))
        if high < stop + self.ahead:
            values = np.concatenate((values, continued(values, stop + self.ahead - high)))
        return np.asarray(oaconvolve(values, self.taps, mode="valid"), dtype=np.float32)

    def _loaded(self, stretch: Stretch, low: int, high: int) -> Singles:
        """Samples of the record and the noise that is added, the same whatever is read with them."""
        return self.record.read_centred(low, high) + self.noise(stretch, low, high)

    def noise(self, stretch: Stretch, low: int, high: int) -> Singles:
        """The noise that is added to samples ``[low, high)``."""
        values = np.empty(high - low, dtype=np.float32)
        for number in range((low - stretch.first) // _BLOCK, (high - 1 - stretch.first) // _BLOCK + 1):
            origin = stretch.first + number * _BLOCK
            noise = np.random.default_rng((stretch.first, number)).standard_normal(_BLOCK, dtype=np.float32)
            a, b = max(low, origin), min(high, origin + _BLOCK)
            values[a - low : b - low] = np.float32(self.added) * noise[a - origin : b - origin]
        return values


def may_be_filtered(noise: NoiseFloor, hz: Floats | None = None) -> bool:
    """Whether a filter may have made the floor so much lower somewhere than elsewhere; at ``hz`` (n,) if told."""
    density = noise.floor[2:-2] if hz is None else noise.density(hz)
    return bool(density.size and float(density.min()) * _LOWER < float(density.max()))


@dataclass(frozen=True, eq=False)
class InverseFilter:
    """``taps`` (t,) that make the floor white, for samples up to ``ahead`` after each one, and deviation of the noise
    ``added`` before. What passes where most is sent keeps its amplitude."""

    taps: Floats
    ahead: int
    added: float

    def of(self, record: Record) -> Record:
        """A record of what was there before the filter."""
        source = Equalised(record, self.taps, self.ahead, self.added)
        return Record(source, record.rate_hz, 1.0, 0.0, record.stretches)


def inverse_filters(record: Record, noise: NoiseFloor) -> list[InverseFilter]:
    """Inverses of the filter of least delay, and of the one of equal delay, that may have coloured the floor; none if the
    floor is nowhere much lower than where most is sent."""
    level = _level_of_sent(record, noise)
    if level is None or float(noise.floor[2:-2].min()) * _LOWER > level:
        return []
    # at the frequencies of a spectrum of so many samples
    hz = np.linspace(0.0, noise.rate_hz / 2.0, _GRID // 2 + 1)
    density = noise.density(hz) / level + _LOADING
    added = math.sqrt(_LOADING * level * noise.rate_hz / 2.0)
    least = _shortened(_least_phase(density))
    return [InverseFilter(least, 0, added), InverseFilter(*_equal_delay(density), added)]


def _level_of_sent(record: Record, noise: NoiseFloor) -> float | None:
    """Density of the floor where what comes and goes has its power: the logarithm's mean, weighed by power.

    None if nothing does: the floor may be something sent all the time then, and not noise.
    """
    found = spectra(record, min(_FRAME, max(len(s) for s in record.stretches) // 4), _FRAMES)
    if found is None:
        return None
    power, unit = found
    hz = np.fft.rfftfreq(2 * (power.shape[1] - 1), 1.0 / record.rate_hz)[2:-2]
    floor = noise.density(hz)
    over = power.mean(axis=0, dtype=np.float64)[2:-2] * unit - floor * noise.line_ratio(hz)
    # squared, so that a wide floor's own error weighs nothing beside something narrow
    weight = np.maximum(over, 0.0) ** 2
    if not weight.any() or not _comes_and_goes(power[:, 2:-2] * (unit / floor), weight / weight.max()):
        return None
    return float(np.exp(np.average(np.log(floor), weights=weight)))


def _comes_and_goes(ratio: Floats, weight: Floats) -> bool:
    """Whether spectra over the floor (frames, bins), in bins of some ``weight`` (bins,), are ever stronger than noise is."""
    from scipy.special import gammaincinv

    # as many ordinates as a weighted mean is worth, of which neighbours of a Hann window are alike by half
    ordinates = max(1.0, 0.5 * float(weight.sum()) ** 2 / float(weight @ weight))
    strongest = float(np.max(ratio @ weight)) / float(weight.sum())
    return strongest > _STRONGER * float(gammaincinv(ordinates, 1.0 - _RARE / ratio.shape[0])) / ordinates


def _least_phase(density: Floats) -> Floats:
    """Impulse response (_GRID,) of the filter of least delay that makes noise of this density white."""
    cepstrum = np.fft.irfft(-0.5 * np.log(density))
    half = cepstrum.size // 2
    cepstrum[1:half] *= 2.0
    cepstrum[half + 1 :] = 0.0
    return np.asarray(np.fft.irfft(np.exp(np.fft.rfft(cepstrum))))


def _shortened(response: Floats) -> Floats:
    """A response (n,) that begins at once, without what is as good as nothing at its end."""
    energy = np.cumsum(response**2)
    count = int(np.searchsorted(energy, (1.0 - _CUT) * energy[-1])) + 1
    return response[: min(count, _TAPS)]


def _equal_delay(density: Floats) -> tuple[Floats, int]:
    """Response of the filter without delay that makes noise of this density white, and how far ahead it looks."""
    response = np.fft.irfft(density**-0.5)
    energy = response[0] ** 2 + 2.0 * np.cumsum(response[1 : response.size // 2] ** 2)
    ahead = min(int(np.searchsorted(energy, (1.0 - _CUT) * energy[-1])) + 1, _TAPS // 2)
    return np.concatenate((response[-ahead:], response[: ahead + 1])), ahead
