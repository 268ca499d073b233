"""What transmissions show of a carrier that wanders: by temperature, by Doppler, by a motor that runs up.

One carrier for a whole record holds as long as it wanders by less than a small part of the symbol rate. Of many
cycles a symbol, two percent of the carrier are most of a symbol rate: symbols far from where the link was learned
then fall short, and the phase bends within a transmission. What stretches of symbols show of their carriers is
smoothed over time by locally weighted regression (Cleveland 1979), the width of which is the one that best foretells
each transmission from the others (cross-validation, Stone 1974).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.detect import LONG
from dsp.fits import Flags, Ints
from dsp.runs import Runs
from dsp.source import Floats
from dsp.strip import Strip
from dsp.talkers import Talker
from dsp.wander import Wander, wander_through

# symbols over which the phase of a transmission tells its carrier at a place
_CHUNK = 24
# so many of those of one transmission, and all within so many symbols, are foretold from what is further off than they
_TOGETHER = 40
_BESIDE_SYMBOLS = 150.0
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
_BETTER = 0.8


@dataclass(frozen=True, eq=False)
class Shown:
    """Places in the record (c,), the carrier that a stretch of symbols shows there (radians a sample beyond the model's),
    its weight, and a number that neighbouring stretches of one transmission have in common."""

    place: Floats
    value: Floats
    weight: Floats
    group: Ints

    def take(self, rows: Ints) -> Shown:
        return Shown(self.place[rows], self.value[rows], self.weight[rows], self.group[rows])


def wander_of(talkers: list[Talker], omega: float, period: float, samples: int) -> Wander | None:
    """How the carrier wanders about ``omega`` (radians a sample) over a record of so many samples; None if it does no harm.

    Symbols have ``period`` samples.
    """
    if not talkers:
        return None
    parts = [shown(talker.runs, talker.strip, omega) for talker in talkers]
    place, value, weight = (
        np.concatenate([getattr(one, n) for one in parts]) for n in ("place", "value", "weight")
    )
    sizes = np.array([one.group.max(initial=-1) + 1 for one in parts])
    group = np.concatenate([one.group for one in parts]) + np.repeat(
        np.cumsum(sizes) - sizes, [one.group.size for one in parts]
    )
    # nothing is lost where what wide parts of the record show agrees
    if place.size < _FEWEST or np.ptp(value) * period < 2.0 * np.pi * 0.5 * _HARMLESS_CYCLES:
        return None
    knots, along = _smoothed(Shown(place, value, weight, group), period, samples)
    wander = wander_through(knots, along)
    cycles = float(np.ptp(along)) * period / (2.0 * np.pi)
    bend = float(np.max(np.abs(np.diff(along) / np.diff(knots)))) * (0.5 * LONG * period) ** 2 / 2.0
    return wander if max(cycles / _HARMLESS_CYCLES, bend / (np.pi * _HARMLESS_TURN)) > 1.0 else None


def shown(runs: Runs, strip: Strip, omega: float) -> Shown:
    """What transmissions in a strip show of their carriers beyond ``omega`` (radians a sample), stretch by stretch."""
    first, size, group = _chunks(runs)
    middle = 0.5 * (runs.starts + runs.stops)
    # the phase of each symbol, whatever its sign
    along, across = runs.symbols.real.astype(np.float32), runs.symbols.imag.astype(np.float32)
    angle = runs.angles + np.arctan2(across * np.sign(along), np.abs(along))
    gain2 = runs.gains**2

    def total(values: Floats) -> Floats:
        return np.asarray(np.add.reduceat(values, first))

    mass = total(gain2)
    centre = total(gain2 * middle) / mass
    lever = middle - np.repeat(centre, size)
    pull = gain2 * lever
    inertia = np.maximum(total(pull * lever), 1e-300)
    slope = total(pull * angle) / inertia
    place = centre + strip.shift(centre)
    value = runs.turned.omega + slope - omega
    return Shown(
        place, value if strip.wander is None else value + strip.wander.omega_at(place), inertia, group
    )


def _chunks(runs: Runs) -> tuple[Ints, Ints, Ints]:
    """First symbols and sizes of stretches of some `_CHUNK`, none over two transmissions, and their groups; one begins
    where the other ends."""
    many = np.maximum(1, runs.count // _CHUNK)
    owner = np.repeat(np.arange(len(runs)), many)
    k = np.arange(owner.size) - np.repeat(np.cumsum(many) - many, many)
    first = runs.offset[owner] + k * runs.count[owner] // many[owner]
    fresh = np.diff(owner, prepend=-1) | (k % _TOGETHER == 0)
    return first, np.diff(first, append=runs.offset[-1]), np.cumsum(fresh != 0) - 1


def _smoothed(shown: Shown, period: float, samples: int) -> tuple[Floats, Floats]:
    """Places over the record (k,) and the smooth curve there, of the width that foretells best."""
    shown = _binned(shown.take(np.argsort(shown.place, kind="stable")))
    ends = np.array([shown.place[0], shown.place[-1]])
    knots = np.union1d(np.linspace(0.0, float(samples), _KNOTS), ends)
    near = np.abs(shown.place[:, None] - shown.place[None, :]) < _BESIDE_SYMBOLS * period
    left_out = near | (shown.group[:, None] == shown.group[None, :])
    # squares do not tell carriers from those half a cycle a symbol aside
    half = np.pi / period
    best, curve = np.inf, knots
    for share in _SHARES:
        reach = max(3.5, share * shown.place.size)
        robust = np.ones(shown.place.size)
        for _ in range(_ROUNDS):
            off = shown.value - _local(shown, robust, shown.place, reach, left_out)
            scale = 6.0 * float(np.median(np.abs(off))) + 1e-300
            robust = np.clip(1.0 - (off / scale) ** 2, 0.0, 1.0) ** 2 + 1e-9
        if share == _SHARES[0]:
            line = _local(shown, robust, shown.place, reach)
            shown = replace(shown, value=shown.value + half * np.rint((line - shown.value) / half))
            off = shown.value - line
        # the mean, since carriers of several talkers have no middle; what is far off is so by chance
        error = float(np.mean(np.minimum(np.abs(off), half / 4.0)))
        if error < _BETTER * best:
            best = error
            curve = _local(shown, robust, knots, reach)
        if reach <= 3.5:
            break
    return knots, curve


def _binned(shown: Shown) -> Shown:
    """Points in order as at most some 400 of them: the median of each bin of as many points."""
    size = -(-shown.place.size // 400)
    if size == 1:
        return shown
    at = np.arange(0, shown.place.size, size)
    ends = np.append(at[1:], shown.place.size)
    rows = [slice(a, b) for a, b in zip(at.tolist(), ends.tolist(), strict=True)]
    return Shown(
        np.array([float(np.mean(shown.place[r])) for r in rows]),
        np.array([float(np.median(shown.value[r])) for r in rows]),
        np.array([float(np.sum(shown.weight[r])) for r in rows]),
        shown.group[at],
    )


def _local(
    shown: Shown, robust: Floats, wanted: Floats, reach: float, left_out: Flags | None = None
) -> Floats:
    """Straight lines through the ``reach`` nearest points of each place wanted (k,), near ones counting more.

    ``left_out`` (k, points) are not used. Beyond the first and last point the line there goes on.
    """
    place, value = shown.place, shown.value
    inner = np.clip(wanted, place[0], place[-1])
    off = place[None, :] - inner[:, None]
    far = np.abs(off)
    many = min(int(np.ceil(reach)), place.size - 1)
    width = np.partition(far, many, axis=1)[:, many] * max(1.0, reach / place.size) * 1.0001 + 1e-9
    if left_out is not None:
        # as many of those that are left
        width = width + np.max(far, axis=1, where=left_out, initial=0.0)
    near = np.clip(1.0 - (far / width[:, None]) ** 3, 0.0, 1.0) ** 3 * (shown.weight * robust)
    if left_out is not None:
        near[left_out] = 0.0
    mass = near.sum(axis=1) + 1e-300
    centre = (near * off).sum(axis=1) / mass
    mean = (near * value).sum(axis=1) / mass
    lever = off - centre[:, None]
    slope = (near * lever * value).sum(axis=1) / ((near * lever**2).sum(axis=1) + 1e-300)
    return np.asarray(mean + slope * (wanted - inner - centre))
