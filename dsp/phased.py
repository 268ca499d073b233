"""Where weak transmissions of a known carrier, symbol period and strength lie: the likeliest path of all.

Energy alone loses weak symbols and bridges short silences. Where carrier and strength are known, a transmission is a
state that lasts, one of eight timings and eight phases, and the likeliest path through silence and these states
(Viterbi 1967) tells silence, and one transmission from the next: two that follow each other closely share neither phase
nor timing. A state may slip to its neighbour now and then, since neither carrier nor clock are just as they are taken.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.correlate import log_cosh
from dsp.detect import PHASES, Grid
from dsp.fits import Flags, Ints

Singles = NDArray[np.float32]
# first and last symbol (half-open), and the column of the grid
_Run = tuple[int, int, int]

# phases of half a turn that are told apart
_TURNS = 8
_STATES = PHASES * _TURNS
# a transmission begins once in some sixty symbols, in one of the states, and ends after some forty
_BEGIN_NATS = np.float32(np.log(60.0 * _STATES))
_END_NATS = np.float32(np.log(40.0))
# nobody pauses for less
_PAUSE = 2
# a carrier or clock that is a little off moves on by a state once in a while; looked at every four symbols. Anything
# from 6 to 12 finds as many in drawn captures of 2 to 5 dB
_SLIP_NATS = np.float32(8.0)
_BLOCK = 4
# symbols that are worked on as one row, by how many neighbouring rows overlap on either side, and rows at a time
_ROW = 768
_BESIDE = 160
_ROWS = 128
_NEVER = np.float32(-20.0)


def likeliest_runs(grid: Grid, gain: float, barred: Flags) -> Ints:
    """Half-open symbol ranges of the grid that are sent, along the likeliest path, and the column of each (r, 3).

    ``gain`` is the length of a symbol, ``sqrt(2 Es/N0)``; symbols that are ``barred`` (symbols,) are silent.
    """
    begins = np.arange(0, max(1, grid.count), _ROW) - _BESIDE
    out: list[_Run] = []
    for first in range(0, begins.size, _ROWS):
        some = begins[first : first + _ROWS]
        for low, found in zip(some.tolist(), _paths(grid, gain, barred, some), strict=True):
            end = low + _ROW + 2 * _BESIDE
            for a, b, column in found:
                # what reaches an end of the row goes on in the next one
                mine = low + _BESIDE <= (a + b) // 2 < end - _BESIDE
                if mine or (low > 0 and a <= low) or (end < grid.count and b >= end):
                    out.append((a, b, column))
    return _joined(out)


def _joined(runs: list[_Run]) -> Ints:
    """In order, and what two rows found of one as one."""
    out: list[_Run] = []
    for a, b, column in sorted(runs):
        if out and a < out[-1][1] - 2:
            out[-1] = (out[-1][0], max(b, out[-1][1]), out[-1][2])
        else:
            out.append((a, b, column))
    return np.array(out, dtype=np.int64).reshape(-1, 3)


def _paths(grid: Grid, gain: float, barred: Flags, begins: Ints) -> list[list[_Run]]:
    """The runs along the likeliest path of each row of symbols from ``begins`` on."""
    size = _ROW + 2 * _BESIDE
    rows = begins.size
    off = np.zeros(rows, dtype=np.float32)
    on = np.full((rows, PHASES, _TURNS), -np.inf, dtype=np.float32)
    since = np.zeros((rows, PHASES, _TURNS), dtype=np.int32)
    flat, flat_since = on.reshape(rows, _STATES), since.reshape(rows, _STATES)
    # where the run began that ends before each symbol on the path that is silent then, or -1
    ended = np.full((size + 1, rows), -1, dtype=np.int32)
    column = np.zeros((size + 1, rows), dtype=np.int8)
    each = np.arange(rows)
    earlier = [off] * (_PAUSE + 1)
    for k in range(size):
        if k % _BLOCK == 0:
            nats = _nats(grid, gain, barred, begins + k)
            _slip(on, since)
        earlier = [*earlier[1:], off]
        entry = (earlier[0] - _BEGIN_NATS)[:, None]
        np.copyto(flat_since, k, where=entry > flat)
        np.maximum(flat, entry, out=flat)
        flat += nats[k % _BLOCK]
        best = flat.argmax(axis=1)
        left = flat[each, best] - _END_NATS
        better = left > off
        if better.any():
            ended[k + 1] = np.where(better, flat_since[each, best], -1)
            column[k + 1] = best // _TURNS
            off = np.maximum(off, left)
    return [
        _back(ended[:, row].tolist(), column[:, row].tolist(), low) for row, low in enumerate(begins.tolist())
    ]


def _nats(grid: Grid, gain: float, barred: Flags, begins: Ints) -> Singles:
    """Log-likelihood ratio (block, rows, states) of the symbols from ``begins`` on, in each state, against silence."""
    at = begins + np.arange(_BLOCK)[:, None]
    inside = (at >= 0) & (at < grid.count)
    at = np.where(inside, at, 0)
    angle = np.pi * np.arange(_TURNS) / _TURNS
    u = grid.u[at][..., None]
    y = u.real * (gain * np.cos(angle)).astype(np.float32)
    y += u.imag * (gain * np.sin(angle)).astype(np.float32)
    nats = np.asarray(log_cosh(y), dtype=np.float32)
    nats -= np.float32(gain * gain / 2.0)
    nats[~inside | barred[at]] = _NEVER
    return nats.reshape(_BLOCK, begins.size, _STATES)


def _slip(on: Singles, since: NDArray[np.int32]) -> None:
    """Let each state be reached from its neighbours in timing and in phase."""
    for axis in (1, 2):
        for way in (1, -1):
            other = np.roll(on, way, axis) - _SLIP_NATS
            slips = other > on
            np.copyto(since, np.roll(since, way, axis), where=slips)
            np.maximum(on, other, out=on)


def _back(ended: list[int], column: list[int], low: int) -> list[_Run]:
    runs: list[_Run] = []
    k = len(ended) - 1
    while k > 0:
        if ended[k] >= 0:
            runs.append((low + ended[k], low + k, column[k]))
            k = max(0, ended[k] - _PAUSE)
        else:
            k -= 1
    return runs[::-1]
