"""Carriers that differ by half a cycle a symbol, which squared symbols do not tell apart."""

from __future__ import annotations

import numpy as np

from dsp.correlate import Turned
from dsp.fits import Ints, groups_of
from dsp.source import Floats

# standard deviations by which a carrier half a cycle a symbol aside must be likelier
_SURELY = 6.0


def not_half_a_turn_off(
    turned: Turned, variance: float, period: float, start: Floats, count: Ints, detune: Floats
) -> Floats:
    """The same ``detune`` (b,) in radians a symbol, or half a turn a symbol more or less where that is far likelier.

    Squares do not tell the two apart, and the symbols' signs take up the difference; but within a symbol the phase runs on
    by half of it from its first half to the second. Transmissions of ``count`` (b,) symbols begin at ``start`` (b,);
    ``variance`` is that of a sample.
    """
    out = detune.copy()
    for rows in groups_of(count):
        k = np.arange(2 * int(count[rows].max(initial=1)) + 1)
        halves = turned.between(start[rows, None] + (0.5 * period) * np.minimum(k, 2 * count[rows, None]))
        first, second = halves[:, ::2], halves[:, 1::2]
        step = np.sum(second * np.conj(first), axis=1) * np.exp(-0.5j * detune[rows])
        # noise of the sum: that of each half times what the other one holds
        each = variance * period / 2.0
        energy = np.sum(np.abs(first) ** 2 + np.abs(second) ** 2, axis=1)
        sure = np.abs(step.imag) - step.real > _SURELY * np.sqrt(each * energy)
        out[rows] += np.where(sure, np.pi * np.sign(step.imag), 0.0)
    return out
