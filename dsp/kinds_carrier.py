"""One band of a view as a complex signal: when it is on, how strong and how constant, and how its phase holds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.carrier import baseband
from dsp.correlate import Complexes
from dsp.features import View
from dsp.on_off import on_runs
from dsp.source import Floats

_SAMPLES_AT_MOST = 1 << 16
_LINES_AT_MOST = 24
_RUNS_AT_MOST = 64
_RUN_SAMPLES = 1 << 13
_CHANGE_NATS = 6.0


@dataclass(frozen=True, eq=False)
class Carried:
    """The band of interest as complex samples (n,) around ``centre_hz``.

    ``runs`` are half-open index ranges in which something is sent; ``noise`` the mean power of noise in a
    sample, ``smooth`` how many samples the band's own bandwidth spreads a change over.
    """

    z: Complexes
    rate_hz: float
    centre_hz: float
    half_hz: float
    noise: float
    smooth: int
    runs: tuple[tuple[int, int], ...]

    @property
    def on(self) -> NDArray[np.bool_]:
        mask = np.zeros(self.z.size, dtype=np.bool_)
        for begin, end in self.runs:
            mask[begin:end] = True
        return mask

    def independent(self, samples: float) -> float:
        """How many independent values so many samples hold."""
        return max(1.0, samples * 2.0 * self.half_hz / self.rate_hz)


def carried(
    view: View, band_hz: tuple[float, float], density: float, standing_hz: Floats | None = None
) -> Carried | None:
    """Take out a band whose noise has the one-sided ``density``; None if nothing stands out of it.

    Lines ``standing_hz`` within the band are fitted and taken off.
    """
    low, high = band_hz
    # flanks reach half as far again on either side
    half = max(0.55 * (high - low), 4.0 * view.rate_hz / view.samples.size)
    z, rate, centre = baseband(view.samples - view.samples.mean(), view.rate_hz, (low + high) / 2.0, half)
    if z.size < 16:
        return None
    if z.size > _SAMPLES_AT_MOST:
        z = z[:_SAMPLES_AT_MOST]
    if standing_hz is not None:
        inside = standing_hz[np.abs(standing_hz - centre) < 2.0 * half][:_LINES_AT_MOST]
        for line_hz in inside.tolist():
            wave = np.exp((2j * np.pi * (line_hz - centre) / rate) * np.arange(z.size))
            z = z - wave * np.mean(z * np.conj(wave))
    # analytic: twice the variance of the real samples; flat band and its raised-cosine flanks squared
    noise = 2.0 * density * 2.75 * half
    smooth = max(1, round(rate / (2.0 * half)))
    power = running_mean(np.abs(z) ** 2, 2 * smooth) / max(noise, 1e-300)
    level = max(3.0, 0.25 * float(np.quantile(power, 0.97)))
    weight = 1.0 / smooth
    runs = on_runs(weight * (np.minimum(power, 1e6) * (1.0 - 1.0 / level) - np.log(level)), _CHANGE_NATS)
    kept = tuple((a, b) for a, b in runs if b - a > 2 * smooth)
    return Carried(z, rate, centre, half, noise, smooth, kept) if kept else None


def running_mean(values: Floats, width: int) -> Floats:
    """Mean over ``width`` neighbours of values (n,); as many values."""
    from scipy.ndimage import uniform_filter1d

    return np.asarray(uniform_filter1d(values, max(1, width), mode="nearest"))


@dataclass(frozen=True)
class Amplitude:
    """Strength while on: ``snr`` its power over the noise, ``variation`` the variance of power over its mean
    squared within a run, noise taken off (0 constant, 1 as Gaussian noise); ``decay`` how much of the energy
    lies in the first half of a run, less that in the second, of the whole.
    """

    snr: float
    variation: float
    decay: float


def amplitude_of(carried: Carried) -> Amplitude:
    power = np.abs(carried.z) ** 2
    means, variances, sizes, decays = [], [], [], []
    for begin, end in carried.runs:
        margin = min(2 * carried.smooth, (end - begin) // 4)
        inside = power[begin + margin : end - margin]
        signal = max(float(inside.mean()) - carried.noise, carried.noise)
        off = 2.0 * signal * carried.noise + carried.noise**2
        means.append(float(inside.mean()))
        variances.append((float(inside.var()) - off) / signal**2)
        sizes.append(inside.size)
        half = (end - begin) // 2
        first, second = float(power[begin : begin + half].sum()), float(power[end - half : end].sum())
        decays.append((first - second) / (first + second))
    weights = np.array(sizes, dtype=np.float64)
    return Amplitude(
        float(np.average(means, weights=weights)) / carried.noise,
        float(np.average(variances, weights=weights)),
        float(np.median(decays)),
    )


def coherence(carried: Carried, power: int) -> tuple[float, float, float]:
    """How much of a run lies on one phase once phases are multiplied by ``power``; chance; and the frequency.

    1 for a tone (and for ``power`` phases evenly around the turn), about ``ln n / n`` for n independent values
    of any phase. Each sample counts with its amplitude; all runs share one frequency, each has its own phase.
    """
    longest = sorted(carried.runs, key=lambda run: run[0] - run[1])[:_RUNS_AT_MOST]
    most = min(_RUN_SAMPLES, longest[0][1] - longest[0][0])
    size = 1 << int(np.ceil(np.log2(2 * most)))
    total = np.zeros(size)
    due = chance = 0.0
    for begin, end in longest:
        part = carried.z[begin : min(end, begin + most)]
        length = np.abs(part)
        turned = part * (part / np.maximum(length, 1e-300)) ** (power - 1)
        total += np.abs(np.fft.fft(turned, size)) ** 2
        due += float(length.sum()) ** 2
        chance += float(length.sum()) ** 2 / carried.independent(part.size)
    top = int(np.argmax(total))
    tries = np.log(max(2.0, carried.independent(most)))
    shift = ((top + size / 2) % size - size / 2) * carried.rate_hz / size
    return float(total[top]) / due, float(tries * chance / due), carried.centre_hz + shift / power
