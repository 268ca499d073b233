"""Where anything is sent at all: energy above the floor in boxes of time and frequency.

The record is whitened, cut into Hann frames of several lengths (a frame as long as a symbol collects
a symbol's energy with the least noise), and energy is summed over boxes of frames and neighbouring
bins. A box of ``k`` equivalent ordinates with mean ratio ``r`` to the floor has the log-likelihood
ratio ``k (r - 1 - ln r)`` against noise alone (exponential ordinates).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from dsp.noise import NoiseFloor
from dsp.source import Floats, Record, Stretch, Watch

# nats; one box in about 10^13 of pure noise reaches it
FOUND_NATS = 30.0
_FRAMES = (16, 64, 256, 1024, 4096, 16384)
_BLOCK = 1 << 18
_BINS = (2, 4, 8)
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
    spectrum *= gain(np.fft.rfftfreq(total, 1.0 / rate_hz))
    return np.asarray(irfft(spectrum, total)[pad : pad + n])


def whitened(record: Record, noise: NoiseFloor, start: int, stop: int) -> Floats:
    """Samples ``[start, stop)`` filtered to unit variance and a flat floor, steady lines taken out."""
    part = record.read(start, stop)
    part -= part.mean()

    def gain(hz: Floats) -> Floats:
        level = noise.density(hz) * noise.line_ratio(hz) ** 2 * record.rate_hz / 2.0
        out = 1.0 / np.sqrt(level)
        out[0] = 0.0
        return np.asarray(out)

    return filtered(part, record.rate_hz, gain)


def _pad(stretch: Stretch, start: int, stop: int, margin: int) -> tuple[int, int]:
    return max(stretch.first, start - margin), min(stretch.last, stop + margin)


def find_activity(
    record: Record, noise: NoiseFloor, watch: Watch, threshold_nats: float = FOUND_NATS
) -> list[Active]:
    """Stretches in which more than the floor is on the line, for each octave of frequency, in time order."""
    found: list[Active] = []
    total = max(1, record.samples)
    done = 0
    for stretch in record.stretches:
        boxes: dict[int, list[Box]] = {}
        for start in range(stretch.first, stretch.last, _BLOCK):
            watch.at(done / total)
            stop = min(stretch.last, start + _BLOCK)
            low, high = _pad(stretch, start, stop, 1 << 15)
            if high - low >= 64:
                white = whitened(record, noise, low, high).astype(np.float32)
                for octave, box in _boxes_of_block(white, low, record.rate_hz, threshold_nats):
                    boxes.setdefault(octave, []).append(box)
            done += stop - start
        for octave, inside in boxes.items():
            found.extend(_join(octave, inside, stretch))
    return sorted(found, key=lambda active: active.start)


def _join(octave: int, boxes: list[Box], stretch: Stretch) -> list[Active]:
    """Boxes that touch in time, joined."""
    out: list[Active] = []
    for box in sorted(boxes, key=lambda box: box.start):
        start, stop = max(stretch.first, box.start), min(stretch.last, box.stop)
        if out and start <= out[-1].stop:
            last = out[-1]
            best = box if box.nats > last.best.nats else last.best
            out[-1] = Active(last.start, max(last.stop, stop), octave, best)
        else:
            out.append(Active(start, stop, octave, box))
    return out


def _boxes_of_block(
    white: NDArray[np.float32], origin: int, rate_hz: float, threshold: float
) -> list[tuple[int, Box]]:
    boxes: list[tuple[int, Box]] = []
    for frame in _FRAMES:
        if frame * 3 > white.size:
            break
        hop = frame // 2
        window = np.hanning(frame + 1)[:-1].astype(np.float32)
        frames = sliding_window_view(white, frame)[::hop] * window
        # a Hann window lets what is left at zero frequency into the first bin as well
        spectrum = np.fft.rfft(frames, axis=1)[:, 2:-1]
        power = (spectrum.real**2 + spectrum.imag**2) / np.float32(np.sum(window**2))
        boxes.extend(_boxes_of_frames(power.astype(np.float32), frame, origin, rate_hz, threshold))
    return boxes


def _boxes_of_frames(
    power: NDArray[np.float32], frame: int, origin: int, rate_hz: float, threshold: float
) -> list[tuple[int, Box]]:
    boxes: list[tuple[int, Box]] = []
    count, bins = power.shape
    hop = frame // 2
    sums = np.zeros((count + 1, bins))
    np.cumsum(power, axis=0, dtype=np.float64, out=sums[1:])
    step_hz = rate_hz / frame
    tall = 2
    while tall <= min(count, 128):
        stride = max(1, tall // 2)
        rows = np.arange(0, count - tall + 1, stride)
        energy = sums[rows + tall] - sums[rows]
        for wide in _BINS:
            if wide > bins or (wide == 8 and frame > 64):
                break
            across = np.cumsum(np.pad(energy, ((0, 0), (1, 0))), axis=1)
            sides = np.arange(0, bins - wide + 1, max(1, wide // 2))
            ratio = np.maximum((across[:, sides + wide] - across[:, sides]) / (tall * wide), 1.0)
            weight = (1.0 + (tall - 1) * _OVERLAP_EQUIVALENT) * _BINS_EQUIVALENT[wide]
            nats = weight * (ratio - 1.0 - np.log(ratio))
            middles = (sides + 1.5 + wide / 2.0) * 2.0 / frame
            octaves = np.floor(-np.log2(np.minimum(middles, 1.0))).astype(np.int64)
            for octave in np.unique(octaves):
                inside = np.flatnonzero(octaves == octave)
                top = inside[np.argmax(nats[:, inside], axis=1)]
                best = nats[np.arange(rows.size), top]
                for i in np.flatnonzero(best > threshold):
                    low_bin = int(sides[top[i]]) + 2
                    box = Box(
                        origin + int(rows[i]) * hop,
                        origin + (int(rows[i]) + tall + 1) * hop,
                        (low_bin - 0.5) * step_hz,
                        (low_bin + wide - 0.5) * step_hz,
                        frame,
                        float(best[i]),
                    )
                    boxes.append((int(octave), box))
        tall *= 2
    return boxes
