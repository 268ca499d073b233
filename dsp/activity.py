"""Where anything is sent at all: energy above the floor in boxes of time and frequency.

The record is whitened, cut into Hann frames of several lengths (a frame as long as a symbol collects
a symbol's energy with the least noise), and energy is summed over boxes of frames and neighbouring
bins. A box of ``k`` equivalent ordinates with mean ratio ``r`` to the floor has the log-likelihood
ratio ``k (r - 1 - ln r)`` against noise alone (exponential ordinates).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from dsp.noise import NoiseFloor
from dsp.source import Floats, Record, Watch

_FRAMES = (16, 64, 256, 1024, 4096, 16384)
# enough to see what stands out clearly
FEWER_FRAMES = (32, 256, 2048)
BLOCK = 1 << 17
_TALLEST = 128
# frequencies at which a filter's gain is worked out: no fewer than there are lines to tell apart
_GAINS = 1 << 14
# frequencies at which the floor is asked for within the main lobe of a short spectrum
_LOBE = 33
_UNWATCHED = Watch()
# equivalent independent ordinates of 2, 4, 8 neighbouring Hann bins (power correlation 4/9, 1/36)
_BINS_EQUIVALENT = {2: 1.385, 4: 2.36, 8: 4.40}
_OVERLAP_EQUIVALENT = 1.0 / (1.0 + 2.0 / 36.0)


@dataclass(frozen=True)
class Box:
    """Energy found between samples ``start`` and ``stop`` and between two frequencies."""

    start: int
    stop: int
    low_hz: float
    high_hz: float
    frame: int
    nats: float


@dataclass(frozen=True)
class Active:
    """Contiguous samples ``[start, stop)`` in which boxes of one octave were found, and the most telling one.

    ``octave`` is how many times the centre must be doubled to come above half the sample rate.
    """

    start: int
    stop: int
    octave: int
    best: Box


def filtered(samples: Floats, rate_hz: float, gain: Callable[[Floats], Floats]) -> Floats:
    """Zero-phase filter by a gain per frequency, with neither end of the stretch seeing the other.

    The samples are continued by odd reflection and faded out, so that a filter of large range is not
    shown a jump where the stretch ends.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    n = samples.size
    pad = min(n - 1, 2048)
    if pad < 1:
        return samples
    total = next_fast_len(n + 2 * pad, real=True)
    fade = 0.5 - 0.5 * np.cos(np.pi * (np.arange(pad) + 0.5) / pad)
    whole = np.zeros(total, dtype=samples.dtype)
    whole[:pad] = (2.0 * samples[0] - samples[pad:0:-1]) * fade
    whole[pad : pad + n] = samples
    whole[pad + n : 2 * pad + n] = (2.0 * samples[-1] - samples[-2 : -pad - 2 : -1]) * fade[::-1]
    spectrum = rfft(whole)
    spectrum *= _spread(gain, spectrum.size, rate_hz / total).astype(samples.dtype)
    return np.asarray(irfft(spectrum, total)[pad : pad + n])


