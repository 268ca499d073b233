"""The shape of a talker's pulses, where symbols are no rectangles, as its own symbols show it.

What is sent is ``sum_k b_k p(t - k T)``: with the signs ``b`` decided, the pulse follows from the symbols that have
neighbours on either side by linear least squares (Proakis, Digital Communications, section 10.3: estimation of a
dispersive channel from decided symbols), part of a symbol by part of a symbol, each part with the energy that the carrier
has in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.correlate import Turned, cos_sin
from dsp.runs import Runs
from dsp.source import Floats

# symbols to either side that a pulse reaches into: tails of raised cosines farther out are below 3 % of its middle
REACH = 2
# parts of a symbol, and samples that each has at least
_PARTS, _PART_SAMPLES = 8, 1.5
# symbols that tell whether there is a shape at all, and that tell it: a thousandth of a symbol's energy is off then
_LOOKED_AT, _TOLD_BY = 512, 4096
# inner symbols below which next to nothing is told
_FEWEST = 12
# standard deviation of a pulse's parts, over its middle, from what they are thought to be before: a rectangle, and what
# all talkers of a line share (half the difference of raised cosines with the least and the most excess bandwidth)
_FROM_RECTANGLE, _FROM_SHARED = 0.5, 0.1
# power by which lengths of smooth symbols vary more than noise makes them, at least (measured, fits to raised cosines at
# 14 dB: 1.4 to 2.2; the noise of a few hundred rectangles comes to 1.1 in one of six)
_UNEVEN = 1.1
# share of what symbols tell by which a shape must tell more than a rectangle: less moves no decision at an end to speak of,
# and what so strong symbols have that samples at edges make a shape of their own comes to less
_WORTH = 0.02


@dataclass(frozen=True, eq=False)
class Pulse:
    """``shape`` (5, m): what a symbol adds, over its amplitude, to each of the ``m`` parts of the symbols from two before
    it to two after it. ``variance`` is that of the noise of a sample, as what the shape leaves of them tells it.
    """

    shape: Floats
    variance: float

    @property
    def parts(self) -> int:
        return int(self.shape.shape[1])

    @property
    def energy(self) -> float:
        """Energy of the pulse, which a filter matched to it gathers, over that of a rectangle of the same amplitude."""
        return float(np.sum(self.shape**2)) / self.parts


def pulse_of(runs: Runs, shared: Pulse | None = None) -> Pulse | None:
    """The pulse that the symbols of ``runs`` show; None if a rectangle is as good.

    ``shared`` is that of all talkers, from which one with few symbols does not differ much.
    """
    parts = shared.parts if shared else int(np.clip(float(np.median(runs.period)) / _PART_SAMPLES, 2, _PARTS))
    inner = _inner(runs)
    if inner.size < _FEWEST:
        return shared
    if shared is None and not _uneven(runs, inner):
        return None
    # what is asked of most that are left, and answered no
    first = _fitted(runs, inner[_evenly(inner.size, _LOOKED_AT)], parts, shared)
    if inner.size <= _LOOKED_AT or (first is None and shared is None):
        return first
    return _fitted(runs, inner[_evenly(inner.size, _TOLD_BY)], parts, shared)


def _inner(runs: Runs) -> np.ndarray:
    """Numbers of the symbols with enough neighbours on either side."""
    place = np.arange(runs.symbols.size) - np.repeat(runs.offset[:-1], runs.count)
    left = np.repeat(runs.count, runs.count) - 1 - place
    return np.flatnonzero((place >= REACH) & (left >= REACH))


def _uneven(runs: Runs, inner: np.ndarray) -> bool:
    """Whether symbols differ in length by more than they do across the phase, as those of smooth pulses do."""
    some = inner[_evenly(inner.size, _TOLD_BY)]
    along = np.abs(runs.symbols.real[some]) - runs.gains[some] * runs.templates.real[some]
    across = runs.symbols.imag[some]
    return float(along @ along) > _UNEVEN * float(across @ across)


def _evenly(count: int, most: int) -> np.ndarray:
    return np.unique(np.linspace(0, count - 1, min(count, most)).astype(np.int64))


def _fitted(runs: Runs, inner: np.ndarray, parts: int, shared: Pulse | None) -> Pulse | None:
    pull, weight = seen_of(runs, inner, parts, runs.variance)
    sign = np.where(runs.symbols.real > 0.0, 1.0, -1.0)
    # column j: the symbol whose part j this is
    bits = sign[inner[:, None] + REACH - np.arange(2 * REACH + 1)]
    flat = np.zeros((2 * REACH + 1, parts))
    flat[REACH] = 1.0
    before, held = (flat, _FROM_RECTANGLE**-2.0) if shared is None else (shared.shape, _FROM_SHARED**-2.0)
    matrix = np.einsum("sm,si,sj->mij", weight, bits, bits)
    right = np.einsum("sm,si->mi", pull, bits)
    shape = np.linalg.solve(matrix + held * np.eye(2 * REACH + 1), (right + held * before.T)[:, :, None])[
        :, :, 0
    ]
    # log-likelihood of this shape, and of the best rectangle
    mine = float(np.sum(shape * right) - 0.5 * np.einsum("mi,mij,mj->", shape, matrix, shape))
    flatly = float(right[:, REACH].sum()) ** 2 / (2.0 * float(matrix[:, REACH, REACH].sum()))
    if mine - flatly < shape.size + _WORTH * flatly:
        return None
    left = pull - weight * np.einsum("mi,si->sm", shape, bits)
    known = weight > 1e-3 * float(weight.mean())
    noise = float(np.sum(left[known] ** 2 / weight[known])) / max(1, int(known.sum()) - shape.size)
    return Pulse(np.ascontiguousarray(shape.T), noise * runs.variance)


def seen_of(runs: Runs, some: np.ndarray, parts: int, variance: float) -> tuple[Floats, Floats]:
    """What the ``parts`` of ``some`` symbols (b,) show, as `seen`, in noise of this ``variance`` of a sample."""
    first, last = runs.offset[:-1], runs.offset[1:] - 1
    slope = (runs.angles[last] - runs.angles[first]) / np.maximum(runs.stops[last] - runs.stops[first], 1.0)
    period = runs.stops[some] - runs.starts[some]
    return seen(
        runs.turned,
        variance,
        runs.starts[some, None] + period[:, None] * np.arange(parts + 1) / parts,
        runs.angles[some],
        slope[runs.owner[some]],
        0.5 * (runs.starts[some] + runs.stops[some]),
        runs.gains[some] * np.sqrt(2.0 * runs.variance / period),
    )


def seen(
    turned: Turned,
    variance: float,
    edges: Floats,
    angle: Floats,
    slope: Floats,
    middle: Floats,
    amplitude: Floats,
) -> tuple[Floats, Floats]:
    """What the stretches between ``edges`` (b, k + 1) show of a carrier: ``u`` and ``w``, each (b, k).

    Being ``a`` times as strong as ``amplitude`` (b,) there is likelier than silence by ``a u - a^2 w / 2`` natural units.
    The carrier's phase against the turned one is ``angle`` (b,) at ``middle`` (b,) and rises by ``slope`` (b,) a sample.
    """
    sums = turned.sums_of(edges)
    mids = 0.5 * (edges[:, 1:] + edges[:, :-1])
    cos, sin = cos_sin(angle[:, None] + slope[:, None] * (mids - middle[:, None]))
    pull = (sums.z.real * cos + sums.z.imag * sin) * (amplitude / variance)[:, None]
    energy = sums.length + sums.double_re * (cos * cos - sin * sin) - sums.double_im * (2.0 * sin * cos)
    return pull, np.maximum(energy, 0.0) * (amplitude**2 / (2.0 * variance))[:, None]
