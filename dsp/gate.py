"""Where in a long record a known kind of transmission may be: a cheap pass, so that silence costs little.

Energy around the carrier is summed over Hann frames about as long as a symbol, and over some symbols' worth of
frames. What stays near the floor is skipped; what is let through is looked at again with all that is known.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from dsp.boxes import ratio_of
from dsp.extract import Model
from dsp.frames import frame_energy
from dsp.halves import in_halves
from dsp.noise import NoiseFloor
from dsp.source import Floats, Record, Watch

# a record no longer than this is let through as a whole
_WHOLE = 1 << 18
_BLOCK = 1 << 20
_MANY_BLOCKS = 48
_SYMBOLS = 14.0
_MARGIN_SYMBOLS = 10.0
# natural units of energy over the floor in a stretch of some symbols: noise passes once in some fifty
_PASS_NATS = 4.0
# and the part of what is to be expected of the link's own symbols that is enough, if that is less
_PASS_SHARE = 0.25
# the same of so many frames: those of a talker that is much weaker than the others still show it within some
_NEAR, _NEAR_NATS = 3, 2.0
# energy of a frame over the floor that noise alone mostly stays under
_NOTHING = 1.3
# length of a symbol, sqrt(2 Es/N0), of which half the frames show enough
_STRONG = 4.5
# times a steady line may be stronger than where it was measured
_SPARE = 4.0


def spans_of(
    record: Record, noise: NoiseFloor, model: Model, noise_scale: float, watch: Watch
) -> list[tuple[int, int]]:
    """Spans ``[start, stop)`` in samples, in rising order, with some symbols of room on either side."""
    if record.samples <= _WHOLE:
        return [(s.first, s.last) for s in record.stretches]
    frame = 1 << int(np.clip(np.ceil(np.log2(model.period)), 4, 14))
    jobs: list[tuple[int, int]] = []
    for stretch in record.stretches:
        size = max(_BLOCK // frame, 4) * frame
        jobs.extend((a, min(stretch.last, a + size)) for a in range(stretch.first, stretch.last, size))
    weights = _weights(record, noise, model, frame) / noise_scale
    margin = int(_MARGIN_SYMBOLS * model.period) + frame
    spans: list[tuple[int, int]] = []

    def look(job: tuple[int, int]) -> list[tuple[int, int]]:
        return _active(record, job, frame, weights, model)

    # of few the second process costs more than it saves
    shareable = isinstance(record.source, np.ndarray) and len(jobs) > _MANY_BLOCKS
    for job, found in zip(jobs, in_halves(look, jobs, shareable, watch), strict=True):
        stretch = record.stretch_at(job[0])
        for a, b in found:
            start, stop = max(stretch.first, a - margin), min(stretch.last, b + margin)
            if spans and start <= spans[-1][1] and spans[-1][0] >= stretch.first:
                spans[-1] = (spans[-1][0], max(stop, spans[-1][1]))
            else:
                spans.append((start, stop))
    return spans


def _weights(record: Record, noise: NoiseFloor, model: Model, frame: int) -> NDArray[np.float32]:
    """What makes the mean over bins one for noise alone, for each bin of a frame; 0 outside the band."""
    hz = np.fft.rfftfreq(frame, 1.0 / record.rate_hz)
    reach = max(record.rate_hz / model.period, 1.5 * record.rate_hz / frame)
    inside = np.abs(hz - model.carrier_hz) <= reach
    inside[0] = inside[-1] = False
    if not inside.any():
        inside[int(np.clip(np.argmin(np.abs(hz - model.carrier_hz)), 1, hz.size - 2))] = True
    # a frame's energy in a bin with a Hann window of unit mean square, over the density
    level = noise.density(hz) * _lines_within(noise, hz) * record.rate_hz / 2.0 * frame * 0.375
    return np.where(inside, 1.0 / (level * np.count_nonzero(inside)), 0.0).astype(np.float32)


def _lines_within(noise: NoiseFloor, hz: Floats) -> Floats:
    """What the bins of a frame hold over the floor because of steady lines (bins,), with some to spare.

    A line is as narrow as the spectra that showed it; in the wider bins of a short frame, among all the noise there, it
    counts for less, and a carrier that it stands beside is still seen.
    """
    at = np.flatnonzero(noise.lines > 1.0)
    if not at.size:
        return np.ones_like(hz)
    step_hz, own_hz = float(hz[1]), float(noise.lines_hz[1] - noise.lines_hz[0])
    place = np.rint(noise.lines_hz[at] / step_hz).astype(np.int64)
    share = min(1.0, own_hz / step_hz) * (noise.lines[at] - 1.0)
    held = np.bincount(np.minimum(place, hz.size - 1), share, hz.size)
    # the main lobe of a Hann frame is four bins wide
    wide = np.convolve(held, np.ones(5), "same")
    return 1.0 + _SPARE * wide


def _active(
    record: Record, job: tuple[int, int], frame: int, weights: NDArray[np.float32], model: Model
) -> list[tuple[int, int]]:
    """Spans of one block in which the energy stands out."""
    start, stop = job
    if stop - start < frame:
        return [job]
    # a level is in the lowest two bins of a Hann frame alone: without them it need not be taken off
    stored = None if weights[:2].any() else record.stored_whole(start, stop)
    hop = _hop(model, frame)
    if stored is None:
        energy = frame_energy(record.read_centred(start, stop), frame, hop, weights)
    else:
        energy = frame_energy(stored, frame, hop, weights * np.float32(record.scale**2))
    count = energy.size
    bands = np.count_nonzero(weights)
    together = max(1, min(count, round(_SYMBOLS * model.period / hop)))
    # equivalent independent ordinates of neighbouring Hann bins; half-overlapping frames are nearly independent
    ordinates = 0.9 * together * max(1.0, bands / 1.9)
    # the energy of a Hann frame's symbols, g^2 / 2 over the floor for each, spread over the bins of their band
    excess = 0.5 * model.gain**2 * (frame / model.period) / max(1, int(bands))
    due = ordinates * (excess - math.log1p(excess))
    threshold = ratio_of(min(_PASS_NATS, _PASS_SHARE * due) / ordinates)
    sums = np.concatenate(([0.0], np.cumsum(energy, dtype=np.float64)))
    mean = (sums[together:] - sums[:-together]) / together
    on = np.zeros(count + 1, dtype=np.int64)
    hits = np.flatnonzero(mean > threshold)
    np.add.at(on, hits, 1)
    np.add.at(on, hits + together, -1)
    active = np.cumsum(on)[:-1] > 0
    edges = np.flatnonzero(np.diff(np.concatenate(([0], active.astype(np.int8), [0]))))
    first, last = edges[::2], edges[1::2]
    if model.gain > _STRONG:
        first, last = _without_silence(sums, first, last, ordinates / together)
    reach = max(frame, hop)
    spans = [
        (start + a * hop, start + (b - 1) * hop + reach)
        for a, b in zip(first.tolist(), last.tolist(), strict=True)
    ]
    # a rest shorter than a frame at the end is let through
    rest = start + (count - 1) * hop + reach
    return [*spans, (rest, stop)] if rest < stop else spans


def _without_silence(
    sums: Floats, first: NDArray[np.int64], last: NDArray[np.int64], ordinates: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows of frames ``[first, last)`` without those at either end that show no more than noise does by itself.

    ``sums`` (frames + 1,) are running sums of energy, a frame of which has so many equivalent ``ordinates``. A row is
    found as soon as it reaches into a transmission, and most of it may be silence.
    """
    mean = (sums[_NEAR:] - sums[:-_NEAR]) / _NEAR
    seen = np.flatnonzero(mean > ratio_of(_NEAR_NATS / (_NEAR * ordinates)))
    begin, end = np.searchsorted(seen, first), np.searchsorted(seen, last - _NEAR, "right")
    some = begin < end
    first, last = first.copy(), last.copy()
    first[some], last[some] = seen[begin[some]], seen[end[some] - 1] + _NEAR
    # one of the frames that show something together may hold it all
    for _ in range(_NEAR - 1):
        first += some & (sums[first + 1] - sums[first] < _NOTHING)
        last -= some & (sums[last] - sums[last - 1] < _NOTHING)
    return first, last


def _hop(model: Model, frame: int) -> int:
    """Samples from frame to frame: strong transmissions are seen even when every other frame is left out."""
    return 2 * frame if model.gain > _STRONG else frame // 2