def _spread(gain: Callable[[Floats], Floats], count: int, step_hz: float) -> Floats:
    """A gain at ``count`` frequencies: worked out at some of them, and the same for those next to each.

    Floors are smooth, and steady lines wider than such a step.
    """
    every = max(1, count // _GAINS)
    coarse = gain((np.arange(0, count + every, every) + (every - 1) / 2.0) * step_hz)
    return np.repeat(coarse, every)[:count]


def found_nats(samples: int) -> float:
    """What a box must reach to be looked at, among those of so many samples.

    There are some thirty boxes a sample, and noise exceeds ``x`` nats in about ``exp(-x)`` of them: one or two
    in ten records of noise are looked at for nothing, which the fit then finds out.
    """
    return 6.0 + float(np.log(max(samples, 2)))


def whitened(record: Record, noise: NoiseFloor, start: int, stop: int) -> NDArray[np.float32]:
    """Samples ``[start, stop)`` of unit variance over a flat floor, steady lines taken out.

    A gentle floor stays as it is: of spectra it is told by `weights`.
    """
    part = record.read_centred(start, stop)
    if noise.gentle:
        return part * np.float32(1.0 / np.sqrt(_level(noise)))

    def gain(hz: Floats) -> Floats:
        level = noise.density(hz) * noise.line_ratio(hz) ** 2 * record.rate_hz / 2.0
        out = 1.0 / np.sqrt(level)
        out[0] = 0.0
        return np.asarray(out)

    white = filtered(part, record.rate_hz, gain)
    # of few samples what they are continued by has a level of its own, which taking out the whole's leaves in them
    white -= white.mean()
    return white


def _level(noise: NoiseFloor) -> float:
    """Variance of a sample, were the floor everywhere as it is at most frequencies."""
    return float(np.median(noise.floor)) * noise.rate_hz / 2.0


def weights(noise: NoiseFloor, frame: int, bins: NDArray[np.integer[Any]]) -> NDArray[np.float32] | None:
    """What makes ``bins`` (b,) of squared spectra of `whitened` samples those of a flat floor (b,); None if they are that.

    A Hann window gathers what its main lobe covers.
    """
    if noise.even or not noise.gentle:
        return None
    step_hz = noise.rate_hz / frame
    hz = bins * step_hz
    if frame < noise.floor_hz.size:
        off = np.linspace(-2.0, 2.0, _LOBE)
        # the window's spectrum (Harris 1978), squared
        lobe = (np.sinc(off) + 0.5 * (np.sinc(off - 1.0) + np.sinc(off + 1.0))) ** 2
        # what lies beyond zero and half the sample rate is seen from this side
        half = noise.rate_hz / 2.0
        around = half - np.abs(half - np.abs(hz[:, None] + off * step_hz))
        seen = noise.density(around) @ (lobe / lobe.sum())
    else:
        seen = np.asarray(noise.density(hz))
    return np.asarray(_level(noise) / (seen * (noise.rate_hz / 2.0)), np.float32)


def find_activity(
    record: Record,
    noise: NoiseFloor,
    watch: Watch = _UNWATCHED,
    *,
    blocks: list[tuple[int, int]] | None = None,
    covered: Floats | None = None,
    threshold_nats: float | None = None,
    frames: tuple[int, ...] = _FRAMES,
) -> list[Active]:
    """Stretches in which more than the floor is on the line, for each octave of frequency, in time order.

    Only ``blocks`` ``[start, stop)`` of samples are looked at, each within a stretch (default: all), and what is
    ``covered`` (n, 2) in them counts as silent. ``frames`` are the lengths of the spectra.
    """
    blocks = blocks_of(record) if blocks is None else blocks
    total = sum(b - a for a, b in blocks)
    threshold = found_nats(total) if threshold_nats is None else threshold_nats

    flat = [(frame, weights(noise, frame, np.arange(2, frame // 2))) for frame in frames]

    def look(block: tuple[int, int]) -> list[_Hits]:
        white = whitened(record, noise, *block)
        if covered is not None and covered.size:
            silence(white, block, covered)
        return list(_hits(white, block[0], threshold, flat))

    hits: list[_Hits] = []
    for i, block in enumerate(blocks):
        watch.at(i / len(blocks))
        hits.extend(look(block))
    return sorted(_joined(record, hits), key=lambda active: active.start)


def blocks_of(record: Record) -> list[tuple[int, int]]:
    """All of a record in blocks that are worked on at a time."""
    return [(a, min(s.last, a + BLOCK)) for s in record.stretches for a in range(s.first, s.last, BLOCK)]


def silence(white: NDArray[np.float32], block: tuple[int, int], covered: Floats) -> None:
    """Zero what lies in spans of the record."""
    inside = covered[(covered[:, 1] > block[0]) & (covered[:, 0] < block[1])]
    for start, stop in inside.tolist():
        white[max(0, int(start) - block[0]) : max(0, int(stop) + 1 - block[0])] = 0.0


@dataclass(frozen=True, eq=False)
class _Hits:
    """Boxes over the threshold, as arrays (h,), of one frame length and one block."""

    frame: int
    start: NDArray[np.int64]
    stop: NDArray[np.int64]
    low_bin: NDArray[np.int64]
    bins: NDArray[np.int64]
    octave: NDArray[np.int64]
    nats: NDArray[np.float64]


def _hits(
    white: NDArray[np.float32],
    origin: int,
    threshold: float,
    frames_of: list[tuple[int, NDArray[np.float32] | None]],
) -> Iterator[_Hits]:
    """Boxes over the threshold; ``frames_of`` are lengths of spectra, each with its `weights`."""
    from scipy.fft import rfft

    for frame, weight in frames_of:
        if frame * 3 > white.size:
            break
        window = np.hanning(frame + 1)[:-1].astype(np.float32)
        window /= np.float32(np.sqrt(np.sum(window.astype(np.float64) ** 2)))
        frames = sliding_window_view(white, frame)[:: frame // 2]
        # the longer of the two axes lies along memory
        order: Literal["F", "C"] = "F" if frames.shape[0] > frame else "C"
        power = np.empty((frames.shape[0], frame // 2 - 2), dtype=np.float32, order=order)
        rows = max(1, (1 << 15) // frame)
        live = _live(white, frame)
        if 2 * live.size < frames.shape[0]:
            power[:] = 0.0
        else:
            live = np.arange(frames.shape[0])
        for a in range(0, live.size, rows):
            at: slice | NDArray[np.int64] = live[a : a + rows]
            if live.size == frames.shape[0]:
                at = slice(a, a + rows)
            # a Hann window lets what is left at zero frequency into the first bin as well
            spectrum = rfft(frames[at] * window, axis=1)[:, 2:-1]
            power[at] = spectrum.real**2 + spectrum.imag**2
        if weight is not None:
            power *= weight
        yield from _boxes(power, frame, origin, threshold)


def _live(white: NDArray[np.float32], frame: int) -> NDArray[np.int64]:
    """Numbers of the half-overlapping frames that are not silent all along."""
    hop = frame // 2
    cells = (white[: white.size // hop * hop] != 0.0).reshape(-1, hop).any(axis=1)
    return np.flatnonzero(cells[:-1] | cells[1:])


def _boxes(power: NDArray[np.float32], frame: int, origin: int, threshold: float) -> Iterator[_Hits]:
    """Boxes of neighbouring frames and bins whose energy is over the threshold, the best of each octave."""
    hop = frame // 2
    widths = (2, 4, 8) if frame <= 64 else (2, 4)
    tall, energy = 2, power[:-1] + power[1:]
    while energy.shape[0]:
        weights = [(1.0 + (tall - 1) * _OVERLAP_EQUIVALENT) * _BINS_EQUIVALENT[wide] for wide in widths]
        limits = [
            float(np.float32(ratio_of(threshold / weight) * tall * wide))
            for wide, weight in zip(widths, weights, strict=True)
        ]
        narrow, sums, top = 1, energy, float(energy.max(initial=0.0))
        for number, (wide, weight) in enumerate(zip(widths, weights, strict=True)):
            # a box holds no more than as many narrower ones as fill it hold at the most
            if not any(
                top * (w / narrow) > limit for w, limit in zip(widths[number:], limits[number:], strict=True)
            ):
                break
            sums = _paired(sums, narrow)
            if not sums.shape[1]:
                break
            narrow, top = wide, float(sums.max())
            if not top > limits[number]:
                continue
            row, column, octave, value = _over(sums, np.float32(limits[number]), frame, wide)
            ratio = value.astype(np.float64) / (tall * wide)
            start = origin + row * (tall // 2) * hop
            yield _Hits(
                frame,
                start,
                start + (tall + 1) * hop,
                column * (wide // 2) + 2,
                np.full(row.size, wide),
                octave,
                weight * (ratio - 1.0 - np.log(ratio)),
            )
        if 2 * tall > min(power.shape[0], _TALLEST) or energy.shape[0] < 3:
            break
        first = energy[:-2:2]
        tall, energy = 2 * tall, first + energy[2::2][: first.shape[0]]


def _paired(sums: NDArray[np.float32], narrow: int) -> NDArray[np.float32]:
    """Sums over boxes twice as wide as ``narrow`` bins, each beginning half its width after the one before."""
    if narrow == 1:
        return np.asarray(sums[:, :-1] + sums[:, 1:])
    if sums.shape[1] < 3:
        return sums[:, :0]
    left = sums[:, :-2:2]
    return np.asarray(left + sums[:, 2::2][:, : left.shape[1]])


def _over(
    sums: NDArray[np.float32], limit: np.float32, frame: int, wide: int
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.float32]]:
    """Row, column, octave and value of the largest sum of each row and octave that is over the limit."""
    side = np.arange(sums.shape[1]) * (wide // 2)
    middle = (side + 1.5 + wide / 2.0) * 2.0 / frame
    octaves = np.floor(-np.log2(np.minimum(middle, 1.0))).astype(np.int64)
    begins = np.concatenate(([0], np.flatnonzero(np.diff(octaves)) + 1))
    ends = np.concatenate((begins[1:], [sums.shape[1]]))
    rows, columns = [], []
    # octaves lie one after the other in the order of the columns
    tops = sums.max(axis=0)
    for a, b in zip(begins.tolist(), ends.tolist(), strict=True):
        if not float(tops[a:b].max()) > limit:
            continue
        part = sums[:, a:b]
        row = np.flatnonzero(part.max(axis=1) > limit)
        rows.append(row)
        columns.append(a + np.argmax(part[row], axis=1))
    row, column = np.concatenate(rows), np.concatenate(columns)
    return row, column, octaves[column], sums[row, column]


def ratio_of(nats: float) -> float:
    """The ratio of mean energy to the floor at which ``ratio - 1 - ln ratio`` reaches ``nats``."""
    # Newton's method from above, where the function is convex
    ratio = 2.0 + nats + math.sqrt(2.0 * nats)
    for _ in range(8):
        ratio -= (ratio - 1.0 - math.log(ratio) - nats) / (1.0 - 1.0 / ratio)
    return ratio


def _joined(record: Record, hits: list[_Hits]) -> Iterator[Active]:
    """Boxes of one octave that touch in time, joined."""
    if not hits:
        return
    names = ("start", "stop", "low_bin", "bins", "octave", "nats")
    start, stop, low_bin, bins, octave, nats = (
        np.concatenate([getattr(h, name) for h in hits]) for name in names
    )
    frame = np.concatenate([np.full(h.start.size, h.frame) for h in hits])
    for number in np.unique(octave).tolist():
        mine = np.flatnonzero(octave == number)
        mine = mine[np.argsort(start[mine], kind="stable")]
        reach = np.maximum.accumulate(stop[mine])
        begins = np.concatenate(([0], np.flatnonzero(start[mine][1:] > reach[:-1]) + 1))
        for a, b in zip(begins.tolist(), [*begins[1:].tolist(), mine.size], strict=True):
            top = mine[a + int(np.argmax(nats[mine[a:b]]))]
            step_hz = record.rate_hz / float(frame[top])
            box = Box(
                int(start[top]),
                int(stop[top]),
                (float(low_bin[top]) - 0.5) * step_hz,
                (float(low_bin[top] + bins[top]) - 0.5) * step_hz,
                int(frame[top]),
                float(nats[top]),
            )
            stretch = record.stretch_at(box.start)
            first, last = int(start[mine[a]]), int(reach[b - 1])
            yield Active(max(stretch.first, first), min(stretch.last, last), number, box)
