"""A first cheap look at some places of a record: whether its level wanders, and the step of its converter."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.baseline import CELL
from dsp.source import Floats, Record

# places looked at: one in so many samples, within limits
_PLACE_EVERY = 1 << 14
_PLACES = (8, 256)
_PLACE = 4 * CELL
# what the means of cells may differ by before it is worth taking off: over what samples differ by within a cell that
# is like most, and over what they differ by within one that is full of a carrier; a low one's means differ by less
_WANDERS = 0.5
_CARRIER = 0.25
# values that tell a converter's step, and parts of the step that rounding may have moved them by
_VALUES = 1 << 14
_ROUNDING = 1e-3
# of what samples range over: no oscilloscope tells finer steps (16 bits, common practice, no published source), and a
# computed silence of exactly zero has no noise to compare with
_FINEST_STEP = 2.0**-16


def looked_at(record: Record) -> Record:
    """The same record, with what a look at places spread over it says about level and converter.

    The level is that of what is left when what is known and steady tones are taken off.
    """
    bounds = _places(record)
    places = [np.asarray(record.source[start:stop]) for start, stop in bounds]
    fine = [place.size > 0 and bool(np.isfinite(place).all()) for place in places]
    places = [place for place, is_fine in zip(places, fine, strict=True) if is_fine]
    if not places:
        return record
    if record.known or record.tones:
        left = [record.read_left(*bound) for bound, is_fine in zip(bounds, fine, strict=True) if is_fine]
        wanders = _wanders(left)
    else:
        wanders = _wanders([place.astype(np.float64) for place in places])
    return replace(record, wanders=wanders, step=_step(np.concatenate(places)) * abs(record.scale))


def _places(record: Record) -> list[tuple[int, int]]:
    """Spans of the record, evenly spread; all of a short one."""
    out: list[tuple[int, int]] = []
    share = max(1.0, record.samples / (_PLACES[1] * _PLACE_EVERY))
    for stretch in record.stretches:
        count = max(_PLACES[0], int(len(stretch) / (_PLACE_EVERY * share)))
        if len(stretch) <= count * _PLACE:
            out.append((stretch.first, stretch.last))
            continue
        starts = np.linspace(stretch.first, stretch.last - _PLACE, count).astype(np.int64).tolist()
        out.extend((start, start + _PLACE) for start in starts)
    return out[:: max(1, len(out) // (2 * _PLACES[1]))]


def _wanders(places: list[Floats]) -> bool:
    """Whether the level changes slowly by more than what else is there changes within a cell."""
    means, spreads = [], []
    # nearly all are alike, and looked at together
    for size in {place.size for place in places}:
        length = CELL if size >= _PLACE else max(1, size // 4)
        alike = np.stack([place[: size // length * length] for place in places if place.size == size])
        cells = alike.reshape(-1, length)
        means.append(cells.mean(axis=1))
        spreads.append(cells.std(axis=1))
    within, level = np.concatenate(spreads), np.concatenate(means)
    least = max(_WANDERS * float(np.median(within)), _CARRIER * float(within.max()))
    return float(np.ptp(level)) > least


def _step(stored: NDArray[Any]) -> float:
    """The step of the converter in the unit of the stored samples (n,); the finest there may be if none is seen."""
    some = stored[:: max(1, stored.size // _VALUES)]
    if stored.dtype.kind in "biu":
        return max(1.0, converter_step(some.astype(np.float64), 2.0**-52))
    values = some.astype(np.float64)
    return converter_step(values, float(np.finfo(stored.dtype).eps)) or float(np.ptp(values)) * _FINEST_STEP


def converter_step(values: Floats, precision: float) -> float:
    """The step of which all differences of ``values`` (n,) are multiples; 0 if there is none to be seen.

    ``precision`` is that of the values, relative to the largest. Euclid's algorithm over all differences of
    neighbouring values at once, with room for rounding.
    """
    different = np.unique(values)
    if different.size < 2:
        return 0.0
    gaps = np.diff(different)
    doubt = 2.0 * precision * float(np.abs(different[[0, -1]]).max())
    step = float(gaps.min())
    while step > doubt / _ROUNDING:
        rest = np.abs(gaps - step * np.rint(gaps / step))
        off = rest > _ROUNDING * step
        if not off.any():
            return step
        step = float(rest[off].min())
    return 0.0
