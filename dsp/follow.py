"""What transmissions show of a carrier that wanders: by temperature, by Doppler, by a motor that runs up.

One carrier for a whole record holds as long as it wanders by less than a small part of the symbol rate. Of many
cycles a symbol, two percent of the carrier are most of a symbol rate: symbols far from where the link was learned
then fall short, and the phase bends within a transmission. What stretches of symbols show of their carriers is
smoothed over time by locally weighted regression (Cleveland 1979), the width of which is the one that best foretells
each transmission from the others (cross-validation, Stone 1974).
"""

from __future__ import annotations

import numpy as np

from dsp.detect import LONG
from dsp.fits import Ints
from dsp.runs import Runs
from dsp.source import Floats
from dsp.talkers import Talker
from dsp.wander import Wander, wander_through

# symbols over which the phase of a transmission tells its carrier at a place
_CHUNK = 24
# so many of those of one transmission are foretold from what is further off than they
_TOGETHER = 10
# cycles a symbol by which a carrier may wander over a record, and half turns within one fit, for nothing to be lost
_HARMLESS_CYCLES = 0.1
_HARMLESS_TURN = 0.15
# places that the curve has at the most, and that show a curve at all
_KNOTS = 257
_FEWEST = 8
# shares of the places that a width covers, and rounds in which outliers lose their weight
_SHARES = (2.0, 0.7, 0.35, 0.18, 0.09, 0.045, 0.022)
_ROUNDS = 3
# a narrower width must foretell better by this factor: of many tried one is better by chance
_BETTER = 0.9


def wander_of(talkers: list[Talker], omega: float, period: float, samples: int) -> Wander | None:
    """How the carrier wanders about ``omega`` (radians a sample) over a record of so many samples; None if it does no harm.

    Symbols have ``period`` samples.
    """
    if not talkers:
        return None
    shown = [_shown(talker) for talker in talkers]
    place, value, weight = (np.concatenate([one[i] for one in shown]) for i in range(3))
    # transmissions are foretold from others, long ones from what stands further off in them
    sizes = np.array([one[3].max(initial=-1) + 1 for one in shown])
    offset = np.cumsum(sizes) - sizes
    group = np.concatenate([one[3] + o for one, o in zip(shown, offset.tolist(), strict=True)])
    value = value - omega
    # nothing is lost where what wide parts of the record show agrees
    if place.size < _FEWEST or np.ptp(value) * period < 2.0 * np.pi * 0.5 * _HARMLESS_CYCLES:
        return None
    knots, along = _smoothed(place, value, weight, group, samples)
    wander = wander_through(knots, along)
    cycles = float(np.ptp(along)) * period / (2.0 * np.pi)
    bend = float(np.max(np.abs(np.diff(along) / np.diff(knots)))) * (0.5 * LONG * period) ** 2 / 2.0
    return wander if max(cycles / _HARMLESS_CYCLES, bend / (np.pi * _HARMLESS_TURN)) > 1.0 else None


def _shown(talker: Talker) -> tuple[Floats, Floats, Floats, Ints]:
    """Places in the record (c,), the carrier in radians a sample that each stretch of symbols shows, its weight, and a
    number that neighbouring stretches of one transmission have in common."""
    runs, strip = talker.runs, talker.strip
    first, last, group = _chunks(runs)
    middle = 0.5 * (runs.starts + runs.stops)
    # the phase of each symbol, whatever its sign
    angle = runs.angles + np.angle(runs.symbols * np.sign(runs.symbols.real))
    owner = np.repeat(np.arange(first.size), last - first)
    at = (
        np.arange(owner.size)
        - np.repeat(np.cumsum(last - first) - (last - first), last - first)
        + first[owner]
    )
    gain2 = runs.gains[at] ** 2

    def total(values: Floats) -> Floats:
        return np.asarray(np.bincount(owner, values, first.size), dtype=np.float64)

    mass = total(gain2)
    centre = total(gain2 * middle[at]) / mass
    lever = middle[at] - centre[owner]
    inertia = np.maximum(total(gain2 * lever**2), 1e-300)
    slope = total(gain2 * lever * angle[at]) / inertia
    place = centre + strip.shift(centre)
    omega = runs.turned.omega + slope
    return place, omega if strip.wander is None else omega + strip.wander.omega_at(place), inertia, group


