"""All transmissions of a known carrier and period within a strip of a record."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.detect import (
    FEWEST,
    LONG,
    WINDOW,
    Grid,
    Parts,
    acquire,
    find_parts,
    make_grid,
    picked_energy,
    windows_of,
)
from dsp.fits import Fits, Flags, Ints, join, settle
from dsp.source import Floats
from dsp.strip import Spans, Strip

# natural units of likelihood over silence, beyond what the best of many starts in noise reaches
ACCEPT_NATS = 22.0
_ROUNDS = 3
# silent symbols that tell the noise better than the floor's density does
_TELLING = 32


@dataclass(frozen=True)
class Model:
    """What the bursts of a link share: carrier, symbol period in samples, how edges fall on samples.

    ``gain`` is the length of a typical symbol, ``sqrt(2 Es/N0)``; ``unmodulated`` says it is a tone.
    """

    carrier_hz: float
    period: float
    sharp: bool = False
    unmodulated: bool = False
    gain: float = 4.0


@dataclass(frozen=True, eq=False)
class Found:
    """Transmissions in a strip: those one fit covers, and the windows of longer ones with the run each is of.

    ``variance`` is the noise variance of a sample as the silent symbols show it.
    """

    fits: Fits
    windows: Fits
    owner: Ints
    variance: float

    def __len__(self) -> int:
        return len(self.fits) + np.unique(self.owner).size


def extract(
    strip: Strip, omega: float, model: Model, accept: float = ACCEPT_NATS, covered: Spans | None = None
) -> Found:
    """Every transmission in a strip, ``omega`` being the carrier to turn back in radians a sample.

    Samples of the record that are ``covered`` (n, 2) by what is known already are not looked at.
    """
    turned = strip.turned(omega, model.sharp)
    grid = make_grid(turned, strip.variance, model.period, 0.0, float(strip.samples.size))
    borders = strip.begins[1:].astype(np.float64)
    taken = np.zeros(grid.count, dtype=np.bool_)
    if covered is not None and covered.size:
        known = strip.within(covered)
        mark(taken, grid, known[:, 0], known[:, 1])
    parts = find_parts(grid, borders, taken)
    scale = _silence(grid, parts, taken)
    if abs(np.log(scale)) > 0.1:
        grid = grid.scaled(scale)
        parts = find_parts(grid, borders, taken)
    short: list[Fits] = []
    windows: list[Fits] = []
    owners: list[Ints] = []
    runs = 0
    for _ in range(_ROUNDS):
        long = parts.last - parts.first > LONG
        fits = _short_ones(grid, _some(parts, ~long), accept)
        short.append(fits)
        mark(taken, grid, fits.start, fits.stop)
        if long.any():
            cut, owner = windows_of(_some(parts, long), grid)
            own = settle(_tracked(acquire(grid, cut), owner), ends=False, width=0.12)
            windows.append(own)
            owners.append(owner + runs)
            runs += int(owner.max()) + 1
            mark(taken, grid, own.start, own.stop)
        if not taken.any() or not (len(fits) or long.any()):
            break
        parts = find_parts(grid, borders, taken)
        if not len(parts):
            break
    empty = short[0].take(np.zeros(0, dtype=np.int64))
    found = join(short)
    return Found(
        found.take(np.argsort(found.start, kind="stable")),
        join(windows) if windows else empty,
        np.concatenate(owners) if owners else np.zeros(0, dtype=np.int64),
        grid.variance,
    )


def _some(parts: Parts, which: Flags) -> Parts:
    return Parts(parts.first[which], parts.last[which], parts.low[which], parts.high[which])


def mark(taken: Flags, grid: Grid, start: Floats, stop: Floats) -> None:
    """Mark the symbols of a grid that overlap transmissions, with half a symbol beside them."""
    first = np.floor((start - grid.begin) / grid.period - 1.3).astype(np.int64)
    last = np.ceil((stop - grid.begin) / grid.period + 0.3).astype(np.int64)
    change = np.zeros(taken.size + 1, dtype=np.int64)
    np.add.at(change, np.clip(first, 0, taken.size), 1)
    np.add.at(change, np.clip(last, 0, taken.size), -1)
    taken |= np.cumsum(change)[:-1] > 0


def _silence(grid: Grid, parts: Parts, taken: Flags) -> float:
    """Noise of the silent symbols in units of the one assumed; 1 where there are too few."""
    taken = taken.copy()
    mark(taken, grid, grid.begin + parts.first * grid.period, grid.begin + (parts.last + 1) * grid.period)
    quiet = grid.energy[~taken, 0]
    if quiet.size < _TELLING:
        return 1.0
    # the median, since something else may stand there; power of noise is exponential with mean 2
    return max(float(np.median(quiet)) / (2.0 * float(np.log(2.0))), 1e-3)


def _short_ones(grid: Grid, parts: Parts, accept: float) -> Fits:
    """The fits of single parts, and over parts close to each other where the symbols in between were sent.

    Lengths alone cannot tell: smooth pulses are short wherever the phase turns at every symbol.
    """
    close = np.flatnonzero(parts.first[1:] - parts.last[:-1] < 6)
    groups = np.split(close, np.flatnonzero(np.diff(close) > 1) + 1) if close.size else []
    first = np.array([int(g[0]) for g in groups], dtype=np.int64)
    last = np.array([int(g[-1]) + 1 for g in groups], dtype=np.int64)
    small = parts.last[last] - parts.first[first] <= LONG if first.size else np.zeros(0, dtype=np.bool_)
    first, last = first[small], last[small]
    whole = Parts(
        np.concatenate((parts.first, parts.first[first])),
        np.concatenate((parts.last, parts.last[last])),
        np.concatenate((parts.low, parts.low[first])),
        np.concatenate((parts.high, parts.high[last])),
    )
    if not len(whole):
        return acquire(grid, whole)
    fits = settle(acquire(grid, whole))
    good = (fits.count >= FEWEST) & (fits.nats >= accept)
    n = len(parts)
    slack = 4.0 * grid.period
    for i, (a, b) in enumerate(zip(first.tolist(), last.tolist(), strict=True)):
        begin = grid.begin + parts.first[a] * grid.period
        end = grid.begin + parts.last[b] * grid.period
        covers = fits.start[n + i] < begin + slack and fits.stop[n + i] > end - slack
        if good[n + i] and covers:
            good[a : b + 1] = False
        else:
            good[n + i] = False
    return fits.take(good)


def _tracked(windows: Fits, owner: Ints) -> Fits:
    """Windows with the symbol period that the distances between their neighbours show."""
    period = windows.period.copy()
    middle = windows.middle
    for number in np.unique(owner):
        rows = np.flatnonzero(owner == number)
        if rows.size < 3:
            continue
        steps = np.diff(middle[rows])
        symbols = np.maximum(1.0, np.rint(steps / windows.period[rows[1:]]))
        # over a few windows, since each one's timing is only known to an eighth of a symbol yet
        wide = min(9, steps.size)
        kernel = np.ones(wide)
        local = np.convolve(steps, kernel, "same") / np.convolve(symbols, kernel, "same")
        at = np.concatenate((local[:1], (local[1:] + local[:-1]) / 2.0, local[-1:]))
        period[rows] = np.clip(at, 0.9 * windows.period[rows], 1.1 * windows.period[rows])
    start = middle - 0.5 * windows.count * period
    return replace(windows, period=period, start=start)


__all__ = ["ACCEPT_NATS", "WINDOW", "Found", "Model", "extract", "picked_energy"]
