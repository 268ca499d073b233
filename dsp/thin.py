"""What the instants of reversals by themselves say about the symbol period, where symbols are not like random ones.

That bits are averaged out as if they were random (`dsp.rate`) favours long symbols where the phase seldom turns: each
symbol that does not turn costs ``ln 2``. Here the share of turns is unknown instead: of ``n`` edges of a grid ``f``
turn with the probability of a Beta-binomial distribution (Laplace's rule; MacKay 2003, section 3.2), at instants that
scatter about the edges by their own uncertainty or, one in fifty, lie anywhere. Smooth pulses and filters move each
reversal by a share of a symbol that its neighbours decide: that share is unknown as well, and averaged out.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from dsp.fits import Flags, Ints
from dsp.on_off import on_runs
from dsp.runs import Runs
from dsp.source import Floats

# cells of a carrier cycle in which reversals are looked for, and what one costs in natural units
_CELLS = 8.0
_CHANGE_NATS = 8.0
_AROUND_NATS = 12.0
FEWEST_CYCLES = 0.95
"""Carrier cycles that a symbol has at the least."""
# reversals of which one grid is asked for: clocks drift, and the longer they are the more periods there are
_TOGETHER = 24
# intervals beyond which more of them say the same
_ENOUGH = 80
_WILD = 0.02
# the same of few that were found between two ends, and intervals that will do then
_WILD_TO_ENDS = 0.002
_FEWEST_TO_ENDS = 3
# numbers that are worked on at a time, and periods at most
_AT_ONCE = 1 << 16
_PERIODS_AT_MOST = 400_000
# standard deviations by which reversals are fewer than random bits make them
_FEWER = 3.0
# intervals that one period must explain; the difference of periods that are the same at least, and the part of a
# symbol by which others may shift a reversal
_FEWEST = 4
_SAME = 0.005
_HALF = 0.5
# shares of a symbol by which pulses may move reversals (standard deviation), with their prior probabilities: mostly
# symbols are rectangular. Root-raised-cosine pulses of excess bandwidth 0.5 to 0.2 come to 0.04 to 0.1
_MOVED = {0.0: 0.85, 0.05: 0.075, 0.1: 0.075}
# steps of a grid of periods, in what shifts the reversals farthest from the middle by their scatter
_STEP = 0.7
_STEP_MOVED = 1.0
FEW_FLIPS = 6
"""Reversals with which, of few transmissions and taken for those of random bits, a wrong period may be the likeliest."""
SURE = 0.9
"""Probability that a symbol period must have to be reported."""


@dataclass(frozen=True, eq=False)
class Reversals:
    """Instants ``where`` (f,) with standard uncertainty ``std`` (f,) in samples of the strip.

    ``offset`` (b + 1,) tells which are of which of b transmissions. Of ``whole`` transmissions the first and the last are
    their ends, where they surely turn; None if ends were not asked for.
    """

    where: Floats
    std: Floats
    offset: Ints
    whole: int | None = None


@dataclass(frozen=True)
class Weighed:
    """The likeliest symbol period in samples and its probability, and that of the one that was asked about."""

    period: float
    probability: float
    asked: float


def seldom_turns(flips: int, edges: int) -> bool:
    """Whether so many reversals at so many edges are evidently fewer than random bits make."""
    return flips < 0.5 * edges - 0.5 * _FEWER * float(np.sqrt(max(edges, 1)))


def reversals_of(runs: Runs) -> Reversals:
    """The reversals of each run wherever they are, its symbols' edges not used; all in noise of one."""
    turned = runs.turned
    where: list[Floats] = []
    std: list[Floats] = []
    count = [0]
    for i in range(len(runs)):
        at = slice(int(runs.offset[i]), int(runs.offset[i + 1]))
        omega = float(runs.omega[i])
        cell = carrier_cell(omega)
        first = max(0, int(np.ceil(runs.first[i])))
        edges = np.arange(first, min(turned.length, int(runs.last[i])) + 1, cell)
        mids = 0.5 * (edges[1:] + edges[:-1])
        angle = np.interp(mids, 0.5 * (runs.starts[at] + runs.stops[at]), runs.angles[at])
        # twice A / v times the correlation: g = A sqrt(T / 2v)
        slope = 2.0 * float(runs.gain[i]) * np.sqrt(2.0 / (float(runs.period[i]) * runs.variance))
        sums = turned.sums[edges]
        nats = np.real((sums[1:] - sums[:-1]) * np.exp(-1j * angle)) * slope
        instants, spread = turns_along(nats, edges, FEWEST_CYCLES * 2.0 * np.pi / omega / cell)
        where.append(instants)
        std.append(spread)
        count.append(instants.size)
    return Reversals(np.concatenate(where), np.concatenate(std), np.cumsum(count))


