"""Where symbols of a known carrier and period are sent, and a first fit to each transmission.

A symbol's correlation length, its timing taken from whichever of eight grids collects most energy near it,
is Rice distributed where something is sent and Rayleigh where not (Proakis, Digital Communications, section
2.1.4): the log-likelihood ratio is ``ln I0(g |u|) - g^2 / 2``. Runs of such symbols are looked for at the level
of the weakest that is worth anything, then each again at its own, which shows gaps within it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from dsp.bessel import log_bessel_quickly
from dsp.correlate import Complexes, Turned
from dsp.fits import Fits, Flags, Ints, groups_of
from dsp.half_turns import not_half_a_turn_off
from dsp.on_off import change_nats_unphased, on_runs
from dsp.parting import cut_within
from dsp.source import Floats

PHASES = 8
# symbols over which the energy of a grid is averaged
_NEAR = 9
# length of the weakest symbol looked for: one symbol in seventy would be wrong; and where a link is known to be
# weaker: one in twenty
_WEAKEST = 2.2
_WEAKEST_KNOWN = 1.6
# symbols by which a transmission may reach beyond where its energy shows
_LOOSE = 4.0
# cycles a symbol by which carriers may differ for their squares to tell by how much
WIDEST = 0.25
# and by which they may for some to differ by yet half a cycle
_ASIDE = 0.2
LONG = 128
WINDOW = 48


@dataclass(frozen=True, eq=False)
class Grid:
    """Correlations ``u`` (symbols, 8) of unit noise with the turned carrier; column ``p`` starts ``p / 8`` later.

    Symbol ``k`` of column ``p`` covers ``begin + (k + p / 8) period`` and one period from there on. ``weakest`` is
    the length of the weakest symbol that is looked for, ``spread`` by how many cycles a symbol carriers may differ
    from the turned one. ``points`` says that samples are known to be ideal points.
    """

    turned: Turned
    variance: float
    period: float
    begin: float
    u: NDArray[np.complex64]
    energy: NDArray[np.float32]
    weakest: float = _WEAKEST
    spread: float = 0.1
    points: bool = False

    @property
    def count(self) -> int:
        return int(self.u.shape[0])

    @cached_property
    def energy_sums(self) -> Floats:
        """Running sums (symbols + 1, 8) of the energy."""
        sums = np.zeros((self.count + 1, PHASES))
        np.cumsum(self.energy, axis=0, out=sums[1:])
        return sums

    def scaled(self, scale: float) -> Grid:
        """The same with the noise variance ``scale`` times what it was taken for."""
        root = np.float32(1.0 / np.sqrt(scale))
        return Grid(
            self.turned,
            self.variance * scale,
            self.period,
            self.begin,
            self.u * root,
            self.energy * np.float32(1.0 / scale),
            self.weakest,
            self.spread,
            self.points,
        )


def make_grid(
    turned: Turned,
    variance: float,
    period: float,
    begin: float,
    end: float,
    gain: float = _WEAKEST,
    spread: float | None = None,
    *,
    points: bool = False,
) -> Grid:
    """Correlate with symbols of all eight grids between two positions.

    ``gain`` is a symbol's usual length; carriers differ from the turned one by at most ``spread`` cycles a symbol.
    """
    count = max(0, int((end - begin) / period) - 1)
    places = begin + np.arange((count + 1) * PHASES) * (period / PHASES)
    sums = turned.at(places)
    u = (sums[PHASES:] - sums[:-PHASES]) * (1.0 / np.sqrt(variance * period / 2.0))
    u = u.astype(np.complex64).reshape(count, PHASES)
    weakest = float(np.clip(0.9 * gain, _WEAKEST_KNOWN, _WEAKEST))
    if spread is None:
        # talkers differ by a few percent of the carrier; a carrier of few cycles a symbol has an image at minus
        # its own frequency that must not be taken for it
        spread = float(np.clip(0.05 + 0.01 * turned.omega * period / (2.0 * np.pi), 0.05, WIDEST))
    return Grid(turned, variance, period, begin, u, u.real**2 + u.imag**2, weakest, spread, points)


@dataclass(frozen=True, eq=False)
class Parts:
    """Runs of symbols that are on, as arrays (parts,): symbols ``first`` to ``last`` (half-open) of the grid.

    ``low`` and ``high`` are the positions within which the transmission must lie. Where they were found by their phase,
    ``column`` is that of the grid each was found on, and their carrier is that of the grid.
    """

    first: Ints
    last: Ints
    low: Floats
    high: Floats
    column: Ints | None = None

    def __len__(self) -> int:
        return int(self.first.size)


def picked_energy(grid: Grid) -> NDArray[np.float32]:
    """Energy of each symbol (symbols,) on the grid that collects most near it."""
    if grid.count == 0:
        return np.zeros(0, dtype=np.float32)
    beside = _NEAR // 2
    sums = np.pad(grid.energy_sums, ((beside, beside), (0, 0)), "edge")
    near = sums[_NEAR:] - sums[:-_NEAR]
    # beyond either end it is as at the end
    missing = np.arange(beside, 0, -1.0)[: grid.count, None]
    near[: len(missing)] += missing * grid.energy[0]
    near[len(near) - len(missing) :] += missing[::-1] * grid.energy[-1]
    best = np.argmax(near, axis=1)
    return np.asarray(grid.energy[np.arange(grid.count), best])


@dataclass(frozen=True, eq=False)
class Shown:
    """What each symbol (symbols,) of a grid shows: its energy, and the log-likelihood ratio of the weakest one."""

    energy: NDArray[np.float32]
    nats: Floats


def shown(grid: Grid) -> Shown:
    energy = picked_energy(grid)
    length = np.sqrt(energy, dtype=np.float64)
    return Shown(energy, log_bessel_quickly(grid.weakest * length) - grid.weakest**2 / 2.0)


def find_parts(grid: Grid, borders: Floats, taken: Flags | None = None, seen: Shown | None = None) -> Parts:
    """Runs of symbols that are on, carrier phase unknown, cut wherever there may be silence.

    ``borders`` (m,) are positions that no transmission may cross; ``taken`` (symbols,) are not looked at; ``seen`` is
    what the grid shows, where that is known already.
    """
    seen = shown(grid) if seen is None else seen
    energy, score = seen.energy, seen.nats.copy()
    cycles = grid.turned.omega * grid.period / (2.0 * np.pi)
    if taken is not None:
        energy = np.where(taken, np.float32(0.0), energy)
        score[taken] = -20.0
    cuts = np.rint((borders - grid.begin) / grid.period).astype(np.int64)
    cuts = cuts[(cuts > 0) & (cuts < score.size)]
    score[cuts] = -20.0
    runs = np.array(on_runs(score, change_nats_unphased(grid.weakest, cycles)), dtype=np.int64).reshape(-1, 2)
    return with_room(grid, cut_within(runs, energy, score, cycles, grid.weakest), borders, taken)


def with_room(grid: Grid, runs: Ints, borders: Floats, taken: Flags | None) -> Parts:
    """Each run with the room it may move in: half of what lies between it and the next, at most four symbols."""
    first, last = runs[:, 0], runs[:, 1]
    walls = np.concatenate(([grid.begin], borders, [float(grid.turned.length)]))
    middle = grid.begin + (first + last) / 2.0 * grid.period
    part = np.searchsorted(walls, middle, "right")
    # a neighbour behind a border takes no room
    beside = np.diff(part) == 0
    before = np.full(first.size, -np.inf)
    before[1:][beside] = last[:-1][beside]
    after = np.full(last.size, np.inf)
    after[:-1][beside] = first[1:][beside]
    low = first - np.minimum(_LOOSE, (first - before) / 2.0)
    high = last + 1 + np.minimum(_LOOSE, np.maximum(0.0, after - last - 1) / 2.0)
    low_at = grid.begin + low * grid.period
    high_at = grid.begin + high * grid.period
    low_at = np.maximum(low_at, walls[np.maximum(part - 1, 0)])
    high_at = np.minimum(high_at, walls[np.minimum(part, walls.size - 1)])
    if taken is not None and taken.any():
        # what is taken is a wall as well
        edges = np.flatnonzero(np.diff(np.concatenate(([0], taken.astype(np.int8), [0]))))
        stops = grid.begin + edges[1::2] * grid.period
        starts = grid.begin + edges[::2] * grid.period
        k = np.searchsorted(stops, middle)
        low_at = np.maximum(low_at, np.where(k > 0, stops[np.maximum(k - 1, 0)], -np.inf))
        k = np.searchsorted(starts, middle)
        high_at = np.minimum(
            high_at, np.where(k < starts.size, starts[np.minimum(k, starts.size - 1)], np.inf)
        )
    return Parts(first, last, low_at, high_at)


def windows_of(parts: Parts, grid: Grid) -> tuple[Parts, Ints]:
    """Long runs as half-overlapping windows, and the number of the run each window is of."""
    first: list[int] = []
    last: list[int] = []
    owner: list[int] = []
    half = WINDOW // 2
    for number, (a, b) in enumerate(zip(parts.first.tolist(), parts.last.tolist(), strict=True)):
        starts = list(range(a, max(a + 1, b - WINDOW), half))
        starts.append(max(a, b - WINDOW))
        first.extend(starts)
        last.extend(min(b, s + WINDOW) for s in starts)
        owner.extend([number] * len(starts))
    begin, end = np.array(first, dtype=np.int64), np.array(last, dtype=np.int64)
    of = np.array(owner, dtype=np.int64)
    return Parts(begin, end, parts.low[of], parts.high[of]), of


def acquire(grid: Grid, parts: Parts) -> Fits:
    """A rough fit to each part: the best of eight timings, the carrier from its squared symbols.

    The turned carrier may be off by a fifth of the symbol rate, the period by a part of a symbol over the
    transmission. Timing and carrier of parts that were found by their phase are as they were found. ``nats`` is the most
    that the symbols may be likelier than silence by: ``ln cosh(g y) - g^2 / 2`` is below ``y^2 / 2`` for every ``g``.
    """
    sums = grid.energy_sums
    count = parts.last - parts.first
    inner = np.where(count > 4, 1, 0)
    a, b = parts.first + inner, np.maximum(parts.last - inner, parts.first + inner + 1)
    b = np.minimum(b, grid.count)
    within = sums[b] - sums[a]
    known = parts.column is not None
    best = np.argmax(within, axis=1) if parts.column is None else parts.column
    own = np.sqrt(np.maximum(2.0, within[np.arange(len(parts)), best] / np.maximum(b - a, 1) - 2.0))
    detune: Floats
    detune, phase, most = (np.zeros(len(parts)) for _ in range(3))
    for rows in groups_of(count):
        k = np.arange(int(count[rows].max(initial=1)))
        at = np.minimum(parts.first[rows, None] + k, grid.count - 1)
        u = np.where(k < count[rows, None], grid.u[at, best[rows, None]], np.complex64(0.0))
        detune[rows], phase[rows], most[rows] = _detune(u, count[rows], 0.0 if known else grid.spread)
    between = np.zeros(len(parts)) if known else _between(within, best)
    start = grid.begin + (parts.first + (best + between) / PHASES) * grid.period
    if not known and grid.spread > _ASIDE:
        detune = not_half_a_turn_off(grid.turned, grid.variance, grid.period, start, count, detune)
    return Fits(
        grid.turned,
        grid.variance,
        detune / grid.period,
        phase,
        start + 0.5 * count * grid.period,
        own * np.sqrt(2.0 * grid.variance / grid.period),
        np.full(len(parts), grid.period),
        start,
        count,
        parts.low,
        parts.high,
        most,
    )


def _between(within: Floats, best: Ints) -> Floats:
    """Where between the timings the energy is largest, by a parabola through the best and its neighbours."""
    rows = np.arange(best.size)
    # the timing after the last one is the first one, a symbol later
    left, middle, right = (within[rows, (best + d) % PHASES] for d in (-1, 0, 1))
    bend = left - 2.0 * middle + right
    return np.where(
        bend < 0.0, np.clip(0.5 * (left - right) / np.where(bend < 0.0, bend, -1.0), -0.5, 0.5), 0.0
    )


def _detune(u: Complexes, count: Ints, widest: float) -> tuple[Floats, Floats, Floats]:
    """Frequency (radians a symbol) and phase in the middle of rows of symbols (b, k), from their squares.

    And half the sum of the squares of what then lies along the carrier.

    Frequencies of at most ``widest`` cycles a symbol are looked at.
    """
    energy = np.sum(u.real**2 + u.imag**2, axis=1)
    if not widest:
        total = np.sum(u * u, axis=1)
        return np.zeros(len(u)), 0.5 * np.angle(total), 0.25 * (energy + np.abs(total))

    from scipy.fft import fft

    square = u * u
    size = 1 << int(np.ceil(np.log2(max(16, 3 * u.shape[1]))))
    spectrum = fft(square, size, axis=1)
    reach = min(size // 2 - 1, int(np.ceil(2.0 * widest * size)))
    near = np.arange(-reach, reach + 1)
    row = np.arange(u.shape[0])
    k = near[np.argmax(np.abs(spectrum[:, near]), axis=1)]
    left, mid, right = (np.abs(spectrum[row, (k + d) % size]) for d in (-1, 0, 1))
    bend = left - 2.0 * mid + right
    shift = np.where(bend < 0.0, 0.5 * (left - right) / np.where(bend < 0.0, bend, 1.0), 0.0)
    omega = np.pi * (k + np.clip(shift, -0.5, 0.5)) / size
    # against the middle of the transmission, where the phase does not depend on the frequency
    off = np.arange(u.shape[1]) + 0.5 - 0.5 * count[:, None]
    total = np.sum(square * np.exp(-2j * omega[:, None] * off), axis=1)
    return omega, 0.5 * np.angle(total), 0.25 * (energy + np.abs(total))
