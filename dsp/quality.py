"""How good a fit is: the noise actually met, whether it is phase reversal at all, how sure each symbol is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.correlate import Complexes, log_cosh
from dsp.fits import Ints
from dsp.runs import MARGIN, Runs
from dsp.source import Floats

# share of a symbol's power by which lengths vary that other symbols than those sent were cut to, and symbols of a pause
_OTHER_CLOCK = 0.05
_PAUSE = 3.0


@dataclass(frozen=True)
class Fitness:
    """How well runs of one talker fit phase reversals.

    ``noise`` is the variance met per component in units of the one assumed; ``excess`` the share of the
    signal's power that lies across the carrier's phase, ``spread`` the share by which symbol lengths vary,
    both after the noise is taken off; ``nats`` the log-likelihood ratio of two phases against noise-like
    symbols of any phase; ``flips`` how many symbols differ from the one before.
    """

    symbols: int
    noise: float
    gain: float
    excess: float
    excess_std: float
    spread: float
    nats: float
    flips: int


def quiet_noise(runs: Runs, room: tuple[Floats, Floats] | None = None) -> tuple[float, int]:
    """Noise variance per component beside the runs over the assumed one, and how many symbols tell it.

    The symbols next to a run and those within another run are left out, and those that do not lie between the two ends
    (b,) of each one's ``room``.
    """
    period = runs.period[:, None]
    starts = np.sort(runs.first - runs.period)
    stops = np.sort(runs.last + runs.period)
    near = np.arange(1, MARGIN)
    at = np.concatenate(
        (runs.first[:, None] - period * (near[::-1] + 0.5), runs.last[:, None] + period * (near + 0.5)),
        axis=1,
    )
    alone = np.searchsorted(starts, at, "right") == np.searchsorted(stops, at, "left")
    if room is not None:
        low, high = room
        alone &= (at - 0.5 * period > low[:, None]) & (at + 0.5 * period < high[:, None])
    beside = np.concatenate((runs.before[:, :-1], runs.after[:, 1:]), axis=1)
    power = np.abs(beside[alone]) ** 2
    # symbols past the end of the stretch hold no samples
    power = power[power > 0.0]
    if power.size < 4:
        return 1.0, 0
    # the median, since something else may stand beside; power of noise is exponential with mean 2
    return float(np.median(power)) / (2.0 * float(np.log(2.0))), power.size


def fitness(runs: Runs) -> Fitness:
    """Judge runs together (one talker, or all of a model)."""
    quiet, told = quiet_noise(runs)
    judged = _judge(runs, np.array([0, runs.symbols.size]), quiet if told >= 16 else None)
    free = max(1, runs.symbols.size - 2 * len(runs))
    turned_over = np.sign(runs.symbols.real[1:]) != np.sign(runs.symbols.real[:-1])
    turned_over[runs.offset[1:-1] - 1] = False
    across, along = float(judged.across[0]), float(judged.along[0])
    signal = float(judged.signal[0])
    return Fitness(
        runs.symbols.size,
        max(across, along) if signal > 12.0 * across else across,
        float(np.sqrt(signal)),
        float(judged.excess[0]),
        across * float(np.sqrt(2.0 / free)) / max(signal, 1e-9),
        float(judged.spread[0]),
        float(judged.nats[0]),
        int(turned_over.sum()),
    )


def one_phase(runs: Runs) -> bool:
    """Whether most symbols are of runs without a reversal, or one phase in each run explains all better than either."""
    positive = np.add.reduceat((runs.symbols.real > 0.0).astype(np.int64), runs.offset[:-1])
    without = (positive == 0) | (positive == runs.count)
    if 2 * int(runs.count[without].sum()) > int(runs.count.sum()):
        return True
    pull = runs.gains * runs.symbols.real
    same = float(np.sum(np.abs(np.add.reduceat(pull, runs.offset[:-1]))))
    return same > float(np.sum(log_cosh(pull)))


def plausible(runs: Runs, judged: Judged | None = None) -> NDArray[np.bool_]:
    """Which runs (b,) could be phase reversal, each judged by itself, as they may be ``judged`` already."""
    judged = judged_each(runs) if judged is None else judged
    free = np.maximum(1, runs.count - 2)
    excess_std = judged.across * np.sqrt(2.0 / free) / np.maximum(judged.signal, 1e-9)
    return np.asarray(
        (judged.nats > -2.0) & (judged.excess < 0.15 + 3.0 * excess_std) & (judged.spread < 0.6)
    )


def of_one_clock(runs: Runs, judged: Judged) -> NDArray[np.bool_]:
    """Which runs (b,), each ``judged``, have symbols of as even a length as most have; all of them if that is uneven.

    Symbols of another length are cut across by these: part of each cancels, while nothing is added across the phase, as
    interference would. Pieces without a pause beside such a run are of the same transmission.
    """
    uneven = (judged.along - judged.across) / np.maximum(judged.signal, 1e-9)
    std = np.maximum(judged.across, 1.0) * np.sqrt(2.0 / np.maximum(runs.count - 2, 1)) / judged.signal
    order = np.argsort(uneven)
    total = np.cumsum(runs.count[order])
    usual = float(uneven[order[int(np.searchsorted(total, 0.5 * total[-1]))]])
    off = uneven > _OTHER_CLOCK + 2.0 * max(usual, 0.0) + 4.0 * std
    if off.any():
        # in order of time
        order = np.argsort(runs.first)
        gap = (runs.first[order][1:] - runs.last[order][:-1]) / runs.period[order][1:]
        group = np.concatenate(([0], np.cumsum(gap > _PAUSE)))
        held = np.zeros(len(runs), dtype=np.int64)
        held[order] = group
        off = np.isin(held, held[off])
    return np.asarray(~off)


@dataclass(frozen=True, eq=False)
class Judged:
    """What `Fitness` says, for each of several groups of symbols (groups,)."""

    across: Floats
    along: Floats
    signal: Floats
    excess: Floats
    spread: Floats
    nats: Floats


def judged_each(runs: Runs) -> Judged:
    """Each run by itself."""
    return _judge(runs, runs.offset, None)


def _judge(runs: Runs, bounds: Ints, quiet: float | None) -> Judged:
    """Judge groups of symbols: group ``i`` has the symbols ``bounds[i]`` to ``bounds[i + 1]``.

    ``quiet`` is the noise met beside the runs, None if not known.
    """
    re, im, gains, due = runs.symbols.real, runs.symbols.imag, runs.gains, runs.templates
    count = np.diff(bounds)
    groups = np.repeat(np.arange(count.size), count)
    runs_in = np.diff(np.searchsorted(runs.offset[:-1], bounds))
    free = np.maximum(1, count - 2 * runs_in)

    def total(values: Floats) -> Floats:
        return np.asarray(np.add.reduceat(values, bounds[:-1]))

    # noise and signal weigh with the energy a symbol happens to have along and across the phase
    energy = np.maximum(due.real, 0.05)
    rest = np.maximum(runs.across, 0.05)
    lean, pull = gains * due.imag, gains * energy
    noise = np.full(count.size, 1.0 if quiet is None else max(quiet, 1e-9))
    # squares of what lies off the two points: only the sign's expectation changes with the noise
    squares, crossed = total((im**2 + lean**2) / rest), 2.0 * lean * im / rest
    argument, soft, across = gains * re, re, noise
    for _ in range(3):
        soft = np.tanh(argument / noise[groups])
        across = (squares - total(soft * crossed)) / free
        noise = np.maximum(1e-12, across)
    along = (total((re**2 + pull**2) / energy) - total(soft * (2.0 * pull * re / energy))) / free
    # the floor's estimate errs upwards: noise well above it beside a run is more likely a neighbour
    floor = np.minimum(1.0, across) if quiet is None else min(quiet, 1.5)
    signal = total(gains**2) / count
    level = np.maximum(signal, 1e-9)
    worst = np.maximum(np.maximum(across, along), 1e-12)
    return Judged(
        across,
        along,
        signal,
        np.maximum(0.0, across - floor) / level,
        np.maximum(0.0, along - floor) / level,
        total(_point_nats(re, im, gains, due, rest, worst[groups]))
        + count * (np.log(np.pi * total(re**2 / energy + im**2 / rest) / count) + 1.0),
    )


def _point_nats(re: Floats, im: Floats, gains: Floats, due: Complexes, rest: Floats, noise: Floats) -> Floats:
    """Log-density of each symbol under two opposite points with noise, whichever it is."""
    along_std = np.sqrt(np.maximum(due.real, 0.05))
    across_std = np.sqrt(rest)
    x, y = re / along_std, im / across_std
    point = gains * due.real / along_std
    lean = gains * due.imag / across_std
    two = -np.log(2.0 * np.pi * noise) - (x**2 + y**2 + point**2 + lean**2) / (2.0 * noise)
    return np.asarray(two + log_cosh((point * x + lean * y) / noise))


def confidence(runs: Runs, noise: float) -> Floats:
    """Probability that each symbol's sign is right: ``1 / (1 + exp(-2 g |y| / noise))``."""
    return np.asarray(1.0 / (1.0 + np.exp(-2.0 * runs.gains * np.abs(runs.symbols.real) / noise)))
