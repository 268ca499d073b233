"""What changes on a carrier: its strength or its frequency between two levels, or its frequency evenly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.features import Mixture, Unit, common_unit, crossings, mixture
from dsp.kinds_carrier import Carried, running_mean
from dsp.source import Floats
from dsp.verdict import weigh

# averaging over longer stretches fights noise, over shorter ones keeps short symbols: all are tried
_WIDTHS = (1, 2, 4, 8)


@dataclass(frozen=True, eq=False)
class Switching:
    """A quantity that dwells at two levels: the clusters, how often it changes, the unit of its dwelling times.

    ``clocked`` is the probability that there is such a unit.
    """

    levels: Mixture
    edges: int
    unit: Unit | None
    clocked: float


def _switching(levels: Mixture, edges: int, gaps: Floats, least: float, least_fit: float) -> Switching:
    """``least`` is the shortest unit in samples that the averaging lets through."""
    unit = common_unit(gaps)
    if unit is None:
        return Switching(levels, edges, None, 0.0)
    sure = (
        weigh(unit.nats, 3.0, 1.0) * weigh(unit.fit, least_fit, 0.05) * weigh(unit.length / least, 1.0, 0.1)
    )
    return Switching(levels, edges, unit, sure)


def frequency_levels(carried: Carried) -> Switching | None:
    """Two frequencies taken by turns while on, in hertz from the centre; None if there is nothing to look at."""
    z, on = carried.z, carried.on
    turn = z[1:] * np.conj(z[:-1])
    inside = (on[1:] & on[:-1]).astype(np.float64)
    best: Switching | None = None
    best_score = -1.0
    for width in (1, 2, 4, 8, 16):
        kept = running_mean(inside, 2 * (2 * width + carried.smooth) + 1) > 0.999
        if kept.sum() < 64:
            break
        mean = running_mean(turn.real, width) + 1j * running_mean(turn.imag, width)
        hz = np.angle(mean) * carried.rate_hz / (2.0 * np.pi)
        two = mixture(hz[kept], 2)
        at, gaps = [], []
        for begin, end in carried.runs:
            part = hz[begin : end - 1][kept[begin : end - 1]]
            at.append(crossings(part, *two.levels)[0])
            gaps.append(np.diff(at[-1]))
        found = _switching(two, sum(a.size for a in at), np.concatenate(gaps), width, 0.4)
        score = weigh(two.separation(), 4.0, 0.2) * (0.05 + found.clocked)
        if score > best_score:
            best, best_score = found, score
    return best


def on_off(carried: Carried) -> Switching:
    """Full strength against the noise, while anything is sent and between."""
    best: Switching | None = None
    for width in _WIDTHS:
        strength = running_mean(np.abs(carried.z), width * carried.smooth)
        full = float(np.quantile(strength[carried.on], 0.9))
        off = min(float(np.sqrt(carried.noise)), 0.3 * full)
        at, _ = crossings(strength, off, full)
        levels = Mixture((off, full), (0.5, 0.5), off)
        found = _switching(levels, at.size, np.diff(at), 0.8 * width * carried.smooth, 0.3)
        if best is None or found.clocked > best.clocked:
            best = found
    assert best is not None
    return best


def strength_levels(carried: Carried) -> Switching | None:
    """Two strengths while on; None if there are too few samples. The lower one may be none at all."""
    best: Switching | None = None
    best_score = -1.0
    for width in _WIDTHS:
        strength = running_mean(np.abs(carried.z), width * carried.smooth)
        full = float(np.quantile(strength[carried.on], 0.9))
        off = float(np.sqrt(carried.noise / (width if width > 1 else 1)))
        present = strength[strength > max(2.0 * off, 0.12 * full)]
        if present.size < 64:
            continue
        two = mixture(present, 2)
        at, up = crossings(strength, *two.levels)
        if at.size < 4:
            continue
        floor = _floor(strength, at, up, two.levels[0])
        # a mean magnitude holds the noise's own: pi / 4 of its power where there is nothing else
        low, high = (max(level**2 - 0.79 * carried.noise, 0.0) ** 0.5 for level in (floor, two.levels[1]))
        levels = Mixture((low, high), two.weights, two.spread)
        found = _switching(levels, at.size, np.diff(at), 0.8 * width * carried.smooth, 0.2)
        score = weigh(two.separation(), 3.1, 0.2) * (0.05 + found.clocked)
        if score > best_score:
            best, best_score = found, score
    return best


def _floor(strength: Floats, at: Floats, up: NDArray[np.bool_], low: float) -> float:
    """The lower level as the middles of short stays there show it: transitions blur the cluster."""
    gaps = np.diff(at)
    down = np.flatnonzero(~up[:-1])
    if down.size == 0:
        return low
    stays = down[gaps[down] <= 4.0 * float(np.median(gaps[down]))]
    middles = np.rint((at[stays] + at[stays + 1]) / 2.0).astype(np.int64)
    return min(low, float(np.median(strength[middles])))


@dataclass(frozen=True)
class Sweep:
    """Frequency running evenly: hertz a second, how far in all, and how well that describes it (1 is wholly)."""

    hz_per_s: float
    span_hz: float
    fit: float


def sweep_of(carried: Carried) -> Sweep:
    """The best of straight frequency runs over each transmission, or over parts of one that starts over."""
    turn = carried.z[1:] * np.conj(carried.z[:-1])
    best = Sweep(0.0, 0.0, 0.0)
    longest = sorted(carried.runs, key=lambda run: run[0] - run[1])[:8]
    for pieces in (24, 64, 256, 1024):
        slopes, weights = [], []
        for begin, end in longest:
            step = max(4, (end - begin) // pieces)
            if (end - begin) // step < 8:
                continue
            sums = np.add.reduceat(turn[begin : end - 1], np.arange(0, end - 1 - begin - step + 1, step))
            hz = np.angle(sums) * carried.rate_hz / (2.0 * np.pi)
            slopes.append(np.diff(hz) * carried.rate_hz / step)
            weights.append(np.diff(hz).size)
        if not slopes:
            continue
        found = _even_slope(slopes, carried, longest)
        if found.fit > best.fit:
            best = found
    return best


def _even_slope(slopes: Sequence[Floats], carried: Carried, runs: list[tuple[int, int]]) -> Sweep:
    every = np.concatenate(slopes)
    typical = float(np.median(np.abs(every)))
    if typical <= 0.0:
        return Sweep(0.0, 0.0, 0.0)
    even = np.abs(np.abs(every) / typical - 1.0) < 0.3
    # noise changes sign from step to step, a sweep keeps it
    kept = np.concatenate([s[1:] * s[:-1] > 0.0 for s in slopes if s.size > 1])
    fit = float(even.mean()) * max(0.0, 2.0 * float(kept.mean()) - 1.0)
    longest = max(end - begin for begin, end in runs) / carried.rate_hz
    sign = 1.0 if float(np.median(every)) > 0.0 else -1.0
    return Sweep(sign * typical, min(typical * longest, 2.0 * carried.half_hz), fit)
