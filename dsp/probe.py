"""Looks at a record at chosen instants only: the value there, or the carrier's amplitude and phase there.

The work grows with the number of instants, never with the length of the record, so that a picture of a capture of any
length costs what is shown of it.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from dsp.errors import BadInputError
from dsp.source import Record

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

_AT_ONCE = 1 << 20
_TAPS = 4096  # of a window; of a longer one, samples are taken apart


def values_at(record: Record, times_s: Floats) -> Floats:
    """The record on the straight line between two samples at ``times_s``, any shape, in the channel's unit.

    nan where there is no sample on both sides within one stretch.
    """
    times = np.asarray(times_s, np.float64)
    out = np.full(times.size, np.nan)
    flat = times.reshape(-1)
    for first, last, start_s in _stretches(record):
        place = (flat - start_s) * record.rate_hz + first
        chosen = np.flatnonzero((place >= first) & (place <= last - 1))
        if not chosen.size:
            continue
        left = np.minimum(np.floor(place[chosen]).astype(np.int64), max(last - 2, first))
        pair = _gathered(record, left, 2 if last - first > 1 else 1)
        out[chosen] = pair[:, 0] + (place[chosen] - left) * (pair[:, -1] - pair[:, 0])
    return out.reshape(times.shape)


def carrier_at(
    record: Record, times_s: Floats, carrier_hz: float, *, width_s: float | None = None
) -> Complexes:
    """Complex amplitude of the carrier about each instant: peak value and phase, any shape.

    The samples about the instant are turned back by ``exp(-2 pi i carrier_hz t)``, with ``t`` on the record's own time
    axis, and averaged under a window: a Hann window over two cycles, whose transform is zero at the carrier frequency
    and at twice that (F. J. Harris, "On the use of windows for harmonic analysis with the discrete Fourier
    transform", Proc. IEEE 66 (1978), from memory), so that neither the supply's level nor the image reaches the result;
    or, with ``width_s``, the plain mean over that time, which is the matched filter of one symbol.

    nan where the window does not fit into a stretch.

    Raises
    ------
    BadInputError : a carrier that is not positive, or not below half the sample rate.
    """
    if not 0 < carrier_hz < record.rate_hz / 2:
        raise BadInputError(
            f"a carrier of {carrier_hz:g} Hz cannot be followed at {record.rate_hz:g} samples a second"
        )
    times = np.asarray(times_s, np.float64)
    flat = times.reshape(-1)
    out = np.full(flat.size, np.nan, np.complex128)
    half = (width_s * record.rate_hz if width_s else 2 * record.rate_hz / carrier_hz) / 2
    taps = math.ceil(2 * half) + 2
    for first, last, start_s in _stretches(record):
        place = (flat - start_s) * record.rate_hz + first
        chosen = np.flatnonzero((place - half >= first) & (place + half <= last - 1))
        for part in np.array_split(chosen, max(1, math.ceil(chosen.size * taps / _AT_ONCE))):
            if part.size:
                out[part] = _turned_back(
                    record,
                    place[part],
                    start_s - first / record.rate_hz,
                    carrier_hz,
                    half,
                    bool(width_s),
                    last,
                )
    return out.reshape(times.shape)


def _turned_back(
    record: Record, place: Floats, origin_s: float, carrier_hz: float, half: float, flat: bool, last: int
) -> Complexes:
    left = np.maximum(np.floor(place - half).astype(np.int64), 0)
    taps = math.ceil(2 * half) + 2
    apart = max(1, -(-taps // _TAPS))
    steps = np.arange(0, taps, apart)
    x = _gathered(record, left, taps)[:, ::apart]
    x = x - x.mean(axis=1, keepdims=True)
    distance = np.abs(left[:, None] + steps - place[:, None])
    weights = (
        np.clip(0.5 + half - distance, 0, 1)
        if flat
        else np.where(distance < half, _hann(distance / half), 0.0)
    )
    weights = np.where(left[:, None] + steps < last, weights, 0.0)
    # whole turns are taken off before the multiplication, so that a late start keeps its digits
    turns = (left / record.rate_hz + origin_s) * carrier_hz
    angle = -2 * np.pi * ((turns - np.round(turns))[:, None] + steps * (carrier_hz / record.rate_hz))
    summed: Complexes = np.sum(weights * x * np.exp(1j * angle), axis=1)
    averaged: Complexes = 2 * summed / weights.sum(axis=1)
    return averaged


def _hann(part: Floats) -> Floats:
    raised: Floats = 0.5 + 0.5 * np.cos(np.pi * part)
    return raised


def _gathered(record: Record, left: NDArray[np.int64], count: int) -> Floats:
    """Samples ``[left, left + count)`` of each, shape (left, count); those beyond the end repeat the last one."""
    length = len(record.source)
    order = np.argsort(left, kind="stable")
    out = np.empty((left.size, count))
    ordered = left[order]
    at = 0
    while at < order.size:
        # instants that lie close together are read in one go
        begin = int(ordered[at])
        stop = int(np.searchsorted(ordered, begin + max(4 * count, 1 << 16), side="left"))
        rows = order[at : max(stop, at + 1)]
        end = min(int(ordered[at + rows.size - 1]) + count, length)
        block = record.read(begin, end)
        inside = np.minimum(left[rows, None] - begin + np.arange(count), block.size - 1)
        out[rows] = block[inside]
        at += rows.size
    return out


def _stretches(record: Record) -> list[tuple[int, int, float]]:
    return [(one.first, one.last, one.start_s) for one in record.stretches if len(one)]
