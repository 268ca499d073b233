"""What the line carries all the time: the floor of its spectrum and the steady lines standing on it.

The floor is a low quantile over time of short spectra, so that bursts do not count, taken at several
frame lengths: short frames fit between bursts that stand close, long ones resolve low frequencies. For
noise a periodogram ordinate is exponentially distributed (Welch 1967), which turns the quantile into
a mean. Supply ripple and its harmonics are narrow lines found in long spectra.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.ndimage import uniform_filter1d

from dsp.baseline import CELL
from dsp.ordinates import coloured_ordinates, equal_ordinates, reach_of
from dsp.quiet import QUANTILE as _QUANTILE
from dsp.quiet import quiet_level
from dsp.source import Floats, Record
from dsp.spectra import Spectra, low_quantile, spectra
from dsp.steady_lines import bands, line_lengths, steady_lines, steady_of

_FRAMES_AT_MOST = 300
# frames below which shorter ones are asked for the level of quiet moments as well: there symbols may have few samples
_FEW_FRAMES, _SHORTEST = 64, 16
# samples of the spectra that tell the broad floor
_BROAD = (64, 256, 1024, 4096)
# cycles in a cell of the slow part below which it leaves something; the lowest carrier has five
_SLOW_CELLS = 2.0
# ratios of the highest to the lowest density of a floor that is as good as flat, and of one that leaks nowhere
_EVEN, _GENTLE = 1.35, 16.0
# octaves over which no noise falls by so much: one whose power falls with the square of frequency falls by 36 dB
_HOLE_OCTAVES = 6.0
_HOLE = 1e-5
# samples in which a line is looked at more closely, and the share of its power that a tone's main lobe holds there
_CLOSEST = 1 << 17
_PURE = 0.8
# bins in which main lobes of two tones leave something to be seen beside them
_RESOLVED = 15


@dataclass(frozen=True, eq=False)
class NoiseFloor:
    """One-sided noise density on a grid of frequencies, and steady lines as density where they stand.

    ``floor`` (unit^2/Hz) is given at ``floor_hz``; ``lines`` is the ratio, at least 1, by which steady
    lines stand above the floor, at ``lines_hz``. ``white`` is the density of quiet frames over all frequencies, and
    ``scatter`` by what share of itself the floor is off at a frequency.
    """

    rate_hz: float
    floor_hz: Floats
    floor: Floats
    lines_hz: Floats
    lines: Floats
    white: float = np.inf
    scatter: float = 0.0

    @property
    def even(self) -> bool:
        """Whether the floor is flat, and free of lines."""
        return self._is_within(_EVEN)

    @property
    def gentle(self) -> bool:
        """Whether the floor is flat enough, and free of lines, that nothing leaks from one frequency to another.

        Beyond the main lobe of a Hann window lie 5e-4 of what it gathers (Harris 1978).
        """
        return self._is_within(_GENTLE)

    def _is_within(self, ratio: float) -> bool:
        inner = self.floor[2:-2]
        return bool(
            inner.size
            and float(inner.max()) < ratio * float(inner.min())
            and self.lines.max(initial=1.0) <= 1.0
        )

    @cached_property
    def usual_variance(self) -> float:
        """Variance of a sample, were the floor everywhere as it is at most frequencies."""
        return float(np.median(self.floor)) * self.rate_hz / 2.0

    @cached_property
    def _log_floor(self) -> Floats:
        return np.asarray(np.log(self.floor))

    def density(self, freq_hz: Floats | float) -> Floats:
        """One-sided density of the broad floor, lines left out, in unit^2/Hz."""
        return np.exp(np.interp(freq_hz, self.floor_hz, self._log_floor))

    def flattened(self) -> NoiseFloor | None:
        """The floor if noise were as low everywhere as where it is lowest; None if that changes little.

        Something sent all the time looks like noise that stands there all the time. Supposing the floor flat
        brings it out; whether it is a transmission or only coloured noise is for the fit to tell. Where that is no
        lower than the floor's own error makes a flat one, quiet frames tell the level, by all frequencies together.
        """
        inner = self.floor[2:-2]
        low = float(np.quantile(inner, 0.2))
        if self.white < low * (1.0 + self.scatter):
            low = self.white
        if float(inner.max()) < 1.08 * low:
            return None
        return replace(self, floor=np.minimum(self.floor, low))

    def line_ratio(self, freq_hz: Floats) -> Floats:
        """How far steady lines stand above the floor, 1 where there is none.

        The largest value within half a step of the asked grid counts, so that a coarse grid loses no line.
        """
        if self.lines.max(initial=1.0) <= 1.0:
            return np.ones_like(freq_hz)
        out = np.ones_like(freq_hz)
        at = np.nonzero(self.lines > 1.0)[0]
        step = freq_hz[1] - freq_hz[0] if freq_hz.size > 1 else 1.0
        own = self.lines_hz[1] - self.lines_hz[0]
        reach = max(1, round(own / step))
        where = np.rint((self.lines_hz[at] - freq_hz[0]) / step).astype(np.int64)
        for shift in range(-reach, reach + 1):
            index = where + shift
            keep = (index >= 0) & (index < out.size)
            np.maximum.at(out, index[keep], self.lines[at[keep]])
        return out


def without_modulated_lines(record: Record, noise: NoiseFloor) -> NoiseFloor:
    """The same without lines that are no lines when looked at as closely as the record allows.

    What is sent through a whole record is as steady as a line, and in short frames hardly wider. Over all of a
    stretch a tone stays within the four bins of a Hann main lobe, while phase reversals fill the band.
    """
    from scipy.fft import rfft

    runs = bands(noise.lines > 1.0)
    stretch = max(record.stretches, key=len)
    length = min(len(stretch), _CLOSEST)
    step_hz = record.rate_hz / length
    if not runs:
        return noise
    start = stretch.first + (len(stretch) - length) // 2
    window = np.hanning(length + 1)[:-1].astype(np.float32)
    power = np.abs(rfft(record.read_centred(start, start + length) * window)).astype(np.float64) ** 2
    lines = noise.lines.copy()
    for a, b in runs:
        low, high = (round(float(noise.lines_hz[at]) / step_hz) for at in (a, b - 1))
        if high - low > _RESOLVED and _held_by_peaks(power[low : high + 1]) < _PURE:
            lines[a:b] = 1.0
    return noise if np.array_equal(lines, noise.lines) else replace(noise, lines=lines)


def without_line_at(noise: NoiseFloor, freq_hz: float) -> NoiseFloor:
    """The same without the line that stands at a frequency."""
    reach_hz = 1.5 * float(noise.lines_hz[1] - noise.lines_hz[0])
    lines = noise.lines.copy()
    for a, b in bands(lines > 1.0):
        if noise.lines_hz[a] - reach_hz < freq_hz < noise.lines_hz[b - 1] + reach_hz:
            lines[a:b] = 1.0
    return replace(noise, lines=lines)


def _held_by_peaks(power: Floats, peaks: int = 2) -> float:
    """Share of the power (n,) in the main lobes of the highest peaks."""
    left = power.copy()
    for _ in range(peaks):
        top = int(np.argmax(left))
        left[max(0, top - 2) : top + 3] = 0.0
    return 1.0 - float(left.sum()) / max(float(power.sum()), 1e-300)


@dataclass(frozen=True, eq=False)
class _Seen:
    """Spectra of one frame length: per bin (b,) at ``hz`` their smoothed mean, and of each bin averaged with its
    neighbours the mean and a low quantile over ``frames`` frames. ``white`` is the density of all bins together where
    they are quiet."""

    hz: Floats
    level: Floats
    frames: int
    mean: Floats
    low: Floats
    white: float

    def scatter(self, equal: Floats) -> Floats:
        """By what share of itself the low quantile is off, of averages worth ``equal`` (b,) independent ordinates."""
        return np.asarray((1.1 + 1.8 / equal) / np.sqrt(self.frames))

    def quiet(self, equal: Floats) -> tuple[Floats, Floats]:
        """Level of the quiet frames over the mean of all, per bin, at most 1, and that level itself.

        Averages of neighbouring bins, worth ``equal`` (b,) independent ordinates each, scatter little, so that it matters
        little what share of the frames is quiet.
        """
        from scipy.special import gammaincinv

        low = self.low * (equal / gammaincinv(equal, _QUANTILE))
        share = low / np.maximum(self.mean, 1e-300)
        # the quantile of so many frames scatters by this much: what is within three times that is steady
        counts = share < 1.0 - 3.0 * self.scatter(equal)
        return np.where(counts, share, 1.0), np.where(counts, low, self.mean)


def _seen(power: Floats, hz: Floats) -> _Seen:
    """What spectra (frames, bins) show."""
    frames, bins = power.shape
    level = _smooth_log(power.mean(axis=0), 2 if 2 * (bins - 1) <= 256 else 8)
    reach = reach_of(bins)
    middle = np.clip(np.arange(bins), 2, bins - 2)
    sums = np.zeros((frames, bins + 1))
    np.cumsum(power, axis=1, out=sums[:, 1:])
    around = (sums.take(middle + reach + 1, axis=1) - sums.take(middle - reach, axis=1)) / (2 * reach + 1)
    # single precision is sorted in a fifth of the time
    scale = float(around.max())
    low = low_quantile((around / scale).astype(np.float32), _QUANTILE) * scale
    return _Seen(hz, level, frames, around.mean(axis=0), low, quiet_level(power[:, 2:-2]))


def _smooth_log(values: Floats, half: int) -> Floats:
    """Running median of the logarithm over ``2 half + 1`` bins."""
    from scipy.ndimage import median_filter

    logs = np.log(values)
    return np.exp(uniform_filter1d(median_filter(logs, 2 * half + 1, mode="nearest"), half, mode="nearest"))


def estimate_noise(record: Record) -> NoiseFloor | None:
    """The noise floor of a record; None if it is too short (under 128 samples) to have one."""
    longest = max((len(s) for s in record.stretches), default=0)
    if longest < 128:
        return None
    short = _short_spectra(record, longest)
    broad = _broad_floor(record, short)
    if broad is None:
        return None
    # some of the lengths in which lines are looked for are the same
    known = {length: found for length, found in short.items() if length < _BROAD[-1]}
    steady = [steady_of(record, length, known.get(length)) for length in line_lengths(longest)]
    hz, floor, white, scatter = broad
    return NoiseFloor(record.rate_hz, hz, floor, *steady_lines(steady, hz, floor), white, scatter)


def _short_spectra(record: Record, longest: int) -> dict[int, Spectra]:
    """Spectra of the lengths that tell the floor, as far as frames fit, by their length."""
    out: dict[int, Spectra] = {}
    for wished in _BROAD:
        if wished > longest // 6 and out:
            break
        length = min(wished, longest // 4)
        found = spectra(record, length, min(_FRAMES_AT_MOST, 400_000 // length))
        if found is None:
            break
        out[length] = found
    return out


def _broad_floor(record: Record, short: dict[int, Spectra]) -> tuple[Floats, Floats, float, float] | None:
    """Frequencies and density of the floor, lines left out, and `NoiseFloor.white` and ``scatter``; None of too few
    samples."""
    seen: list[_Seen] = []
    slow = 0.0
    for length, (squares, unit) in short.items():
        power = squares.astype(np.float64) * unit
        # the mean taken off each frame empties the first bins: they say nothing about the floor
        power[:, :2] = power[:, 2:3]
        power[:, -1] = power[:, -2]
        power += max(float(power.max()) * 1e-24, 1e-300)
        hz = np.fft.rfftfreq(length, 1.0 / record.rate_hz)
        slow = float(power[:, hz < _SLOW_CELLS * record.rate_hz / CELL].max())
        seen.append(_seen(power, hz))
    if not seen:
        return None
    hz = seen[-1].hz
    best = _quietest(seen, [equal_ordinates(s.hz.size) for s in seen])
    if float(best[2:-2].max()) > _GENTLE * float(best[2:-2].min()):
        # in a band of noise as narrow as a short frame's bins these rise and fall together
        best = _quietest(seen, [coloured_ordinates(s.hz.size, hz, best) for s in seen])
    # what is quieter than a step of the converter is rounded to silence, while a signal is not, and has the noise of
    # rounding, spread over all frequencies
    rounding = 2.0 * record.rounding / record.rate_hz
    best = np.exp(uniform_filter1d(np.log(np.maximum(best, max(rounding, 1e-300))), 5, mode="nearest"))
    best = np.maximum(_without_holes(hz, best), rounding)
    if record.wanders:
        # as far as the slow part was taken off, what is left of it is nothing that was sent
        best[hz < _SLOW_CELLS * record.rate_hz / CELL] = max(slow, float(best.max()))
    scatter = float(np.median(seen[-1].scatter(equal_ordinates(hz.size))))
    white = [s.white for s in seen]
    if seen[0].frames < _FEW_FRAMES:
        found = spectra(record, _SHORTEST, _FRAMES_AT_MOST)
        white += [quiet_level(found[0][:, 2:-2].astype(np.float64) * found[1])] if found else []
    return hz, best, max(min(white), rounding), scatter


def _quietest(seen: list[_Seen], equal: list[Floats]) -> Floats:
    """Density (n,) at the longest frames' frequencies, of averages worth ``equal`` independent ordinates.

    Short frames fit between transmissions, long ones resolve the floor: whichever sees most quiet counts.
    """
    longest = seen[-1]
    best = longest.level
    for one, its in zip(seen, equal, strict=True):
        share, quiet = one.quiet(its)
        # where a short frame shows more than a long one it shows its neighbours' leakage, not the floor
        leaks = np.interp(longest.hz, one.hz, one.level) > 2.0 * longest.level
        # a strong transmission beside a bin makes its share of quiet small: the level itself counts then
        here = np.maximum(
            longest.level * np.interp(longest.hz, one.hz, share),
            np.minimum(longest.level, np.interp(longest.hz, one.hz, quiet)),
        )
        best = np.minimum(best, np.where(leaks, longest.level, here))
    return best


def _without_holes(hz: Floats, floor: Floats) -> Floats:
    """A floor that nowhere lies far below what it is some octaves to either side.

    No noise does, but what a computed filter leaves does. What leaks there from elsewhere, as little as it is, would
    stand out by more than anything that is sent.
    """
    from scipy.ndimage import maximum_filter1d

    # octaves as neighbours: on a grid that is even in the logarithm
    grid = np.geomspace(hz[1], hz[-1], 16 * max(2, int(np.log2(hz.size))))
    reach = int(_HOLE_OCTAVES * np.log(2.0) / np.log(grid[1] / grid[0]))
    around = np.exp(maximum_filter1d(np.log(np.interp(grid, hz, floor)), 2 * reach + 1, mode="nearest"))
    return np.maximum(floor, _HOLE * np.interp(hz, grid, around))


def suppression(noise: NoiseFloor, freq_hz: Floats, reference: float) -> Floats:
    """Gain per frequency that takes away what stands above ``reference`` density, and nothing else.

    Weighting a correlation by the inverse of the noise density is the matched filter in coloured noise
    (Van Trees 2001, section 4.3); below the reference the gain stays 1 so that a clean line is untouched.
    """
    level = noise.density(freq_hz) * noise.line_ratio(freq_hz)
    return reference / np.maximum(level, reference)
