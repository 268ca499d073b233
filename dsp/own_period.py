"""The symbol period of one talker, where its clock differs from that of the others on the line.

A talker that makes symbols by counting cycles of its own carrier has a symbol rate as far off as the carrier is. Its
transmissions are found with the period of all; the instants of its flips then show its own: all lie on a grid of one
period, each transmission's with a first edge of its own.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dsp.correlate import Complexes, cos_sin
from dsp.fits import Fits, Ints
from dsp.flips import Flips
from dsp.period import Period, period_through, pooled_period
from dsp.runs import Runs
from dsp.settling import settle
from dsp.source import Floats

# by what share a talker's clock is looked for from the period that its transmissions were found with
_WIDEST = 0.012
# steps over the period, in turns of the longest transmission
_STEP = 0.12
# share of all flips' turns that their sum is if each lies within an eighth of a symbol of where a grid has it, as those do
# that are counted rightly: the period need not be looked for
_LINED_UP = 0.9
# standard uncertainties by which the flips, and natural units by which the symbols, must tell a period from another
_APART = 4.0
_GAINED = 8.0


def with_own_period(fits: Fits, shared: float, runs: Runs, flips: Flips) -> tuple[Fits, Period | None]:
    """One talker's transmissions, fitted with its own symbol period where that is not the ``shared`` one (samples).

    The period is None where it is the shared one as far as can be told. ``runs`` are the symbols of the transmissions and
    ``flips`` theirs.
    """
    near = _by_flips(runs, flips)
    if near is None or abs(near.value - shared) < _APART * near.std:
        return fits, None
    own = pooled_period(with_period(fits, near.value), near.value, fits.turned.sharp)
    if abs(own.value - shared) < _APART * own.std:
        return fits, None
    better = settle(with_period(fits, own.value))
    if float(np.sum(better.nats)) < float(np.sum(fits.nats)) + _GAINED:
        return fits, None
    # of weak symbols the likelihood has many tops, each narrower than what the flips leave open
    return better, replace(own, std=float(np.hypot(own.std, own.value - near.value)))


def with_period(fits: Fits, period: float) -> Fits:
    """The same about their middles with another period."""
    return replace(fits, period=np.full(len(fits), period), start=fits.middle - 0.5 * fits.count * period)


def _by_flips(runs: Runs, flips: Flips) -> Period | None:
    """The period on whose grid the flips lie, each transmission's grid beginning anywhere; None of too few."""
    owner = np.repeat(np.arange(len(runs)), np.diff(flips.offset))
    if owner.size < len(runs) + 4:
        return None
    base = float(np.median(runs.period))
    place = (flips.where - 0.5 * (runs.first + runs.last)[owner]) / base
    std = np.hypot((flips.high - flips.low) / 3.92, 0.3)
    weight = 1.0 / ((std / base) ** 2 + 0.01)
    ratio, lined = 1.0, _grids(place, owner, weight, len(runs))
    if float(np.sum(np.abs(lined))) < _LINED_UP * float(np.sum(weight)):
        steps = int(np.ceil(_WIDEST * float(runs.count.max()) / 2.0 / _STEP)) + 1
        ratios = 1.0 + np.linspace(-_WIDEST, _WIDEST, 2 * steps + 1)
        each = [_grids(place / r, owner, weight, len(runs)) for r in ratios]
        best = int(np.argmax([float(np.sum(np.abs(one))) for one in each]))
        ratio, lined = float(ratios[best]), each[best]
    begins = np.angle(lined) / (2.0 * np.pi)
    number = np.rint(place / ratio - begins[owner])
    return period_through(flips.where, number, owner, std)


def _grids(place: Floats, owner: Ints, weight: Floats, count: int) -> Complexes:
    """Sum of all flips of each transmission as turns around one symbol (count,), complex."""
    cos, sin = cos_sin(2.0 * np.pi * place)
    return np.bincount(owner, weight * cos, count) + 1j * np.bincount(owner, weight * sin, count)
