"""A carrier that changes steadily where two parts of a transmission meet: its phase runs along a parabola there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dsp.fits import Fits, Flags, Ints, carry, scored
from dsp.source import Floats


def told_by(mine: Fits, yours: Fits, before: Ints, silent: Ints) -> tuple[Floats, Floats]:
    """Log-likelihood (n,) of the same symbols: of those ``before`` by one fit, after the ``silent`` ones by the other.

    And that of the silent ones among them, each by the likelier.
    """
    column = np.arange(int(mine.count.max()))[None, :]
    first, last = column < before[:, None], column >= (before + silent)[:, None]
    one, other, inside = mine.symbol_nats(), yours.symbol_nats(), mine.inside()
    nats = np.where(first, one, np.where(last, other, np.maximum(one, other)))
    between = np.sum(nats, axis=1, where=inside & ~first & ~last)
    return np.asarray(np.sum(nats, axis=1, where=inside)), np.asarray(between)


def bent(both: Fits, one: Fits, other: Fits, silent: Ints) -> tuple[Fits, Floats]:
    """A straight fit to ``both`` sides whose carrier goes on steadily from one's to the other's, and how likely that is.

    A parabola has three parameters and the straight phases of the sides have four: what they say of the turn between
    their middles must agree, and each gives way by its variance (least squares). The log-likelihood (n,) is that of the
    sides with their own carriers so put right.
    """
    apart = _apart(one, other)
    # what moves turns the symbol clock as it does the carrier
    period = apart / (silent + 0.5 * (one.count + other.count))
    start = 0.5 * (one.middle + other.middle + (0.5 * (other.count - one.count) - both.count) * period)
    both = replace(both, period=period, start=start)
    first, second = (side.count * side.period for side in (one, other))
    # a straight line through a stretch of a parabola passes it in the middle by a twelfth of its length squared
    turn = other.phase - one.phase - 0.5 * apart * (one.detune + other.detune)
    turn -= _bend(one, other) * (second**2 - first**2) / 12.0
    turn -= np.pi * np.rint(turn / np.pi)
    phase = [1.0 / (side.count * side.gain**2) for side in (one, other)]
    slope = [0.5 * apart * var for var in (_carrier_variance(one), _carrier_variance(other))]
    share = turn / (phase[0] + phase[1] + 0.5 * apart * (slope[0] + slope[1]))
    mine, yours = (
        replace(
            both,
            amplitude=side.amplitude,
            detune=side.detune + slope[i] * share,
            phase=side.phase + (phase[0], -phase[1])[i] * share,
            centre=side.centre,
        )
        for i, side in enumerate((one, other))
    )
    bend = 0.5 * (yours.detune - mine.detune) / apart
    to = both.middle - mine.centre
    both = replace(
        both,
        detune=mine.detune + 2.0 * bend * to,
        phase=mine.phase + mine.detune * to + bend * to**2,
        centre=both.middle,
    )
    return scored(carry(both, hold_carrier=True)), told_by(mine, yours, one.count, silent)[0]


def bend_alike(one: Fits, other: Fits, wide_one: Fits, wide_other: Fits) -> Flags:
    """Whether sides bend as a carrier that changes steadily from one's to the other's does (n,), rather than not at all.

    What changes steadily does so within each side as well, which ``wide_one`` and ``wide_other`` tell from more symbols;
    two of different carriers next to each other do not. The likelier of the two, deviations being normal.
    """
    own, variance = zip(*(_bend_within(side) for side in (wide_one, wide_other)), strict=True)
    across = 0.25 * (_carrier_variance(one) + _carrier_variance(other)) / _apart(one, other) ** 2
    bends, variances = np.array([_bend(one, other), *own]), np.array([across, *variance])
    common = np.sum(bends / variances, axis=0) / np.sum(1.0 / variances, axis=0)
    steady = np.sum((bends - common) ** 2 / variances, axis=0)
    return np.asarray(steady < np.sum(bends[1:] ** 2 / variances[1:], axis=0))


def _apart(one: Fits, other: Fits) -> Floats:
    """Samples between the middles of sides."""
    return np.maximum(other.middle - one.middle, one.period)


def _bend(one: Fits, other: Fits) -> Floats:
    """Half of what the carrier changes by from the middle of one to that of the other, in radians a sample squared."""
    return np.asarray(0.5 * (other.detune - one.detune) / _apart(one, other))


def _carrier_variance(side: Fits) -> Floats:
    """Variance of a carrier told by so many symbols, in radians a sample squared (Rife and Boorstyn 1974)."""
    return np.asarray(12.0 / (side.count * (side.gain * side.count * side.period) ** 2))


def _bend_within(side: Fits) -> tuple[Floats, Floats]:
    """By how much each phase leaves its straight line as a parabola does, in radians a sample squared, and its variance.

    Both (n,); one step of Newton's from the straight line, the bits averaged out.
    """
    side = carry(side)
    edges, inside = side.edges(), side.inside()
    y = side.turned.between(edges) * side.normal() * np.exp(-1j * side.angles(edges))
    square = np.where(inside, (0.5 * (edges[:, 1:] + edges[:, :-1]) - side.middle[:, None]) ** 2, 0.0)
    square = np.where(inside, square - (square.sum(axis=1) / side.count)[:, None], 0.0)
    # too few symbols tell nothing
    power = np.maximum(np.sum(square**2, axis=1), 1e-9) * side.gain
    pull = np.tanh(side.gain[:, None] * y.real) * y.imag
    return np.sum(pull * square, axis=1) / power, 1.0 / (side.gain * power)
