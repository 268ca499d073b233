"""Cutting active stretches into transmissions: on or off along time, in the band where the energy is.

A two-state hidden Markov chain over the energies of short frames: off frames are exponential around the
floor, on frames around a higher mean; the best path (Viterbi 1967) pays for each change of state.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.activity import Active, silence, weights, whitened
from dsp.frames import frame_energy
from dsp.noise import NoiseFloor
from dsp.on_off import path_through, turns_of
from dsp.source import Floats, Record

_CHANGE_NATS = 6.0
# share of what the best frame length tells from which on a shorter one is taken
_NEARLY = 0.8
# samples of a long stretch that are looked at in one place
_WINDOW = 1 << 14


@dataclass(frozen=True)
class Piece:
    """Samples ``[start, stop)`` that look like one transmission, to about ``frame`` samples at its ends.

    ``ratio`` is the mean energy over the floor within ``low_hz`` to ``high_hz``.
    """

    start: int
    stop: int
    low_hz: float
    high_hz: float
    frame: int
    ratio: float
    bins: int = 2

    @property
    def energy(self) -> float:
        """Signal energy over noise variance: the sum of ``g^2`` over the symbols, if there are any."""
        return max(0.0, self.ratio - 1.0) * self.bins * 2.0 * (self.stop - self.start) / self.frame

    @property
    def nats(self) -> float:
        count = (self.stop - self.start) / self.frame
        return count * (self.ratio - 1.0 - float(np.log(max(self.ratio, 1.0))))


def band_energy(
    white: NDArray[np.float32], noise: NoiseFloor, frame: int, band_hz: tuple[float, float]
) -> tuple[Floats, int]:
    """Energy over the floor of Hann frames with half overlap, within a band; and how many bins that is.

    ``white`` (n,) are samples as `whitened` gives them.
    """
    if white.size < frame:
        return np.zeros(0), 1
    hz = np.fft.rfftfreq(frame, 1.0 / noise.rate_hz)
    inside = (hz >= band_hz[0]) & (hz <= band_hz[1])
    inside[0] = inside[-1] = False
    if not inside.any():
        inside[min(hz.size - 2, max(1, int(np.argmin(np.abs(hz - sum(band_hz) / 2.0)))))] = True
    bins = np.flatnonzero(inside)
    weight = np.zeros(hz.size, dtype=np.float32)
    flat = weights(noise, frame, bins)
    # a Hann window's squares add up to three eighths of its length
    weight[bins] = (1.0 if flat is None else flat) / np.float32(0.375 * frame * bins.size)
    return frame_energy(white, frame, frame // 2, weight).astype(np.float64), bins.size


def windows_of(record: Record, active: Active, most: int = 4) -> list[Active]:
    """An active stretch, or of a long one the most telling part and some others spread over it."""
    box = active.best
    length = int(np.clip(160 * box.frame, _WINDOW, 4 * _WINDOW))
    if active.stop - active.start <= 2 * length:
        return [active]
    middles = [(box.start + box.stop) // 2]
    for middle in (
        np.linspace(active.start + length / 2, active.stop - length / 2, most - 1).astype(int).tolist()
    ):
        if all(abs(middle - other) >= length for other in middles):
            middles.append(middle)
    out = []
    for middle in sorted(middles):
        start = max(active.start, middle - length // 2)
        out.append(Active(start, min(active.stop, start + length), active.octave, box))
    return out


def cut(record: Record, noise: NoiseFloor, active: Active, covered: Floats | None = None) -> list[Piece]:
    """The transmissions within an active stretch, in time order.

    Of several frame lengths the one whose runs explain the energies best is taken; a shorter one that does
    nearly as well shows gaps more sharply. What is ``covered`` (n, 2) counts as silent.
    """
    box = active.best
    stretch = record.stretch_at(active.start)
    centre = (box.low_hz + box.high_hz) / 2.0
    half = (box.high_hz - box.low_hz) / 2.0
    margin = 4 * box.frame
    low, high = max(stretch.first, active.start - margin), min(stretch.last, active.stop + margin)
    white = whitened(record, noise, low, high)
    if covered is not None and covered.size:
        silence(white, (low, high), covered)
    rows: list[_Row] = []
    for frame in (box.frame // 16, box.frame // 8, box.frame // 4, box.frame // 2, box.frame):
        if frame < 8:
            continue
        start, stop = max(low, active.start - 4 * frame), min(high, active.stop + 4 * frame)
        wide = max(half, record.rate_hz / frame)
        band = (max(0.0, centre - wide), min(record.rate_hz / 2.0, centre + wide))
        energy, bins = band_energy(white[start - low : stop - low], noise, frame, band)
        rows.append(_row(energy, bins, start, stop, frame, band))
    tried: list[tuple[float, list[Piece]]] = []
    for number, row in enumerate(rows):
        tried.append(_pieces(row))
        most = max(nats for nats, _ in tried)
        nats, pieces = next(one for one in tried if one[0] >= min(most, _NEARLY * most))
        # what the longer ones cannot reach need not be worked out
        if all(nats >= _NEARLY * longer.bound for longer in rows[number + 1 :]):
            return pieces
    return []


@dataclass(frozen=True, eq=False)
class _Row:
    """Energies (n,) of frames in a band, what a frame of them tells for each nat of one bin, and how far they reach.

    ``most`` (n + 1,) are running sums of what each frame would tell if it had a level of its own. No run tells more
    than its frames do by themselves, since ``r - 1 - ln r`` is convex.
    """

    energy: Floats
    bins: int
    start: int
    stop: int
    frame: int
    band_hz: tuple[float, float]
    weight: float
    most: Floats

    @property
    def bound(self) -> float:
        """What all runs together can tell at the most."""
        return max(0.0, float(self.most[-1]) - 2.0 * _CHANGE_NATS)


def _row(energy: Floats, bins: int, start: int, stop: int, frame: int, band: tuple[float, float]) -> _Row:
    # overlapping frames tell things twice
    weight = 0.6 * max(1.0, bins / 1.7)
    over = np.maximum(energy, 1.0)
    return _Row(energy, bins, start, stop, frame, band, weight, _sums(weight * (over - 1.0 - np.log(over))))


def _pieces(row: _Row) -> tuple[float, list[Piece]]:
    """Nats and pieces of the runs that explain a row of energies best."""
    if row.energy.size == 0:
        return 0.0, []
    hop = row.frame // 2
    runs = _joined(_recut(row, 1.5, 0, row.energy.size))
    nats = _nats_of(_sums(row.energy), runs, row.weight)
    pieces = [
        Piece(
            max(row.start, row.start + a * hop),
            min(row.stop, row.start + (b + 1) * hop),
            *row.band_hz,
            row.frame,
            float(row.energy[a:b].mean()),
            row.bins,
        )
        for a, b in runs
    ]
    return nats, pieces


def _sums(energy: Floats) -> Floats:
    return np.concatenate(([0.0], np.cumsum(energy)))


def _nats_of(sums: Floats, runs: list[tuple[int, int]], weight: float) -> float:
    """What taking each run as a transmission of its own mean level gains over calling it noise.

    ``sums`` are the running sums of the energies.
    """
    told = 0.0
    for begin, end in runs:
        ratio = max(1.0, float(sums[end] - sums[begin]) / (end - begin))
        told += (end - begin) * weight * (ratio - 1.0 - math.log(ratio)) - 2.0 * _CHANGE_NATS
    return told


def _recut(row: _Row, level: float, begin: int, end: int) -> list[tuple[int, int]]:
    """Runs at the assumed on level that explains the energies best; each run is then tried at higher ones."""
    if row.most[end] - row.most[begin] <= 2.0 * _CHANGE_NATS:
        # not worth two changes, whatever the level
        return []
    part, weight = row.energy[begin:end], row.weight
    highest = float(part.max(initial=1.0))
    if level > highest:
        return []
    sums = _sums(part)
    best: list[tuple[int, int]] = []
    best_nats = -np.inf
    best_level = level
    while level <= highest:
        # the sum of weight (part (1 - 1 / level) - ln level), which turns where its terms change sign
        slope, least = 1.0 - 1.0 / level, math.log(level)
        places = turns_of(part * slope > least)
        runs = path_through(places, weight * (slope * sums[places] - least * places), _CHANGE_NATS)
        nats = _nats_of(sums, runs, weight)
        if runs and nats > best_nats:
            best, best_nats, best_level = runs, nats, level
        level *= 1.7
    if not best:
        return []
    out: list[tuple[int, int]] = []
    for a, b in _between(best, part.size):
        # what is weak beside something strong is only seen once that is set aside
        out.extend(_recut(row, 1.5, begin + a, begin + b))
    for a, b in best:
        whole, inner = _nats_of(sums, [(a, b)], weight), []
        # two at least, or it stays whole
        told = float(row.most[begin + b] - row.most[begin + a]) - 4.0 * _CHANGE_NATS
        if 4 < b - a < end - begin and told > whole:
            inner = _recut(row, best_level * 1.7, begin + a, begin + b)
        gained = _nats_of(sums, [(c - begin, d - begin) for c, d in inner], weight)
        split = len(inner) > 1 and gained > whole
        out.extend(inner if split else [(begin + a, begin + b)])
    return sorted(out)


def _joined(runs: list[tuple[int, int]], least: int = 8) -> list[tuple[int, int]]:
    """Runs with less than four frames between them made one.

    Between short frames the energy of smooth pulses dips at every flip; a real pause shows again once the
    symbol period is known.
    """
    out: list[tuple[int, int]] = []
    for a, b in runs:
        if out and a - out[-1][1] < least:
            out[-1] = (out[-1][0], b)
        else:
            out.append((a, b))
    return out


def _between(runs: list[tuple[int, int]], size: int) -> list[tuple[int, int]]:
    """The stretches clear of all runs by three frames that are at least eight frames long."""
    edges = [0, *(x for a, b in runs for x in (a - 3, b + 3)), size]
    gaps = list(zip(edges[::2], edges[1::2], strict=True))
    return [(max(0, a), min(size, b)) for a, b in gaps if b - a >= 8]
