"""A part of the spectrum by itself, as a record in white noise.

What stands beside a transmission is filtered off, and noise of the density that is within its band fills the rest, so that
a search meets what it knows: something sent in white noise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from dsp.equalise import Equalised, Singles
from dsp.noise import NoiseFloor
from dsp.source import Record, Stretch
from dsp.unbroken import Unbroken, own_range

# what is beside is weaker by so many decibels, over a share of the band's width
_STOPPED_DB, _FLANK = 80.0, 0.125
# widths of the band beyond which rectangular symbols have no more than a hundredth of their energy
_REACH = 4.0


@dataclass(frozen=True, eq=False)
class OneBand(Equalised):
    """Samples of which the filter lets a band pass; what it stops is noise of the deviation ``added``."""

    def _loaded(self, stretch: Stretch, low: int, high: int) -> Singles:
        return self.record.read_centred(low, high) - self.noise(stretch, low, high)

    def _filtered(self, stretch: Stretch, start: int, stop: int) -> Singles:
        return super()._filtered(stretch, start, stop) + self.noise(stretch, start, stop)


def by_itself(
    record: Record, noise: NoiseFloor, one: Unbroken, seen: Sequence[Unbroken] = (), most: float = math.inf
) -> tuple[Record, NoiseFloor]:
    """What stands in the band of a transmission, up to where something else begins or was ``seen``, and the floor it is in.

    The floor is told so high that its power is at most so many times, ``most``, that of noise in its band. The filter
    delays nothing (linear phase, windowed by Kaiser 1974).
    """
    from scipy.signal import firwin, kaiserord

    low, high = own_range(noise, one, seen)
    alone = not record.known and low <= noise.floor_hz[0] and high >= noise.floor_hz[-1]
    if not alone:
        # of what is known and was taken off something is left wherever it is quiet
        reach = _REACH * (one.high_hz - one.low_hz)
        low, high = max(low, one.low_hz - reach), min(high, one.high_hz + reach)
    inside = (noise.floor_hz >= low) & (noise.floor_hz <= high)
    least = one.power / (most * (one.high_hz - one.low_hz))
    density = max(one.density, least)
    floor = np.where(inside, np.clip(noise.floor, least, density), density)
    told = replace(noise, floor=floor, lines=np.ones_like(noise.lines))
    half = record.rate_hz / 2.0
    flank = _FLANK * (one.high_hz - one.low_hz)
    edges = [hz for hz in (low, high) if flank < hz < half - flank]
    if not edges:
        return record, told
    count, beta = kaiserord(_STOPPED_DB, flank / half)
    count += 1 - count % 2
    taps = firwin(count, edges, window=("kaiser", beta), pass_zero=low <= flank, fs=record.rate_hz)
    source = OneBand(record, taps, count // 2, math.sqrt(density * half))
    return Record(source, record.rate_hz, 1.0, 0.0, record.stretches), told
