"""What was found to be sent, as it stands on the line: taken off, it lets what else is sent at the same time be seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from dsp.runs import Runs
from dsp.source import Floats
from dsp.strip import Strip
from dsp.talkers import Talker

Singles = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Sent:
    """Symbols (s,) in rising order: edges in samples of the record, amplitude with the symbol's sign, and the phase
    of the cosine at each symbol's middle with its advance a sample in radians.

    ``sharp`` says that each sample belongs to the symbol in which its instant lies; else it is shared out.
    """

    starts: Floats
    stops: Floats
    amplitude: Floats
    phase: Floats
    omega: Floats
    sharp: bool

    def take_off(self, values: Singles, start: int) -> None:
        """Subtract them in place from samples (n,) of the record, the first of which is number ``start``."""
        first = int(np.searchsorted(self.stops, start - 1.0))
        last = int(np.searchsorted(self.starts, start + values.size + 1.0))
        for a, b in pairwise([*range(first, last, _AT_ONCE), last]):
            self._take_off_symbols(values, start, slice(a, b))

    def _take_off_symbols(self, values: Singles, start: int, rows: slice) -> None:
        begin, end = self.starts[rows], self.stops[rows]
        low = np.ceil(begin - (1e-9 if self.sharp else 0.5)).astype(np.int64)
        high = np.ceil(end + (-1e-9 if self.sharp else 0.5)).astype(np.int64)
        count = np.maximum(high - low, 0)
        owner = np.repeat(np.arange(count.size), count)
        at = np.arange(owner.size) - np.repeat(np.cumsum(count) - count, count) + low[owner]
        inside = (at >= start) & (at < start + values.size)
        owner, at = owner[inside], at[inside]
        middle = 0.5 * (begin + end)
        wave = np.cos(self.phase[rows][owner] + self.omega[rows][owner] * (at - middle[owner]))
        wave *= self.amplitude[rows][owner]
        if not self.sharp:
            wave *= np.clip(np.minimum(end[owner], at + 0.5) - np.maximum(begin[owner], at - 0.5), 0.0, 1.0)
        values -= np.bincount(at - start, wave, values.size).astype(np.float32)


# symbols that are worked out at a time
_AT_ONCE = 1 << 12


def sent_of(talkers: Sequence[Talker]) -> tuple[Sent, ...]:
    """What each talker sent, those of few symbols as of many."""
    return tuple(_sent(talker) for talker in talkers if len(talker.runs))


def carrier_of(runs: Runs, strip: Strip) -> tuple[Floats, Floats]:
    """Phase (s,) of each symbol's carrier in its middle, as that of a cosine, and its advance (s,) in radians a sample."""
    middle = 0.5 * (runs.starts + runs.stops)
    # the phase against the turned carrier is counted in the strip
    phase = runs.turned.omega * middle + runs.angles
    omega = runs.omega[runs.owner]
    if strip.wander is not None:
        place = middle + strip.shift(middle)
        phase = phase + strip.wander.phase_at(place)
        omega = omega + strip.wander.omega_at(place)
    return phase, omega


def _sent(talker: Talker) -> Sent:
    runs, strip = talker.runs, talker.strip
    shift = strip.shift(0.5 * (runs.starts + runs.stops))
    phase, omega = carrier_of(runs, strip)
    amplitude = np.where(runs.symbols.real > 0.0, 1.0, -1.0) * runs.amplitude[runs.owner]
    order = np.argsort(runs.starts + shift, kind="stable")
    return Sent(
        (runs.starts + shift)[order],
        (runs.stops + shift)[order],
        amplitude[order],
        phase[order],
        omega[order],
        runs.turned.sharp,
    )
