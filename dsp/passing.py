"""Tones that come and go beside what is sent, found so that they can be taken off: ripple of a load that runs now and then.

Where one has a steady frequency it stands out of spectra of frames far longer than symbols, frame after frame, and
its phase goes on evenly through them, which that of nothing that is sent does. When it begins and ends is told by the
samples: of a known tone in white noise of variance v the log-likelihood ratio of being on is (2 x s - s^2) / (2 v) a
sample, and its ends are those of the largest sum (Page 1954, on changes at an unknown time).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.on_off import best_run
from dsp.source import Record, Stretch
from dsp.tones import Complexes, Floats, Tone, Tones

Ints = NDArray[np.int64]

# samples of a frame: each length finds tones that last for some frames, and those of other lengths less well
_FRAMES = (512, 2048, 8192, 32768)
_FEWEST_FRAMES = 7
# samples of the longest stretch that is looked through, and of frames that are transformed at a time
_LONGEST, _AT_ONCE = 1 << 24, 1 << 20
# bins beside a tone that the window spreads it over, and those beyond that tell what else there is
_LOBE, _BESIDE = 3, 8
# the lowest bin that has some of these below it
_LOWEST = _LOBE + 1
# times that by which it stands out in each frame: of noise one ordinate in 1e5 does
_STANDS_OUT = 12.0
# frames that it may be hidden in
_HIDDEN = 2
# share of the power of a tone's frames that one even phase explains
_EVEN = 0.85
# by what of a cycle over all of it a frequency may differ from a tone's
_SAME = 1.0
# parts in which phase and amplitude are measured
_PARTS = 16
# rounds in which weaker ones are found beside stronger, and tones at most in each
_ROUNDS, _AT_MOST = 4, 64


def without_passing_tones(record: Record) -> Record:
    """The record less tones that come and go; as it was if there are none."""
    for _ in range(_ROUNDS):
        found = [tones for stretch in record.stretches for tones in _of_stretch(record, stretch)]
        if not found or len(found) > _AT_MOST:
            break
        record = record.less(found)
    return record


def is_passing(record: Record, carrier_hz: float) -> bool:
    """Whether one of the tones that were taken off has such a frequency, as well as it lets that be told."""
    to_hz = record.rate_hz / (2.0 * np.pi)
    return any(
        abs(tone.omega * to_hz - carrier_hz) < _SAME * record.rate_hz / (tones.last - tones.first)
        for tones in record.known
        if isinstance(tones, Tones)
        for tone in tones.tones
    )


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


def _of_stretch(record: Record, stretch: Stretch) -> list[Tones]:
    """What can be taken off at once: of tones that several frame lengths show, or that lie beside stronger ones, one."""
    if len(stretch) > _LONGEST:
        return []
    tracks = [
        track
        for frame in _FRAMES
        if len(stretch) >= _FEWEST_FRAMES * frame // 2
        for track in _tracks(*_peaks(record, stretch, frame), frame)
    ]
    # the longest frames tell the frequency best
    tracks.sort(key=lambda track: (-track.frame, track.start - track.stop))
    out: list[Tones] = []
    taken: list[tuple[float, int, int]] = []
    for track in tracks:
        hz = float(np.median(track.bins)) / track.frame
        near = 2.0 * (_LOBE + _BESIDE) / track.frame
        if any(
            abs(hz - other) < near and track.start < stop and start < track.stop
            for other, start, stop in taken
        ):
            continue
        tones = _fitted(record, stretch, track)
        if tones is not None:
            out.append(tones)
            taken.append((hz, tones.first - stretch.first, tones.last - stretch.first))
    return out


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


def _fitted(record: Record, stretch: Stretch, track: _Track) -> Tones | None:
    """The tone of a track from its beginning to its end; None if its phase does not go on evenly."""
    low, high = max(0, track.start - track.frame), min(len(stretch), track.stop + track.frame)
    values = record.read_centred(stretch.first + low, stretch.first + high).astype(np.float64)
    a, b = track.start - low, track.stop - low
    # frames at either end may hold it in part only
    inner = slice(a + track.frame // 2, b - track.frame // 2)
    omega = _omega(values[inner], 2.0 * np.pi * float(np.median(track.bins)) / track.frame, track.frame)
    if omega is None:
        return None
    n = np.arange(values.size)
    turned = values * np.exp(-1j * omega * n)
    amplitude = 2.0 * complex(turned[inner].mean())
    shape = (amplitude * np.exp(1j * omega * n)).real
    _, first, last = (int(x[0]) for x in best_run((2.0 * values * shape - shape * shape)[None, :]))
    if last - first < track.frame:
        return None
    # all of it tells the frequency better
    turned = turned[first:last]
    means = np.array([part.mean() for part in np.array_split(turned, _PARTS)])
    lever = (np.arange(_PARTS) - 0.5 * (_PARTS - 1)) * (turned.size / _PARTS)
    phase = np.angle(means * np.conj(means.mean()))
    weight = np.abs(means) ** 2
    more = float(np.sum(weight * lever * phase) / max(np.sum(weight * lever**2), 1e-300))
    turned *= np.exp(-1j * more * np.arange(turned.size))
    # counted from its own first sample
    amplitude = 2.0 * complex(turned.mean()) * np.exp(1j * omega * first)
    start = stretch.first + low + first
    return Tones(
        start, start + last - first, (Tone(omega + more, last - first, np.array([amplitude, amplitude])),)
    )


def _omega(values: Floats, rough: float, frame: int) -> float | None:
    """Radians a sample of a tone close to ``rough``; None if one even phase does not explain its frames."""
    part = frame // 2
    count = values.size // part
    if count < _FEWEST_FRAMES - 3:
        return None
    n = np.arange(count * part)
    window = np.hanning(part + 2)[1:-1]
    rows: Complexes = (values[: n.size] * np.exp(-1j * rough * n)).reshape(count, part) @ window
    size = 1 << int(np.ceil(np.log2(8 * count)))
    spectrum = np.abs(np.fft.fft(rows, size)) ** 2
    top = int(np.argmax(spectrum))
    if spectrum[top] < _EVEN * count * float(np.sum(np.abs(rows) ** 2)):
        return None
    turn = top if top <= size // 2 else top - size
    return rough + 2.0 * np.pi * turn / size / part
