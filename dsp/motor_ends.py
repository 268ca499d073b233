"""How a motor turns at the ends of a stretch, where no row of samples has its middle: fitted to the samples themselves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dsp.motor_lines import MotorLines, Turning
from dsp.source import Record
from dsp.tones import Complexes, Floats

# rows from an end in which the phase is fitted, and powers of the distance from where it is known: it goes on from there
# without a bend
_ROWS, _POWERS = 2, (2, 3, 4)
# steps of Gauss and Newton
_STEPS = 6


def with_ends(record: Record, lines: MotorLines, length: int) -> MotorLines:
    """The same, its phase within some rows of ``length`` samples from either end being what leaves least of the samples."""
    reach = min(_ROWS * length, (lines.last - lines.first) // 2)
    for origin, side in ((reach, -1), (lines.last - lines.first - reach, 1)):
        lines = _with_end(record, lines, origin, side * reach)
    return lines


def _with_end(record: Record, lines: MotorLines, origin: int, reach: int) -> MotorLines:
    """Least squares over the samples from ``origin`` as far as ``reach``, which is negative at the start."""
    n = np.arange(min(origin, origin + reach), max(origin, origin + reach), dtype=np.float64)
    values = record.read_centred(lines.first + int(n[0]), lines.first + int(n[-1]) + 1).astype(np.float64)
    powers = _powers(n, origin, reach)
    level = np.ones((n.size, 1))
    best, left = lines, np.inf
    for _ in range(_STEPS):
        wave, slope = _wave(lines, n)
        rest = values - wave
        rest -= rest.mean()
        power = float(rest @ rest)
        if power >= left:
            break
        best, left = lines, power
        shift = np.linalg.lstsq(np.concatenate((slope[:, None] * powers, level), axis=1), rest, rcond=None)[
            0
        ][:-1]
        at, phase = lines.turning.at, lines.turning.phase
        turning = Turning(at, phase + _powers(at, origin, reach) @ shift)
        lines = replace(lines, turning=turning, _waves={})
    return best


def _powers(n: Floats, origin: int, reach: int) -> Floats:
    """Powers (n, p) of the distance from the origin towards the end, zero on the other side."""
    away = np.maximum((n - origin) / reach, 0.0)
    return np.stack([away**power for power in _POWERS], axis=1)


def _wave(lines: MotorLines, n: Floats) -> tuple[Floats, Floats]:
    """The lines together at places ``n`` (s,), and by how much that changes as the phase does."""
    turn = lines.turning.of(n) / lines.parts
    whole: Complexes = np.zeros(n.size, dtype=np.complex128)
    change: Complexes = np.zeros(n.size, dtype=np.complex128)
    for order, tone in lines.lines:
        own = tone.at(n) * np.exp(1j * (tone.omega * n + np.remainder(order * turn, 2.0 * np.pi)))
        whole += own
        change += 1j * order / lines.parts * own
    return np.asarray(whole.real), np.asarray(change.real)
