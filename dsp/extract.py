"""All transmissions of a known carrier and period within a strip of a record."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.candidates import Candidates, settle_parts
from dsp.detect import Grid, Parts, find_parts, make_grid, shown, with_room
from dsp.fits import Fits, Flags, Ints, join, walled
from dsp.phased import likeliest_runs
from dsp.reach import reached
from dsp.rejoin import rejoined
from dsp.runs import Runs
from dsp.source import Floats
from dsp.strip import Spans, Strip

# natural units of likelihood over silence, beyond what the best of many starts in noise reaches
ACCEPT_NATS = 22.0
_ROUNDS = 3
# length of a symbol below which energy alone bridges silence and loses ends: one symbol in thirty thousand is wrong
_WEAK_GAIN = 4.0
# silent symbols that tell the noise better than the floor's density does
_TELLING = 8
# and so many that one of the grids tells it well enough
_FEW_SILENT = 2000
# standard deviations by which they must say otherwise
_CHANCE = 2.0


@dataclass(frozen=True)
class Model:
    """What the bursts of a link share: carrier, symbol period in samples, how edges fall on samples.

    ``gain`` is the length of a typical symbol, ``sqrt(2 Es/N0)``, in the noise of the strip in which others are looked
    for; ``unmodulated`` says it is a tone. ``spread`` is by how many cycles a symbol carriers may differ from this one,
    None while that is not known; ``steady`` says that all met have this very carrier, ``points`` that samples are ideal
    points as far as all that was met shows.
    """

    carrier_hz: float
    period: float
    sharp: bool = False
    unmodulated: bool = False
    gain: float = 4.0
    spread: float | None = None
    steady: bool = False
    points: bool = False

    @property
    def phased(self) -> bool:
        """Whether symbols are so weak, and their carrier so well known, that phase helps to find them."""
        return self.steady and self.gain < _WEAK_GAIN


@dataclass(frozen=True, eq=False)
class Found:
    """Transmissions in a strip: those one fit covers, and the windows of longer ones with the run each is of.

    ``variance`` is the noise variance of a sample as the silent symbols show it; ``runs`` are the symbols of ``fits``,
    where they are known already. ``held`` says that all were looked for with one known carrier.
    """

    fits: Fits
    windows: Fits
    owner: Ints
    variance: float
    runs: Runs | None = None
    held: bool = False

    def __len__(self) -> int:
        return len(self.fits) + np.unique(self.owner).size


def extract(
    strip: Strip,
    omega: float,
    model: Model,
    accept: float = ACCEPT_NATS,
    covered: Spans | None = None,
    *,
    hold_noise: bool = False,
) -> Found:
    """Every transmission in a strip, ``omega`` being the carrier to turn back in radians a sample.

    Samples of the record that are ``covered`` (n, 2) by what is known already are not looked at. ``hold_noise``
    keeps the strip's noise, so that what different models explain can be compared.
    """
    turned = strip.turned(omega, model.sharp)
    grid = make_grid(
        turned,
        strip.variance,
        model.period,
        0.0,
        float(strip.samples.size),
        model.gain,
        model.spread,
        points=model.points,
    )
    borders = strip.begins[1:].astype(np.float64)
    taken = np.zeros(grid.count, dtype=np.bool_)
    if covered is not None and covered.size:
        known = strip.within(covered)
        mark(taken, grid, known[:, 0], known[:, 1])
    seen = shown(grid)
    parts = find_parts(grid, borders, taken, seen)
    scale = 1.0 if hold_noise else max(_noise_scale(grid, parts, taken), strip.rounding / strip.variance)
    if abs(np.log(scale)) > 0.1:
        grid = grid.scaled(scale)
        seen = shown(grid)
        parts = find_parts(grid, borders, taken, seen)
    if model.phased:
        # in units of the noise that is met here
        parts = _phased(grid, model.gain * float(np.sqrt(strip.variance / grid.variance)), borders, taken)
    chosen: list[Candidates] = []
    for _ in range(_ROUNDS):
        found = settle_parts(grid, parts, accept)
        chosen.append(found)
        start, stop = found.extent()
        mark(taken, grid, start, stop)
        if not taken.any() or not start.size:
            break
        # others may be weaker, or have another carrier
        parts = find_parts(grid, borders, taken, seen)
        if not len(parts):
            break
    return _found(chosen, grid.variance, borders, reaches=not hold_noise, held=model.phased)


def _phased(grid: Grid, gain: float, borders: Floats, taken: Flags) -> Parts:
    """Transmissions of known carrier and strength, found by their phase."""
    barred = taken.copy()
    cuts = np.rint((borders - grid.begin) / grid.period).astype(np.int64)
    barred[cuts[(cuts > 0) & (cuts < grid.count)]] = True
    runs = likeliest_runs(grid, gain, barred)
    parts = with_room(grid, runs[:, :2], borders, taken)
    return replace(parts, column=runs[:, 2])


def _found(chosen: list[Candidates], variance: float, borders: Floats, *, reaches: bool, held: bool) -> Found:
    owners, runs = [], 0
    for one in chosen:
        owners.append(one.owner + runs)
        runs += int(one.owner.max(initial=-1)) + 1
    fits = join([c.fits for c in chosen])
    windows, owner = join([c.windows for c in chosen]), np.concatenate(owners)
    # models that are compared must explain what they find as it stands: a wrong one would gain as much
    if reaches:
        windows, owner = reached(fits, windows, owner, borders)
    fits, windows, owner = rejoined(fits, windows, owner, borders, far=reaches, held=held)
    long = np.unique(owner)
    first = np.array([windows.start[owner == number].min() for number in long])
    last = np.array([windows.stop[owner == number].max() for number in long])
    return Found(walled(fits, first, last), windows, owner, variance, held=held)


def going_on(found: Found, strip: Strip) -> Found:
    """The same with those made one that go on from each other with a carrier that changes steadily.

    For what is told in the end: a model that is only tried would go on in parts of what it does not explain. Where all
    have one carrier, none changes.
    """
    if found.held:
        return found
    borders = strip.begins[1:].astype(np.float64)
    fits, windows, owner = rejoined(found.fits, found.windows, found.owner, borders, bends=True, far=True)
    if len(fits) == len(found.fits) and len(windows) == len(found.windows):
        return found
    return Found(fits, windows, owner, found.variance)


def mark(taken: Flags, grid: Grid, start: Floats, stop: Floats) -> None:
    """Mark the symbols of a grid that overlap transmissions, with half a symbol beside them."""
    first = np.floor((start - grid.begin) / grid.period - 1.3).astype(np.int64)
    last = np.ceil((stop - grid.begin) / grid.period + 0.3).astype(np.int64)
    change = np.zeros(taken.size + 1, dtype=np.int64)
    np.add.at(change, np.clip(first, 0, taken.size), 1)
    np.add.at(change, np.clip(last, 0, taken.size), -1)
    taken |= np.cumsum(change)[:-1] > 0


def _silence(grid: Grid, parts: Parts, taken: Flags) -> tuple[float, float]:
    """Noise of the silent symbols in units of the one assumed, and the standard deviation of its logarithm.

    1 where there are too few.
    """
    taken = taken.copy()
    mark(taken, grid, grid.begin + parts.first * grid.period, grid.begin + (parts.last + 1) * grid.period)
    silent = ~taken
    count = int(np.count_nonzero(silent))
    if count < _TELLING:
        return 1.0, np.inf
    # of few, all grids: they share samples, and yet halve the variance of the median
    quiet = grid.energy[silent] if count < _FEW_SILENT else grid.energy[silent, 0]
    # the median, since something else may stand there; power of noise is exponential with mean 2, and the median of n
    # of them scatters by 1 / (ln 2 root n)
    scale = max(float(np.median(quiet)) / (2.0 * float(np.log(2.0))), 1e-3)
    independent = count * (2.0 if count < _FEW_SILENT else 1.0)
    return scale, 1.0 / (float(np.log(2.0)) * float(np.sqrt(independent)))


def _noise_scale(grid: Grid, parts: Parts, taken: Flags) -> float:
    """The noise of the silent symbols in units of the one assumed, which stands unless they say otherwise.

    The floor is told by much more of the record than by a few silent symbols, whose noise is off by chance.
    """
    scale, std = _silence(grid, parts, taken)
    return scale if abs(float(np.log(scale))) > _CHANCE * std else 1.0
