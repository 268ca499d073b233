"""What samples show before anything is assumed of them: where the energy lies, and two figures about it.

The survey compares three spectra: the mean over time, a low quantile over time (what is always there) and
the quiet level across all frequencies. What is above the second comes and goes; what is above the third is
on the line at all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from dsp.activity import Active
from dsp.bpsk import Search
from dsp.segment import Piece
from dsp.source import Floats, Record, Stretch

_SAMPLES_AT_MOST = 1 << 18
_VIEWS_AT_MOST = 3
_QUANTILE = 0.3
# a mean of some tens of frames strays by less than this from what it estimates
_CLEAR = 1.6
_INTERVALS_AT_MOST = 1000


@dataclass(frozen=True, eq=False)
class View:
    """Contiguous samples (n,) of a record, the first of them its sample ``origin``."""

    samples: Floats
    origin: int
    rate_hz: float

    @property
    def duration_s(self) -> float:
        return self.samples.size / self.rate_hz


def views_of(record: Record, active: list[Active], search: Search) -> list[View]:
    """The most telling stretches, whole or their middle part, of not too many samples together."""
    spots = [(p.nats, (p.start + p.stop) / 2.0) for p in search.unexplained]
    spots += [(p.nats, (p.start + p.stop) / 2.0) for p in search.unmodulated]
    spots += [(0.01 * a.best.nats, (a.best.start + a.best.stop) / 2.0) for a in active]
    out: list[View] = []
    seen: list[Stretch] = []
    left = _SAMPLES_AT_MOST
    longest = max(record.stretches, key=len)
    for _, middle in [*sorted(spots, reverse=True), (0.0, (longest.first + longest.last) / 2.0)]:
        stretch = record.stretch_at(middle)
        if stretch in seen or len(out) == _VIEWS_AT_MOST or left < 128:
            continue
        seen.append(stretch)
        count = min(len(stretch), left)
        out.append(_view(record, stretch, middle, count))
        left -= count
    return [view for view in out if view.samples.size >= 64]


def view_around(record: Record, piece: Piece) -> View:
    """One piece with as much again on either side."""
    middle = (piece.start + piece.stop) // 2
    stretch = record.stretch_at(middle)
    count = min(len(stretch), _SAMPLES_AT_MOST, max(1024, 3 * (piece.stop - piece.start)))
    return _view(record, stretch, middle, count)


def _view(record: Record, stretch: Stretch, middle: float, count: int) -> View:
    # a length that transforms fast
    from scipy.fft import prev_fast_len

    count = prev_fast_len(count, real=True)
    start = int(np.clip(middle - count / 2.0, stretch.first, stretch.last - count))
    return View(record.read(start, start + count), start, record.rate_hz)


def frame_spectra(samples: Floats, rate_hz: float, length: int) -> Floats:
    """One-sided densities (frames, bins) of half-overlapping Hann frames; the mean of all samples is off."""
    window = np.hanning(length + 1)[:-1]
    frames = sliding_window_view(samples - samples.mean(), length)[:: length // 2] * window
    spectrum = np.fft.rfft(frames, axis=1)
    return np.asarray((spectrum.real**2 + spectrum.imag**2) * (2.0 / (rate_hz * float(np.sum(window**2)))))


@dataclass(frozen=True, eq=False)
class Survey:
    """Densities (bins,) at ``hz``: mean over time, the part always there, and the quiet level of all bins."""

    hz: Floats
    mean: Floats
    always: Floats
    white: float

    @property
    def step_hz(self) -> float:
        return float(self.hz[1])

    def excess(self, *, gated: bool) -> Floats:
        """What stands clear above the quiet level; ``gated``, above what is always there too."""
        kernel = np.ones(5) / 5.0
        level = np.full_like(self.mean, self.white)
        if gated:
            level = np.maximum(level, np.convolve(self.always, kernel, "same"))
        return np.maximum(np.convolve(self.mean, kernel, "same") - _CLEAR * level, 0.0)

    def share(self, excess: Floats) -> float:
        """Energy of an excess over that of the quiet level in the whole band."""
        return float(excess.sum()) / (self.white * self.hz.size)

    def band(self, excess: Floats, outside: float) -> tuple[float, float]:
        """Frequencies below and above which there is the share ``outside`` of an excess."""
        total = np.cumsum(excess)
        low = int(np.searchsorted(total, outside * total[-1]))
        high = int(np.searchsorted(total, (1.0 - outside) * total[-1]))
        return float(self.hz[low]), float(self.hz[min(high, self.hz.size - 1)])


def survey(samples: Floats, rate_hz: float, longest: int = 1 << 10) -> Survey:
    """The three spectra of samples (n,), n at least 64, from frames of at most ``longest``."""
    length = 1 << int(np.clip(np.log2(samples.size / 32.0), 4, np.log2(longest)))
    power = frame_spectra(samples, rate_hz, length)
    always = np.quantile(power, _QUANTILE, axis=0) / -np.log(1.0 - _QUANTILE)
    edge = max(2, length // 128)
    white = float(np.quantile(always[edge:-edge], 0.15))
    # rounding of the numbers themselves, if nothing else
    tiny = max(float(power.max()) * 1e-20, 1e-300)
    return Survey(np.fft.rfftfreq(length, 1.0 / rate_hz), power.mean(axis=0), always, max(white, tiny))


@dataclass(frozen=True)
class Mixture:
    """Gaussian clusters of one spread: ``levels`` in rising order and how often each is taken."""

    levels: tuple[float, ...]
    weights: tuple[float, ...]
    spread: float

    def separation(self, noise_variance: float = 0.0) -> float:
        """Least distance of neighbouring levels over the spread, without the part that noise explains.

        Infinite if noise explains it all. Two levels taken by turns evenly leave ``4 / (4 + d^2)`` of the
        variance unexplained; a sine cut into two has a separation of 4.1, evenly spread values have 3.5.
        """
        least = float(np.min(np.diff(self.levels)))
        own = self.spread**2 - noise_variance
        return least / float(np.sqrt(own)) if own > 0.0 else float("inf")


def mixture(values: Floats, count: int) -> Mixture:
    """Fit ``count`` clusters to values (n,) by expectation-maximisation on their histogram."""
    low, high = (float(v) for v in np.quantile(values, (0.0005, 0.9995)))
    if high <= low:
        return Mixture((low,) * count, (1.0 / count,) * count, 0.0)
    counts, edges = np.histogram(np.clip(values, low, high), 256, (low, high))
    at = (edges[:-1] + edges[1:]) / 2.0
    share = counts / counts.sum()
    centres = np.linspace(low, high, count)
    weights = np.full(count, 1.0 / count)
    variance = ((high - low) / (4.0 * count)) ** 2
    floor = ((high - low) / 512.0) ** 2
    for _ in range(60):
        fit = -((at[None, :] - centres[:, None]) ** 2) / (2.0 * variance) + np.log(weights)[:, None]
        belongs = np.exp(fit - fit.max(axis=0))
        belongs *= share / belongs.sum(axis=0)
        weights = np.maximum(belongs.sum(axis=1), 1e-9)
        before, centres = centres, (belongs @ at) / weights
        spread = float(np.sum(belongs * (at[None, :] - centres[:, None]) ** 2))
        variance = max(spread, floor)
        if np.abs(centres - before).max() < 1e-3 * np.sqrt(variance):
            break
    order = np.argsort(centres)
    return Mixture(tuple(centres[order].tolist()), tuple(weights[order].tolist()), float(np.sqrt(variance)))


def crossings(values: Floats, low: float, high: float) -> tuple[Floats, NDArray[np.bool_]]:
    """Where values (n,) change between two levels (fractional index), and whether each change is upwards.

    A change counts once the values have come within a quarter of the way to the other level.
    """
    middle, reach = (low + high) / 2.0, abs(high - low) / 4.0
    state = np.where(values > middle + reach, 1, np.where(values < middle - reach, -1, 0))
    known = np.flatnonzero(state)
    if known.size < 2:
        return np.zeros(0), np.zeros(0, dtype=np.bool_)
    turns = np.flatnonzero(np.diff(state[known]))
    begin, end = known[turns], known[turns + 1]
    a, b = values[begin], values[end]
    part = np.clip((middle - a) / np.where(b == a, 1.0, b - a), 0.0, 1.0)
    return np.asarray(begin + part * (end - begin), dtype=np.float64), np.asarray(b > a)


@dataclass(frozen=True)
class Unit:
    """A length that intervals are whole multiples of: ``fit`` 1 is perfect, 0 what chance gives.

    ``nats`` is how unlikely chance would fit so well, after all the lengths that were tried.
    """

    length: float
    fit: float
    nats: float


def common_unit(intervals: Floats) -> Unit | None:
    """The unit of intervals (n,), None of under six; those of many units say nothing and are left out.

    For intervals that share no unit the phases ``2 pi interval / unit`` are even, and the mean of n cosines
    is Gaussian of variance ``1 / 2n``.
    """
    if intervals.size < 6:
        return None
    least = float(np.quantile(intervals, 0.1))
    kept = intervals[intervals <= 12.0 * least][:_INTERVALS_AT_MOST]
    if least <= 0.0 or kept.size < 6:
        return None
    # steps in 1/unit that turn the longest interval by an eighth
    trials = np.arange(0.8 / least, 3.5 / least, 1.0 / (8.0 * float(kept.max())))
    fits = np.cos(2.0 * np.pi * kept[:, None] * trials[None, :]).mean(axis=0)
    best = int(np.argmax(fits))
    fit = max(0.0, float(fits[best]))
    return Unit(1.0 / float(trials[best]), fit, kept.size * fit**2 - float(np.log(trials.size)))


def hertz(value: float) -> str:
    """A frequency to four figures with a unit that suits its size."""
    for scale, unit in ((1e6, "MHz"), (1e3, "kHz")):
        if value >= scale:
            return f"{value / scale:.4g} {unit}"
    return f"{value:.4g} Hz"


def seconds(value: float) -> str:
    """A duration to three figures with a unit that suits its size."""
    for scale, unit in ((1.0, "s"), (1e-3, "ms"), (1e-6, "us")):
        if value >= scale:
            return f"{value / scale:.3g} {unit}"
    return f"{value * 1e9:.3g} ns"
