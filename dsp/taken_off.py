"""What stands on a line beside what is sent, taken off step by step: waves that repeat, jumps of the level, lines of motors,
steady tones."""

from __future__ import annotations

import numpy as np

from dsp.baseline import CELL
from dsp.comb import without_comb
from dsp.jumps import without_jumps
from dsp.look import looked_at
from dsp.motor import without_motor
from dsp.noise import NoiseFloor, estimate_noise
from dsp.source import Record
from dsp.steady import without_tones

Line = tuple[Record, NoiseFloor]
"""A record and its floor."""

# cycles in a cell of the slow part below which a floor says nothing (`dsp.noise`)
_SLOW_CELLS = 2.0


def without_all(record: Record, noise: NoiseFloor) -> Line:
    """The record less all of that, and the floor of what is left.

    A wave with edges may repeat, and its level jumps: it counts as that which leaves less of it.
    """
    wave = without_comb(record, noise)
    if wave is record:
        return _without_jumps(record, noise)
    wave = looked_at(wave)
    repeats = _without_jumps(wave, estimate_noise(wave) or noise)
    if without_jumps(record) is record:
        return repeats
    return min(repeats, _without_jumps(record, noise), key=lambda line: _left(line[1]))


def _without_jumps(record: Record, noise: NoiseFloor) -> Line:
    """The record less jumps, if there are any, lines of motors, and steady tones."""
    level = without_jumps(record)
    if level is record:
        return _without_lines(record, noise)
    if noise.lines.max(initial=1.0) > 1.0:
        # edges of ripple are as abrupt as jumps; where they go with its lines there are none
        calm, floor = _without_lines(record, noise)
        if calm is not record and without_jumps(calm) is calm:
            return calm, floor
    level = looked_at(level)
    return _without_lines(level, estimate_noise(level) or noise)


def _without_lines(record: Record, noise: NoiseFloor) -> Line:
    """The record less lines of motors, and steady tones."""
    still = without_motor(record, noise)
    if still is not record:
        noise = estimate_noise(still) or noise
    return without_tones(still, noise)


def _left(noise: NoiseFloor) -> float:
    """Mean logarithm of a floor and its lines, which the likelihood of noise of such a spectrum falls with (Whittle 1953)."""
    hz = noise.lines_hz[noise.lines_hz > _SLOW_CELLS * noise.rate_hz / CELL]
    return float(np.mean(np.log(noise.density(hz) * noise.line_ratio(hz))))
