"""Spectrum and spectrum of the square, over at most a told number of samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.errors import BadInputError
from dsp.source import Record

Floats = NDArray[np.float64]

MOST_SAMPLES = 1 << 20
_LEAST = 16
_PARTS = 8
_PIECES = 16


@dataclass(frozen=True, eq=False)
class Spectrum:
    """``density`` in unit^2/Hz (of the square: unit^4/Hz), both arrays of shape (lines,).

    ``used`` of ``among`` samples were looked at; ``resolution_hz`` is the distance at which two lines are told apart.
    """

    frequency_hz: Floats
    density: Floats
    used: int
    among: int
    resolution_hz: float

    @property
    def density_db(self) -> Floats:
        """Ten times the common logarithm of the density, held within 120 dB of the highest."""
        floor = max(float(self.density.max(initial=0.0)) * 1e-12, 1e-300)
        decibels: Floats = 10 * np.log10(np.maximum(self.density, floor))
        return decibels


def spectrum(record: Record, start: int, stop: int, *, most: int = MOST_SAMPLES) -> Spectrum:
    """One-sided power density of the samples ``[start, stop)`` by averaged, overlapping Hann periodograms.

    The method is that of P. D. Welch, "The use of fast Fourier transform for the estimation of power spectra", IEEE
    Trans. Audio Electroacoust. 15 (1967), as `scipy.signal.welch` has it. More than ``most`` samples are represented
    by pieces spread evenly over the range.

    Raises
    ------
    BadInputError : fewer than 16 samples.
    """
    pieces = _pieces(record, start, stop, most)
    length = _block(min(piece.size for piece in pieces), sum(piece.size for piece in pieces))
    return _averaged(record, pieces, length, stop - start)


def squared_spectrum(
    record: Record, start: int, stop: int, *, carrier_hz: float | None = None, most: int = MOST_SAMPLES
) -> Spectrum:
    """Power density of the square of the samples, at **half** its frequency: a carrier whose phase is turned over by 180
    degrees has no line of its own, but its square has one at twice the carrier (F. M. Gardner, Phaselock Techniques,
    3rd ed. 2005, chapter on suppressed carriers; from memory), which stands at the carrier here.

    With ``carrier_hz`` only what lies between half and one and a half of it is squared, so that supply ripple and
    its products with the carrier stay out; without, only the mean comes off.

    Raises
    ------
    BadInputError : fewer than 16 samples.
    """
    pieces = [_band(piece, record.rate_hz, carrier_hz) ** 2 for piece in _pieces(record, start, stop, most)]
    length = min(piece.size for piece in pieces)
    found = _averaged(record, pieces, min(length, 1 << 17), stop - start)
    return Spectrum(found.frequency_hz / 2, found.density, found.used, found.among, found.resolution_hz / 2)


def _pieces(record: Record, start: int, stop: int, most: int) -> list[Floats]:
    """The samples themselves, or pieces of them, each within one stretch."""
    parts = [
        (max(start, one.first), min(stop, one.last))
        for one in record.stretches
        if one.first < stop and one.last > start
    ]
    longest = max((b - a for a, b in parts), default=0)
    if longest < _LEAST:
        raise BadInputError(f"{max(longest, 0)} samples are too few for a spectrum; {_LEAST} are needed")
    kept = [(a, b) for a, b in parts if b - a >= min(longest, 4096)]
    total = sum(b - a for a, b in kept)
    if total > most:
        size = min(most // _PIECES, *(b - a for a, b in kept))
        count = max(1, most // size)
        ends = np.cumsum([b - a - size + 1 for a, b in kept])
        chosen = np.unique(np.linspace(0, int(ends[-1]) - 1, count).astype(int))
        at = np.searchsorted(ends, chosen, side="right")
        before = np.concatenate([[0], ends])
        kept = [
            (kept[k][0] + int(c - before[k]), kept[k][0] + int(c - before[k]) + size)
            for k, c in zip(at, chosen, strict=True)
        ]
    return [record.read(a, b).astype(np.float64) for a, b in kept]


def _block(shortest: int, total: int) -> int:
    """Length of a periodogram: enough of them to be smooth, long enough to tell lines apart."""
    wanted = 1 << max(4, int(np.log2(max(total / _PARTS, 16))))
    return min(shortest, wanted, 1 << 15)


def _averaged(record: Record, pieces: list[Floats], length: int, among: int) -> Spectrum:
    from scipy.signal import welch

    total, weight = np.zeros(length // 2 + 1), 0
    freq = np.zeros(length // 2 + 1)
    for piece in pieces:
        freq, power = welch(piece, record.rate_hz, "hann", length, detrend="constant")
        total += power * piece.size
        weight += piece.size
    # 1.5 bins: equivalent noise bandwidth of the Hann window (Harris 1978)
    return Spectrum(freq[1:], total[1:] / weight, weight, among, 1.5 * record.rate_hz / length)


def _band(samples: Floats, rate_hz: float, carrier_hz: float | None) -> Floats:
    if carrier_hz is None:
        plain: Floats = samples - samples.mean()
        return plain
    transformed = np.fft.rfft(samples - samples.mean())
    freq = np.fft.rfftfreq(samples.size, 1 / rate_hz)
    transformed[(freq < 0.5 * carrier_hz) | (freq > 1.5 * carrier_hz)] = 0
    banded: Floats = np.fft.irfft(transformed, samples.size)
    return banded
