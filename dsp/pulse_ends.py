"""Where transmissions of smooth pulses begin and end.

Tails of the symbols inside reach beyond an end, and those of the last symbol into the one before: judged as rectangles,
symbols are longer and shorter than they are. With the pulse known (`dsp.pulse`), symbols further in are taken off, and each
further out multiplies the odds by its own likelihood ratio, given those before it: decision feedback (Proakis, Digital
Communications, section 9.5) with a filter matched to the pulse.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.correlate import log_cosh
from dsp.end_noise import ALIKE, EndNoise
from dsp.ends import AWAY, Ends, decide_ends, outward_sums, run_nats
from dsp.fits import Fits, Flags, Ints
from dsp.pulse import REACH, Pulse, seen
from dsp.runs import MARGIN, Runs, join, runs_of, turned_symbols
from dsp.source import Floats

# symbols at an end that tell its timing and carrier
_LINE = 24
# how often ends that have moved as far as they may are looked at again
_ROUNDS = 4
# symbols that an end may lie beyond what it must keep within
_OVER = 0.6
_NEVER = -1e3


@dataclass(frozen=True, eq=False)
class Room:
    """Samples that transmissions may reach into: ``walls`` (w,) none may cross, and all ``starts`` and ``stops`` (n,)."""

    walls: Floats
    starts: Floats
    stops: Floats

    @classmethod
    def shared(cls, walls: Floats, starts: Floats, stops: Floats) -> Room:
        """The same where two may claim the same samples: each has half of them, or both would lose them to the other."""
        order = np.argsort(starts, kind="stable")
        starts, stops = starts[order], stops[order]
        where, middle = 0.5 * (starts[1:] + stops[:-1]), 0.5 * (starts + stops)
        # what covers the other one's middle is no neighbour's end
        both = (starts[1:] < stops[:-1]) & (middle[:-1] < where) & (where < middle[1:])
        return cls(
            walls,
            np.append(starts[:1], np.where(both, where, starts[1:])),
            np.append(np.where(both, where, stops[:-1]), stops[-1:]),
        )

    def of(self, middle: Floats) -> tuple[Floats, Floats]:
        """From where to where (b,) the transmission about each ``middle`` (b,) may reach."""
        lows = np.sort(np.concatenate((self.walls, self.stops)))
        highs = np.sort(np.concatenate((self.walls, self.starts)))
        low = lows[np.maximum(np.searchsorted(lows, middle, "right") - 1, 0)]
        high = highs[np.minimum(np.searchsorted(highs, middle, "left"), highs.size - 1)]
        return low, high


@dataclass(frozen=True, eq=False)
class _Lines:
    """Starts and then ends of b transmissions, (2, b) each: edge, period and carrier there, and the outermost symbol.

    ``out`` (2, 1) is the direction of time outwards.
    """

    edge: Floats
    period: Floats
    angle: Floats
    slope: Floats
    amplitude: Floats
    symbol: Ints
    out: Ints


def _lines(runs: Runs) -> _Lines:
    outer = np.stack((runs.offset[:-1], runs.offset[1:] - 1))
    out = np.array([[-1], [1]])
    inner = outer - out * (np.minimum(runs.count, _LINE) - 1)
    mids = 0.5 * (runs.starts + runs.stops)
    first, last = np.minimum(outer, inner), np.maximum(outer, inner)
    period = (runs.stops[last] - runs.starts[first]) / (last - first + 1)
    apart = np.where(outer == inner, 1.0, mids[outer] - mids[inner])
    slope = (runs.angles[outer] - runs.angles[inner]) / apart
    edge = np.stack((runs.starts[outer[0]], runs.stops[outer[1]]))
    return _Lines(
        edge,
        period,
        runs.angles[outer] + slope * (edge - mids[outer]),
        slope,
        runs.gains[outer] * np.sqrt(2.0 * runs.variance / (runs.stops[outer] - runs.starts[outer])),
        outer,
        out,
    )


def pulse_nats(runs: Runs, pulse: Pulse, low: Floats, high: Floats) -> tuple[Floats, Floats]:
    """Log-odds (b, 13) of six symbols fewer to six more, at the starts and at the ends of ``runs``, for `decide_ends`.

    None lies beyond ``low`` or ``high`` (b,) but for half a symbol.
    """
    lines, parts = _lines(runs), pulse.parts
    inside, size = AWAY + REACH, 2 * (AWAY + REACH)
    count = runs.count
    # outwards from the edges, in parts of a symbol
    steps = np.arange(-inside * parts, (size - inside) * parts + 1) / parts
    edges = lines.edge[:, :, None] + (lines.out * lines.period)[:, :, None] * steps
    edges[0] = edges[0, :, ::-1]
    flat = edges.reshape(2 * len(runs), -1)
    pull, weight = (
        values.reshape(2, len(runs), size, parts)
        for values in seen(
            runs.turned,
            pulse.variance,
            flat,
            lines.angle.ravel(),
            lines.slope.ravel(),
            lines.edge.ravel(),
            lines.amplitude.ravel(),
        )
    )
    pull[0], weight[0] = pull[0, :, ::-1, ::-1].copy(), weight[0, :, ::-1, ::-1].copy()
    shape = np.stack((pulse.shape[::-1, ::-1], pulse.shape))[:, None]
    # signs decided already, of the outermost symbol inwards
    place = np.arange(inside + REACH)
    at = np.clip(lines.symbol[:, :, None] - lines.out[:, :, None] * place, 0, runs.symbols.size - 1)
    sign = np.where(place < count[:, None], np.where(runs.symbols.real[at] > 0.0, 1.0, -1.0), 0.0)
    for number in range(inside + REACH - 1, AWAY - 1, -1):
        _take_off(pull, weight, shape, sign[:, :, number], inside - 1 - number)
    nats = np.empty((2, len(runs), 2 * AWAY))
    for column in range(2 * AWAY):
        here = slice(column, column + 2 * REACH + 1)
        told = np.sum(pull[:, :, here] * shape, axis=(2, 3))
        number = AWAY - 1 - column
        own = np.where(told > 0.0, 1.0, -1.0)
        if number > 0:
            # a neighbour that is not taken off yet may hide the sign of a symbol that is decided
            own = np.where(sign[:, :, number] != 0.0, sign[:, :, number], own)
        gained = np.where(own * told > 0.0, log_cosh(told), own * told - np.log(2.0))
        nats[:, :, column] = gained - 0.5 * np.sum(weight[:, :, here] * shape**2, axis=(2, 3))
        _take_off(pull, weight, shape, own, column + REACH)
    k = np.arange(-AWAY, AWAY)
    near, far = (
        lines.edge[:, :, None] + (lines.out * lines.period)[:, :, None] * (k + side) for side in (0, 1)
    )
    over = _OVER * lines.period[:, :, None]
    beyond = (np.minimum(near, far) < low[:, None] - over) | (np.maximum(near, far) > high[:, None] + over)
    nats[beyond] = _NEVER
    return outward_sums(nats[0]), outward_sums(nats[1])


def _take_off(pull: Floats, weight: Floats, shape: Floats, sign: Floats, column: int) -> None:
    """Take the symbol ``column`` of those that parts are of, which has this ``sign`` (2, b), off the parts it reaches."""
    first, last = max(0, column - REACH), min(pull.shape[2], column + REACH + 1)
    here = slice(first - column + REACH, last - column + REACH)
    pull[:, :, first:last] -= weight[:, :, first:last] * shape[:, :, here] * sign[:, :, None, None]


def decide_pulse_ends(fits: Fits, pulse: Pulse, room: Room) -> tuple[Fits, Ends]:
    """`dsp.ends.decide_ends` of transmissions of smooth pulses; what was taken for a pause is looked through."""
    for _ in range(_ROUNDS):
        low, high = room.of(fits.middle)
        fits = replace(fits, low=np.minimum(fits.low, low), high=np.maximum(fits.high, high))
        before = fits
        fits, ends = decide_ends(fits, known=pulse_nats(runs_of(fits), pulse, fits.low, fits.high))
        moved = (
            np.rint((before.start - fits.start) / fits.period),
            np.rint((fits.stop - before.stop) / fits.period),
        )
        if max(float(side.max(initial=0.0)) for side in moved) < AWAY:
            break
    return fits, ends


def decide_followed_ends(
    runs: Runs, pulse: Pulse | None, room: Room, noise: EndNoise = ALIKE
) -> tuple[Runs, Ends]:
    """The same of transmissions that were followed, each by itself; of rectangles, in this ``noise``, without a pulse."""
    for _ in range(_ROUNDS):
        low, high = room.of(0.5 * (runs.first + runs.last))
        known = run_nats(runs, low, high, noise) if pulse is None else pulse_nats(runs, pulse, low, high)
        weights = []
        for nats in known:
            weight = np.exp(nats - nats.max(axis=1, keepdims=True))
            weights.append(weight / weight.sum(axis=1, keepdims=True))
        more, after = (weight.argmax(axis=1) - AWAY for weight in weights)
        runs = resized(runs, more, after)
        # only smooth pulses are taken for pauses
        if pulse is None or max(int(more.max(initial=0)), int(after.max(initial=0))) < AWAY:
            break
    return runs, Ends(weights[0].max(axis=1), weights[1].max(axis=1))


def resized(runs: Runs, more: Ints, after: Ints) -> Runs:
    """With so many symbols (b,) ``more`` at each start and ``after`` each end, or fewer where negative."""
    return _made_anew(runs, more, after, (more != 0) | (after != 0))


def remade(runs: Runs, some: Flags) -> Runs:
    """With what the samples between their edges hold, for ``some`` (b,) whose edges have moved."""
    none = np.zeros(len(runs), dtype=np.int64)
    return _made_anew(runs, none, none, some)


def _made_anew(runs: Runs, more: Ints, after: Ints, some: Flags) -> Runs:
    if not some.any():
        return runs
    lines = _lines(runs)
    return join(
        [
            _resized(runs, lines, row, int(more[row]), int(after[row]))
            if some[row]
            else runs.take(np.array([row]))
            for row in range(len(runs))
        ]
    )


def _resized(runs: Runs, lines: _Lines, row: int, more: int, after: int) -> Runs:
    a, b = int(runs.offset[row]), int(runs.offset[row + 1])
    count, turned = b - a, runs.turned
    # edges and symbols by their numbers, with what lies beside
    k = np.arange(-more - MARGIN, count + after + MARGIN + 1)
    edges = np.append(runs.starts[a:b], runs.stops[b - 1])[np.clip(k, 0, count)]
    edges += lines.period[0, row] * np.minimum(k, 0) + lines.period[1, row] * np.maximum(k - count, 0)
    mids, k = 0.5 * (edges[1:] + edges[:-1]), k[:-1]
    within = a + np.clip(k, 0, count - 1)
    before, behind = (
        lines.angle[side, row] + lines.slope[side, row] * (mids - lines.edge[side, row]) for side in (0, 1)
    )
    angles = np.where(k < 0, before, np.where(k >= count, behind, runs.angles[within]))
    gains, lengths = runs.gains[within], np.diff(edges)
    y, template, side = turned_symbols(
        turned.sums_of(edges), angles, 1.0 / np.sqrt(runs.variance * lengths / 2.0), lengths
    )
    y = np.where((edges[:-1] >= -0.5) & (edges[1:] <= turned.length + 0.5), y, 0.0)
    cut = slice(MARGIN, k.size - MARGIN)
    nats = log_cosh(gains * y.real) - 0.5 * gains**2 * template.real
    return Runs(
        turned, runs.variance, np.array([0, count + more + after]), edges[:-1][cut], edges[1:][cut], y[cut], gains[cut],
        template[cut], side[cut], angles[cut], runs.omega[row : row + 1], runs.drift[row : row + 1],
        np.array([float(nats[cut].sum())]), y[None, :MARGIN], y[None, -MARGIN:],
    )  # fmt: skip
