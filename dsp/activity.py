"""Where anything is sent at all: energy above the floor in boxes of time and frequency.

The record is whitened and looked at in spectra of several lengths (`dsp.boxes`); boxes of one octave that touch in time
are one stretch of activity.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.boxes import FEWEST_FRAMES, Hits, hits_in, look_of
from dsp.continued import continued
from dsp.noise import NoiseFloor
from dsp.source import Floats, Record, Watch

_FRAMES = (16, 64, 256, 1024, 4096, 16384)
# enough to see what stands out clearly
FEWER_FRAMES = (32, 256, 2048)
BLOCK = 1 << 17
# frequencies at which a filter's gain is worked out: no fewer than there are lines to tell apart
_GAINS = 1 << 14
# frequencies at which the floor is asked for within the main lobe of a short spectrum
_LOBE = 33
_UNWATCHED = Watch()


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


def filtered(
    samples: Floats, rate_hz: float, gain: Callable[[Floats], Floats], *, predicted: bool = False
) -> Floats:
    """Zero-phase filter by a gain per frequency, with neither end of the stretch seeing the other.

    The samples are continued by odd reflection and faded out, so that a filter of large range is not
    shown a jump where the stretch ends; or by what they let predict, so that it is shown no step under a carrier either.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    n = samples.size
    pad = min(n - 1, 2048)
    if pad < 1:
        return samples
    total = next_fast_len(n + 2 * pad, real=True)
    fade = 0.5 - 0.5 * np.cos(np.pi * (np.arange(pad) + 0.5) / pad)
    whole = np.zeros(total, dtype=samples.dtype)
    if predicted:
        before, after = continued(samples[::-1], pad)[::-1], continued(samples, pad)
    else:
        before = 2.0 * samples[0] - samples[pad:0:-1]
        after = 2.0 * samples[-1] - samples[-2 : -pad - 2 : -1]
    whole[:pad] = before * fade
    whole[pad : pad + n] = samples
    whole[pad + n : 2 * pad + n] = after * fade[::-1]
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
        return part * np.float32(1.0 / np.sqrt(noise.usual_variance))

    def gain(hz: Floats) -> Floats:
        level = noise.density(hz) * noise.line_ratio(hz) ** 2 * record.rate_hz / 2.0
        out = 1.0 / np.sqrt(level)
        out[0] = 0.0
        return np.asarray(out)

    white = filtered(part, record.rate_hz, gain, predicted=True)
    # of few samples what they are continued by has a level of its own, which taking out the whole's leaves in them
    white -= white.mean()
    return white


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
    return np.asarray(noise.usual_variance / (seen * (noise.rate_hz / 2.0)), np.float32)


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

    longest = max((stop - start for start, stop in blocks), default=0)
    looks = [
        look_of(frame, threshold, weights(noise, frame, np.arange(2, frame // 2)))
        for frame in frames
        if FEWEST_FRAMES * frame <= longest
    ]
    hits: list[Hits] = []
    for i, block in enumerate(blocks):
        watch.at(i / len(blocks))
        white = whitened(record, noise, *block)
        some_silent = covered is not None and bool(covered.size)
        if covered is not None and some_silent:
            silence(white, block, covered)
        hits.extend(hits_in(white, block[0], looks, some_silent=some_silent))
    return sorted(_joined(record, hits), key=lambda active: active.start)


def blocks_of(record: Record) -> list[tuple[int, int]]:
    """All of a record in blocks that are worked on at a time."""
    return [(a, min(s.last, a + BLOCK)) for s in record.stretches for a in range(s.first, s.last, BLOCK)]


def silence(white: NDArray[np.float32], block: tuple[int, int], covered: Floats) -> None:
    """Zero what lies in spans of the record."""
    inside = covered[(covered[:, 1] > block[0]) & (covered[:, 0] < block[1])]
    for start, stop in inside.tolist():
        white[max(0, int(start) - block[0]) : max(0, int(stop) + 1 - block[0])] = 0.0


def _joined(record: Record, hits: list[Hits]) -> Iterator[Active]:
    """Boxes of one octave that touch in time, joined."""
    if not hits:
        return
    names = ("start", "stop", "box_start", "box_stop", "low_bin", "bins", "octave", "nats")
    start, stop, box_start, box_stop, low_bin, bins, octave, nats = (
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
                int(box_start[top]),
                int(box_stop[top]),
                (float(low_bin[top]) - 0.5) * step_hz,
                (float(low_bin[top] + bins[top]) - 0.5) * step_hz,
                int(frame[top]),
                float(nats[top]),
            )
            stretch = record.stretch_at(box.start)
            first, last = int(start[mine[a]]), int(reach[b - 1])
            yield Active(max(stretch.first, first), min(stretch.last, last), number, box)
