"""Where anything is sent at all: energy above the floor in boxes of time and frequency.

The record is whitened, cut into Hann frames of several lengths (a frame as long as a symbol collects
a symbol's energy with the least noise), and energy is summed over boxes of frames and neighbouring
bins. A box of ``k`` equivalent ordinates with mean ratio ``r`` to the floor has the log-likelihood
ratio ``k (r - 1 - ln r)`` against noise alone (exponential ordinates).
"""

from __future__ import annotations

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
    """Contiguous samples ``[start, stop)`` in which boxes were found, and the most telling of them."""

    start: int
    stop: int
    best: Box


def whitened(record: Record, noise: NoiseFloor, start: int, stop: int) -> Floats:
    """Samples ``[start, stop)`` filtered to unit variance and a flat floor, steady lines taken out."""
    part = record.read(start, stop)
    part -= part.mean()
    size = part.size
    spectrum = np.fft.rfft(part)
    hz = np.fft.rfftfreq(size, 1.0 / record.rate_hz)
    level = noise.density(hz) * noise.line_ratio(hz) ** 2 * record.rate_hz / 2.0
    spectrum /= np.sqrt(level)
    spectrum[0] = 0.0
    return np.fft.irfft(spectrum, size)


def _pad(stretch: Stretch, start: int, stop: int, margin: int) -> tuple[int, int]:
    return max(stretch.first, start - margin), min(stretch.last, stop + margin)


def find_activity(
    record: Record, noise: NoiseFloor, watch: Watch, threshold_nats: float = FOUND_NATS
) -> list[Active]:
    """Stretches in which more than the floor is on the line, in time order."""
    found: list[Active] = []
    total = max(1, record.samples)
    done = 0
    for stretch in record.stretches:
        cell = 8
        cells = len(stretch) // cell + 1
        best = np.zeros(cells, dtype=np.float32)
        which = np.full(cells, -1, dtype=np.int64)
        boxes: list[Box] = []
        for start in range(stretch.first, stretch.last, _BLOCK):
            watch.at(done / total)
            stop = min(stretch.last, start + _BLOCK)
            low, high = _pad(stretch, start, stop, 1 << 15)
            if high - low >= 64:
                white = whitened(record, noise, low, high).astype(np.float32)
                for box in _boxes_of_block(white, low, record.rate_hz, threshold_nats):
                    a = (box.start - stretch.first) // cell
                    b = max(a + 1, (box.stop - stretch.first) // cell)
                    part = slice(max(0, a), min(cells, b))
                    better = best[part] < box.nats
                    best[part][better] = box.nats
                    which[part][better] = len(boxes)
                    boxes.append(box)
            done += stop - start
        found.extend(_join(best > 0.0, which, boxes, stretch, cell))
    return found


def _join(
    active: NDArray[np.bool_], which: NDArray[np.int64], boxes: list[Box], stretch: Stretch, cell: int
) -> list[Active]:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], active.astype(np.int8), [0]))))
    out = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        inside = [boxes[i] for i in np.unique(which[a:b]) if i >= 0]
        top = max(inside, key=lambda box: box.nats)
        out.append(
            Active(stretch.first + int(a) * cell, min(stretch.last, stretch.first + int(b) * cell), top)
        )
    return out


def _boxes_of_block(white: NDArray[np.float32], origin: int, rate_hz: float, threshold: float) -> list[Box]:
    boxes: list[Box] = []
    for frame in _FRAMES:
        if frame * 3 > white.size:
            break
        hop = frame // 2
        window = np.hanning(frame + 1)[:-1].astype(np.float32)
        frames = sliding_window_view(white, frame)[::hop] * window
        spectrum = np.fft.rfft(frames, axis=1)[:, 1:-1]
        power = (spectrum.real**2 + spectrum.imag**2) / np.float32(np.sum(window**2))
        boxes.extend(_boxes_of_frames(power, frame, origin, rate_hz, threshold))
    return boxes


def _boxes_of_frames(
    power: NDArray[np.float32], frame: int, origin: int, rate_hz: float, threshold: float
) -> list[Box]:
    boxes: list[Box] = []
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
            ratio = (across[:, sides + wide] - across[:, sides]) / (tall * wide)
            top = np.argmax(ratio, axis=1)
            r = np.maximum(ratio[np.arange(rows.size), top], 1.0)
            weight = (1.0 + (tall - 1) * _OVERLAP_EQUIVALENT) * _BINS_EQUIVALENT[wide]
            nats = weight * (r - 1.0 - np.log(r))
            for i in np.flatnonzero(nats > threshold):
                low_bin = int(sides[top[i]]) + 1
                boxes.append(
                    Box(
                        origin + int(rows[i]) * hop,
                        origin + (int(rows[i]) + tall + 1) * hop,
                        (low_bin - 0.5) * step_hz,
                        (low_bin + wide - 0.5) * step_hz,
                        frame,
                        float(nats[i]),
                    )
                )
        tall *= 2
    return boxes
