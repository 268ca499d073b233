"""Parts of a record, conditioned and put one after the other, so that they can be worked on as one array."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.correlate import Turned, turn_back
from dsp.fits import Flags, Ints
from dsp.source import Floats
from dsp.wander import Wander

# (n, 2) starts and stops in samples
Spans = Floats


@dataclass(frozen=True, eq=False)
class Strip:
    """Conditioned samples (n,) of m contiguous parts of a record.

    ``begins`` (m,) are the parts' first samples within the strip, ``origins`` (m,) those samples' numbers in the
    record; ``at_first``, ``at_last`` (m,) tell whether a part begins or ends with its stretch of the record.
    ``variance`` is the noise variance of a sample, from the floor's density near the carrier; ``size`` is n.
    However quiet it is between transmissions, the variance is no less than ``rounding``, that of the converter.
    ``wander`` is by what the carrier's frequency was shifted back.
    """

    samples: Floats
    begins: Ints
    origins: Ints
    at_first: Flags
    at_last: Flags
    variance: float
    size: int
    rounding: float = 0.0
    wander: Wander | None = None

    @property
    def ends(self) -> Ints:
        return np.concatenate((self.begins[1:], [self.size]))

    def part(self, position: Floats) -> Ints:
        """Number of the part that holds each position."""
        return np.clip(np.searchsorted(self.begins, position, "right") - 1, 0, self.begins.size - 1)

    def shift(self, position: Floats) -> Ints:
        """What to add to positions in the strip to have them in the record."""
        part = self.part(position)
        return np.asarray(self.origins[part] - self.begins[part])

    def within(self, spans: Spans) -> Floats:
        """Positions (s, 2) in the strip of those ``[start, stop)`` spans of the record that lie in it, cut to it.

        ``spans`` (n, 2) are samples of the record; the strip's parts must be in rising order.
        """
        lengths = self.ends - self.begins
        out = []
        for begin, origin, length in zip(
            self.begins.tolist(), self.origins.tolist(), lengths.tolist(), strict=True
        ):
            inside = spans[(spans[:, 1] > origin) & (spans[:, 0] < origin + length)]
            out.append(np.clip(inside - origin, 0.0, float(length)) + begin)
        return np.concatenate(out) if out else np.zeros((0, 2))

    def turned(self, omega: float, sharp: bool = False) -> Turned:
        return turn_back(self.samples, omega, sharp)

    def with_variance(self, variance: float) -> Strip:
        return replace(self, variance=variance)


def strip_of(samples: Floats, variance: float, origin: int = 0, *, whole: bool = True) -> Strip:
    """One part as a strip; ``whole`` tells that it begins and ends with its stretch."""
    flag = np.array([whole])
    return Strip(samples, np.zeros(1, dtype=np.int64), np.array([origin]), flag, flag, variance, samples.size)
