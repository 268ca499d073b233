"""Tones that come and go beside what is sent, found so that they can be taken off: ripple of a load that runs now and then.

Where one has a steady frequency it stands out of spectra of frames far longer than symbols, frame after frame, and
its phase turns smoothly through them, as that of data does not. When it begins and ends is told by the samples: of a known
tone s in white noise of variance v the log-likelihood ratio of being on is (2 x s - s^2) / (2 v) a sample, and its ends are
those of the largest sum (Page 1954, on changes at an unknown time).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.on_off import best_run
from dsp.source import Record, Stretch
from dsp.steady import advance_of, straight_lines
from dsp.tones import Complexes, Floats, Singles

Ints = NDArray[np.int64]
Reals = NDArray[np.floating[Any]]

# samples of a frame: each length finds tones that last for some frames, and those of other lengths less well
_FRAMES = (512, 1024, 2048, 4096, 8192, 16384, 32768)
_FEWEST_FRAMES = 7
# samples of the longest stretch that is looked through, and of frames that are transformed at a time
_LONGEST, _AT_ONCE = 1 << 23, 1 << 20
# bins beside a tone that the window spreads it over, and those beyond that tell what else there is
_LOBE, _BESIDE = 3, 8
# the lowest bin that has some of these below it
_LOWEST = _LOBE + 1
# times that by which it stands out in each frame: of noise one bin in 900 does, but not frame after frame
_STANDS_OUT = 8.0
# frames that it may be hidden in
_HIDDEN = 2
# share of a tone's frames that lies along a phase which turns smoothly; how often that is bettered; its degree at most,
# and frames for each
_EVEN, _TURNS, _DEGREES, _FRAMES_A_DEGREE = 0.75, 2, 4, 4
# independent ones among rows that overlap by half
_OVERLAP = 0.6
# parts of a frame in which its phase is told
_PARTS = 8
# how often what is left counts against what is explained
_LEFT_COUNTS = 3.0
# part of its length beside it in which it is seen whether a tone goes on, and share of its amplitude there that says so
_BESIDE_ENDS, _AS_STRONG = 12, 0.5
# rows of a frame by which its amplitude is told
_ROWS = 4
# rounds in which weaker ones are found beside stronger, and tones at most in each
_ROUNDS, _AT_MOST = 4, 256


def passing_tones(record: Record) -> list[Waveform]:
    """Tones that come and go in a record, in no order."""
    out: list[Waveform] = []
    for _ in range(_ROUNDS):
        found = [tone for stretch in record.stretches for tone in _of_stretch(record, stretch)]
        if not found or len(found) > _AT_MOST:
            break
        out.extend(found)
        record = record.less(found)
    return out


@dataclass(frozen=True, eq=False)
class Waveform:
    """Samples (n,) of something known, from sample ``first`` of a record on."""

    first: int
    values: Singles

    def hz(self, rate_hz: float) -> float:
        """Its mean frequency, by how often it rises through zero."""
        rises = np.flatnonzero((self.values[:-1] < 0.0) & (self.values[1:] >= 0.0))
        if rises.size < 2:
            return 0.0
        return float((rises.size - 1) * rate_hz / (rises[-1] - rises[0]))

    @property
    def last(self) -> int:
        """The sample after its last one."""
        return self.first + self.values.size

    @property
    def power(self) -> float:
        """Its mean square."""
        return float(np.mean(self.values**2))

    def take_off(self, values: Singles, start: int) -> None:
        """Subtract it in place from samples (n,) of the record, the first of which is number ``start``."""
        low, high = max(start, self.first), min(start + values.size, self.last)
        if high > low:
            values[low - start : high - start] -= self.values[low - self.first : high - self.first]


@dataclass(frozen=True, eq=False)
class _Track:
    """Frames (f,) of so many samples, counted by halves of one, in which a tone stands out, and the bins (f,) it is in."""

    frame: int
    number: Ints
    bins: Ints

    @property
    def start(self) -> int:
        return int(self.number[0]) * (self.frame // 2)

    @property
    def stop(self) -> int:
        return int(self.number[-1]) * (self.frame // 2) + self.frame


@dataclass(frozen=True, eq=False)
class _Fit:
    """The tone of a track, its frequency in cycles a sample, those that frames blur it over, and what it is worth."""

    tone: Waveform
    cycles: float
    blurred: float
    worth: float

    def is_near(self, other: _Fit) -> bool:
        """Whether both were found in the same samples."""
        if abs(self.cycles - other.cycles) > min(self.blurred, other.blurred):
            return False
        mine, its = self.tone, other.tone
        return mine.first < its.last and its.first < mine.last


def _of_stretch(record: Record, stretch: Stretch) -> list[Waveform]:
    """What can be taken off at once: of tones that several frame lengths show, or that lie beside stronger ones, one."""
    if len(stretch) > _LONGEST:
        return []
    tracks = [
        track
        for frame in _FRAMES
        if len(stretch) >= _FEWEST_FRAMES * frame // 2
        for track in _tracks(*_peaks(record, stretch, frame), frame)
    ]
    fits = [fit for track in tracks if (fit := _fitted(record, stretch, track)) is not None]
    # a longer one must be worth more than the shorter ones it would stand for
    fits.sort(key=lambda fit: fit.tone.values.size)
    kept: list[_Fit] = []
    for fit in fits:
        others = [other for other in kept if fit.is_near(other)]
        if fit.worth > sum(other.worth for other in others):
            kept = [other for other in kept if other not in others] + [fit]
    return [fit.tone for fit in kept]


def _peaks(record: Record, stretch: Stretch, frame: int) -> tuple[Ints, Ints]:
    """Numbers of half-overlapping frames (p,), in rising order, and the bins (p,) that stand out of those beside them."""
    from scipy.fft import rfft

    hop = frame // 2
    window = np.hanning(frame + 1)[:-1].astype(np.float32)
    count = (len(stretch) - frame) // hop + 1
    lot = max(1, _AT_ONCE // frame)
    own = np.arange(_LOWEST, hop + 1 - _LOWEST)
    bins_below = np.stack((np.maximum(own - _LOBE - _BESIDE, 0), own - _LOBE))
    bins_above = np.stack((own + _LOBE + 1, np.minimum(own + _LOBE + _BESIDE + 1, hop + 1)))
    numbers, bins = [], []
    for row in range(0, count, lot):
        rows = min(lot, count - row)
        start = stretch.first + row * hop
        values = record.read_centred(start, start + (rows - 1) * hop + frame)
        frames = np.lib.stride_tricks.sliding_window_view(values, frame)[::hop]
        spectrum = rfft(frames * window, axis=1)
        power = spectrum.real**2 + spectrum.imag**2
        sums = np.cumsum(power, axis=1, dtype=np.float64)
        middle = power[:, _LOWEST:-_LOWEST]
        peak = (middle > power[:, _LOWEST - 1 : -_LOWEST - 1]) & (
            middle >= power[:, _LOWEST + 1 : 1 - _LOWEST]
        )
        beside = np.maximum(_mean(sums, bins_below), _mean(sums, bins_above))
        peak &= middle > _STANDS_OUT * beside
        at, which = np.nonzero(peak)
        numbers.append(at + row)
        bins.append(which + _LOWEST)
    return np.concatenate(numbers), np.concatenate(bins)


def _mean(sums: Floats, bins: Ints) -> Floats:
    """Mean of each row over bins ``[bins[0], bins[1])`` (2, k), of running ``sums`` (rows, bins) that include them."""
    start, stop = bins
    before = np.where(start > 0, sums[:, np.maximum(start - 1, 0)], 0.0)
    return np.asarray((sums[:, stop - 1] - before) / (stop - start))


def _tracks(number: Ints, bins: Ints, frame: int) -> Iterator[_Track]:
    """Peaks of neighbouring frames that go on in the same bin or the next."""
    open_tracks: list[tuple[list[int], list[int]]] = []
    for at, where in zip(number.tolist(), bins.tolist(), strict=True):
        ended = [t for t in open_tracks if at - t[0][-1] > 1 + _HIDDEN]
        open_tracks = [t for t in open_tracks if at - t[0][-1] <= 1 + _HIDDEN]
        yield from (_Track(frame, np.array(a), np.array(b)) for a, b in ended if len(a) >= _FEWEST_FRAMES)
        mine = next((t for t in open_tracks if t[0][-1] < at and abs(t[1][-1] - where) <= 1), None)
        if mine is None:
            open_tracks.append(([at], [where]))
        else:
            mine[0].append(at)
            mine[1].append(where)
    yield from (_Track(frame, np.array(a), np.array(b)) for a, b in open_tracks if len(a) >= _FEWEST_FRAMES)


def _fitted(record: Record, stretch: Stretch, track: _Track) -> _Fit | None:
    """The tone of a track from its beginning to its end; None if its phase does not go on evenly."""
    low, high = max(0, track.start - track.frame), min(len(stretch), track.stop + track.frame)
    values = record.read_centred(stretch.first + low, stretch.first + high).astype(np.float64)
    # frames at either end may hold it in part only
    a, b = track.start - low + track.frame // 2, track.stop - low - track.frame // 2
    phase = _phase(values, (a, b), track, low)
    if phase is None:
        return None
    turn = np.exp(1j * phase)
    turned: Complexes = values * turn.conj()
    row = track.frame // _ROWS
    shape = (_envelope(turned, (a, b), row) * turn).real
    _, first, last = (int(x[0]) for x in best_run(((2.0 * values - shape) * shape)[None, :]))
    if last - first < track.frame:
        return None
    height = _envelope(turned, (first, last), row)[first:last]
    if _goes_on(turned, height, first, last):
        return None
    tone = Waveform(stretch.first + low + first, (height * turn[first:last]).real.astype(np.float32))
    cycles, blurred = float(np.median(track.bins)) / track.frame, 2.0 * (_LOBE + _BESIDE) / track.frame
    return _Fit(tone, cycles, blurred, _worth(turned[first:last], height, row))


def _goes_on(turned: Complexes, height: Complexes, first: int, last: int) -> bool:
    """Whether it is as strong right beside its ends in another phase: symbols that are alike in a row are no tone."""
    some = max(1, (last - first) // _BESIDE_ENDS)
    for beside, own in (
        (turned[max(0, first - some) : first], height[:some]),
        (turned[last : last + some], height[-some:]),
    ):
        if 2 * beside.size > some and 2.0 * abs(beside.mean()) > _AS_STRONG * float(np.abs(own).mean()):
            return True
    return False


def _worth(turned: Complexes, height: Complexes, length: int) -> float:
    """What a fit explains of the samples (n,) about its frequency, in rows of so many, less what it leaves there.

    One over a pause, or with a wrong phase for a part of the time, leaves more than two over parts of it do.
    """
    edges = np.arange(0, turned.size, length)
    shown, fit = np.add.reduceat(turned, edges), np.add.reduceat(0.5 * height, edges)
    left = float(np.sum(np.abs(shown - fit) ** 2))
    # sums over rows of more samples have squares so much larger
    return (float(np.sum(np.abs(shown) ** 2)) - (1.0 + _LEFT_COUNTS) * left) / length


def _phase(values: Floats, inner: tuple[int, int], track: _Track, low: int) -> Floats | None:
    """Radians at each of the samples (n,), the first of which is number ``low`` of the stretch, told by those within
    ``inner``; None if none that turns smoothly explains the frames there."""
    part = track.frame // _PARTS
    count = (inner[1] - inner[0]) // part
    if count < _PARTS:
        return None
    middles: Reals = track.number * (track.frame // 2) + track.frame / 2.0 - low
    # where it begins is told by bins, each to within a part of one
    bins = _smoothed(middles, track.bins.astype(np.float64), np.ones(middles.size))
    n = np.arange(values.size, dtype=np.float64)
    phase = np.cumsum(bins(np.clip(n, middles[0], middles[-1])) * (2.0 * np.pi / track.frame))
    span = slice(inner[0], inner[0] + count * part)
    # slow by now: sums of some samples tell as much
    sums: Complexes = (values[span] * np.exp(-1j * phase[span])).reshape(count, part).sum(axis=1)
    window = np.hanning(_PARTS // 2 + 2)[1:-1]
    at = inner[0] + part * (2.0 * np.arange((count - _PARTS // 2) // 2 + 1) + _PARTS / 4.0)
    middle = inner[0] + part * (np.arange(count) + 0.5)
    share = 0.0
    for _ in range(_TURNS):
        rows: Complexes = np.lib.stride_tricks.sliding_window_view(sums, _PARTS // 2)[::2] @ window
        whole = advance_of(rows) / (2.0 * part)
        # what is left turns slowly
        off, weight = np.unwrap(np.angle(rows * np.exp(-1j * whole * (at - at[0])))), np.abs(rows)
        smooth = _smoothed(at, off, weight)
        sums = sums * np.exp(-1j * (smooth(middle) + whole * (middle - at[0])))
        phase = phase + smooth(n) + whole * (n - at[0])
        share = float(np.abs(np.sum(weight * np.exp(1j * (off - smooth(at)))))) / float(np.sum(weight))
    return phase if share > _EVEN else None


def _smoothed(at: Reals, values: Reals, weight: Reals) -> Callable[[Reals], Floats]:
    """A polynomial through ``values`` (r,) of half-overlapping rows, of the degree that they call for (Schwarz 1978)."""
    middle, half = float(at.mean()), max(1.0, 0.5 * float(np.ptp(at)))
    place, count = (at - middle) / half, at.size * _OVERLAP
    best = np.inf
    fit: Reals = np.zeros(1)
    for degree in range(int(np.clip((at.size - 1) // _FRAMES_A_DEGREE, 0, _DEGREES)) + 1):
        one = np.polynomial.polynomial.polyfit(place, values, degree, w=weight)
        left = float(np.sum((weight * (values - np.polynomial.polynomial.polyval(place, one))) ** 2))
        told = count * float(np.log(max(left, 1e-300))) + degree * float(np.log(count))
        if told < best:
            best, fit = told, one
    return lambda n: np.asarray(np.polynomial.polynomial.polyval((n - middle) / half, fit))


def _envelope(turned: Complexes, inner: tuple[int, int], length: int) -> Complexes:
    """Amplitude and phase (n,) of what turns back to a slow value: straight lines between as few instants as rows of so
    many samples within ``inner`` call for, level beyond."""
    first, last = inner
    count = max(2, (last - first) // length)
    edges = np.linspace(first, last, count + 1).astype(np.int64)
    rows: Complexes = np.asarray(
        np.add.reduceat(turned[:last], edges[:-1]) / np.diff(edges), dtype=np.complex128
    )
    # what else there is changes from row to row
    spread = float(np.median(np.abs(np.diff(rows)) ** 2)) / (2.0 * np.log(2.0))
    apart, knots = straight_lines(rows, np.full(count, 1.0 / max(spread, 1e-300)))
    place = (np.arange(turned.size) - first) / ((last - first) / count) / apart
    return 2.0 * np.asarray(np.interp(np.clip(place, 0.0, count / apart), np.arange(knots.size), knots))