def carrier_cell(omega: float) -> int:
    """Samples of a cell in which instants are looked for, of a carrier in radians a sample."""
    return max(1, int(2.0 * np.pi / omega / _CELLS))


def lasting(changes: list[int], shortest: float) -> list[int]:
    """Changes of sign without the pairs that undo each other within less than ``shortest``, closest first.

    No symbol is so short: a spike, or what a filter makes of a flip, turns the sign for a moment.
    """
    kept = list(changes)
    while len(kept) > 1:
        apart, first = min((b - a, i) for i, (a, b) in enumerate(pairwise(kept)))
        if apart >= shortest:
            break
        del kept[first : first + 2]
    return kept


def turns_along(nats: Floats, edges: Ints, shortest: float = 0.0) -> tuple[Floats, Floats]:
    """Mean and standard deviation of each change of sign along log-likelihood ratios (n,) between edges (n + 1,).

    What lasts less than ``shortest``, counted in the values, is no change.
    """
    # silence before and after, so that the first stretch counts as on or off as it is
    ons = on_runs(nats, _CHANGE_NATS)
    changes = lasting(sorted(edge for run in ons for edge in run if 0 < edge < nats.size), shortest)
    total = np.concatenate(([0.0], np.cumsum(nats)))
    where, std = [], []
    walls = [0, *changes, nats.size]
    for k, change in enumerate(changes):
        low, high = walls[k], walls[k + 2]
        # both sides must tell a sign of their own
        part = total[low : high + 1] - total[change]
        sides = abs(total[change] - total[low]), abs(total[high] - total[change])
        if min(sides) < _AROUND_NATS:
            continue
        mean, spread = mean_instant(
            -np.abs(np.minimum(0.0, part if part[0] < 0.0 else -part)), edges[low : high + 1]
        )
        where.append(mean)
        std.append(spread)
    return np.array(where), np.array(std)


def mean_instant(nats: Floats, edges: Ints) -> tuple[float, float]:
    """Mean and standard deviation of an instant at one of so many edges (n,), all as far apart, by what each tells (n,)."""
    weight = np.exp(nats)
    places = edges - 0.5
    mean = float(np.sum(weight * places) / weight.sum())
    cell = float(edges[1] - edges[0])
    return mean, float(np.sqrt(np.sum(weight * (places - mean) ** 2) / weight.sum() + cell * cell / 6.0))


def weigh_periods(reversals: Reversals, shortest: float, longest: float, asked: float) -> Weighed | None:
    """The probabilities of symbol periods from ``shortest`` to ``longest``, equally likely at first on a log scale; None
    if there are too few reversals to tell any.

    Where there are ends among them fewer will do, of which hardly any lies just anywhere.
    """
    groups = _groups(reversals)
    fewest, wild = (_FEWEST, _WILD) if reversals.whole is None else (_FEWEST_TO_ENDS, _WILD_TO_ENDS)
    if sum(where.size - 1 for where, _ in groups) < fewest or longest <= shortest:
        return None
    # from the first reversal of a group to its last: what comes before and after has been cut by who looked for it
    flips = sum(where.size - 1 for where, _ in groups)
    span = sum(float(np.ptp(where)) for where, _ in groups)
    periods, weight, nats = (
        np.concatenate(parts)
        for parts in zip(
            *(_moved_nats(groups, share, shortest, longest, wild) for share in _MOVED), strict=True
        )
    )
    if reversals.whole is None:
        nats += _share_nats(flips, span / periods)
    else:
        edges = span / periods - reversals.whole
        # as likely like random bits as in any share
        nats += np.logaddexp(_share_nats(flips - reversals.whole, edges), -np.log(2.0) * edges)
    weight *= np.exp(nats - nats.max())
    weight /= weight.sum()

    best = float(periods[int(np.argmax(nats))])
    # the same are those by which no reversal would change its edge
    longest_span = max(float(np.ptp(where)) for where, _ in groups)

    def near(period: float) -> Flags:
        return np.asarray(np.abs(periods / period - 1.0) < max(_SAME, _HALF * period / longest_span))

    mine = near(best)
    mean = float(weight[mine] @ periods[mine] / weight[mine].sum())
    return Weighed(mean, float(weight[mine].sum()), float(weight[near(asked)].sum()))