def _chunks(runs: Runs) -> tuple[Ints, Ints, Ints]:
    """First and last (half-open) symbols of stretches of some `_CHUNK`, none over two transmissions, and their groups."""
    many = np.maximum(1, runs.count // _CHUNK)
    owner = np.repeat(np.arange(len(runs)), many)
    k = np.arange(owner.size) - np.repeat(np.cumsum(many) - many, many)
    first = runs.offset[owner] + k * runs.count[owner] // many[owner]
    last = runs.offset[owner] + (k + 1) * runs.count[owner] // many[owner]
    fresh = np.diff(owner, prepend=-1) | (k % _TOGETHER == 0)
    return first, last, np.cumsum(fresh != 0) - 1


def _smoothed(
    place: Floats, value: Floats, weight: Floats, group: Ints, samples: int
) -> tuple[Floats, Floats]:
    """Places over the record (k,) and the smooth curve there, of the width that foretells best."""
    order = np.argsort(place, kind="stable")
    place, value, weight, group = _binned(place[order], value[order], weight[order], group[order])
    knots = np.union1d(np.linspace(0.0, float(samples), _KNOTS), np.array([place[0], place[-1]]))
    best, curve = np.inf, knots
    for share in _SHARES:
        reach = max(3.5, share * place.size)
        robust = np.ones(place.size)
        for _ in range(_ROUNDS):
            off = value - _local(place, value, weight * robust, place, reach, group)
            scale = 6.0 * float(np.median(np.abs(off))) + 1e-300
            robust = np.clip(1.0 - (off / scale) ** 2, 0.0, 1.0) ** 2 + 1e-9
        error = float(np.median(np.abs(off)))
        if error < _BETTER * best:
            best = error
            curve = _local(place, value, weight * robust, knots, reach)
        if reach <= 3.5:
            break
    return knots, curve


def _binned(place: Floats, value: Floats, weight: Floats, group: Ints) -> tuple[Floats, Floats, Floats, Ints]:
    """Points in order as at most some 400 of them: the median of each bin of as many points."""
    size = -(-place.size // 400)
    if size == 1:
        return place, value, weight, group
    at = np.arange(0, place.size, size)
    ends = np.append(at[1:], place.size)
    rows = [slice(a, b) for a, b in zip(at.tolist(), ends.tolist(), strict=True)]
    return (
        np.array([float(np.mean(place[r])) for r in rows]),
        np.array([float(np.median(value[r])) for r in rows]),
        np.array([float(np.sum(weight[r])) for r in rows]),
        group[at],
    )


def _local(
    place: Floats, value: Floats, weight: Floats, wanted: Floats, reach: float, left_out: Ints | None = None
) -> Floats:
    """Straight lines through the ``reach`` nearest points of each place wanted (k,), near ones counting more.

    ``left_out`` (points,), where the places wanted are the points, leaves out those of the same number. Beyond the first
    and last point the line there goes on.
    """
    inner = np.clip(wanted, place[0], place[-1])
    off = place[None, :] - inner[:, None]
    far = np.abs(off)
    many = min(int(np.ceil(reach)), place.size - 1)
    width = np.partition(far, many, axis=1)[:, many] * max(1.0, reach / place.size) * 1.0001 + 1e-9
    near = np.clip(1.0 - (far / width[:, None]) ** 3, 0.0, 1.0) ** 3 * weight
    if left_out is not None:
        near[left_out[:, None] == left_out[None, :]] = 0.0
    mass = near.sum(axis=1) + 1e-300
    centre = (near * off).sum(axis=1) / mass
    mean = (near * value).sum(axis=1) / mass
    lever = off - centre[:, None]
    slope = (near * lever * value).sum(axis=1) / ((near * lever**2).sum(axis=1) + 1e-300)
    return np.asarray(mean + slope * (wanted - inner - centre))