def _moved_nats(
    groups: list[tuple[Floats, Floats]], share: float, shortest: float, longest: float, wild: float
) -> tuple[Floats, Floats, Floats]:
    """Periods (p,) on a grid, what each of them weighs at first, and the log-likelihood of the instants on it.

    Pulses move instants by ``share`` of a symbol.
    """
    tightest = min(float(np.min(std)) / max(float(np.ptp(where)), 1.0) for where, std in groups)
    widest = max(float(np.ptp(where)) for where, _ in groups)
    # of long periods the share is more samples: as many steps as the shortest one asks for would be in vain
    count = int(np.clip(np.log(longest / shortest) / (_STEP * tightest), 64, _PERIODS_AT_MOST))
    periods = np.geomspace(shortest, longest, count)
    if share:
        tight = share * _STEP_MOVED / max(widest, 1.0)
        # d ln T = share T / span: even steps of 1 / T
        steps = int(np.clip((1.0 / shortest - 1.0 / longest) / tight, 64, count))
        periods = 1.0 / np.linspace(1.0 / shortest, 1.0 / longest, steps)
    nats = np.zeros(periods.size)
    block = max(1, _AT_ONCE // _TOGETHER)
    for where, std in groups:
        for at in range(0, periods.size, block):
            part = slice(at, at + block)
            nats[part] += _grid_nats(where, std, periods[part], share, wild)
    weight = np.gradient(np.log(periods))
    return periods, weight * _MOVED[share], nats


def _groups(reversals: Reversals) -> list[tuple[Floats, Floats]]:
    """Neighbouring reversals of one transmission, two at least; of many the most that stand closest together."""
    out: list[tuple[Floats, Floats]] = []
    for a, b in zip(reversals.offset[:-1].tolist(), reversals.offset[1:].tolist(), strict=True):
        for first in range(a, b, _TOGETHER):
            last = min(b, first + _TOGETHER)
            if last - first > 1:
                out.append((reversals.where[first:last], reversals.std[first:last]))
    out.sort(key=lambda group: (-group[0].size, float(np.ptp(group[0]))))
    enough = int(np.searchsorted(np.cumsum([where.size - 1 for where, _ in out]), _ENOUGH))
    return out[: enough + 1]


def _share_nats(flips: int, edges: Floats) -> Floats:
    """Logarithm of the probability that just these of so many edges turn, their share being unknown; (p,) as edges."""
    from scipy.special import betaln

    out: Floats = betaln(flips + 1.0, np.maximum(edges - flips, 0.0) + 1.0)
    # more reversals than edges cannot be
    return np.where(edges + 0.5 < flips, out - 4.0 * (flips - edges), out)


def _grid_nats(where: Floats, std: Floats, periods: Floats, moved: float, wild: float) -> Floats:
    """Log-likelihood (p,) of instants (n,) on a grid of each period, its place averaged out, given the first.

    Beyond their own uncertainty instants scatter by ``moved`` symbols, and a share ``wild`` lies anywhere.
    """
    # whole turns come off first, the rest is quick in single precision
    turns = where / periods[:, None]
    turns -= turns.mean(axis=1, keepdims=True)
    turns -= np.rint(turns)
    off = turns.astype(np.float32)
    wide = np.atleast_2d(std).astype(np.float32)
    period = periods.astype(np.float32)[:, None]
    if moved:
        wide = np.hypot(wide, np.float32(moved) * period)
    weight = 1.0 / wide**2
    total = weight.sum(axis=1, dtype=np.float64)
    angle = off * np.float32(2.0 * np.pi)
    along, across = ((part(angle) * weight).sum(axis=1, keepdims=True) for part in (np.cos, np.sin))
    off -= np.arctan2(across, along) / np.float32(2.0 * np.pi)
    off -= np.rint(off)
    off *= period / wide
    density = np.exp(np.float32(-0.5) * off * off)
    density *= np.float32((1.0 - wild) / np.sqrt(2.0 * np.pi)) / wide
    density += np.float32(wild) / period
    nats = np.log(density).sum(axis=1, dtype=np.float64)
    # given where the first one is: that leaves the grid no other place than about it
    room = np.minimum(np.sqrt(2.0 * np.pi / total), periods)
    out: Floats = nats + np.log(room)
    return out
