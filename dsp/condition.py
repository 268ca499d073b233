"""Taking away what is not the transmission: supply level, ripple and its harmonics, slow wander."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from dsp.activity import filtered
from dsp.noise import NoiseFloor, suppression
from dsp.source import Floats, Record
from dsp.strip import Strip
from dsp.wander import Wander

_SURROUND = 1 << 13
_CLOSE = 1 << 16
_AT_ONCE = 1 << 20
# samples of a spectrum fine enough to see every line that is known
_FINEST = 1 << 16


@dataclass(frozen=True, eq=False)
class Conditioner:
    """Reads conditioned parts of a record.

    What stands above the floor near ``carrier_hz`` is weighted down (`dsp.noise.suppression`); a line as
    quiet everywhere else as there is only loses its mean. ``noise_scale`` corrects the floor's density by
    what was met beside the transmissions; by ``wander`` the carrier's frequency is shifted back.
    """

    record: Record
    noise: NoiseFloor
    carrier_hz: float
    symbol_rate_bd: float
    noise_scale: float = 1.0
    wander: Wander | None = None

    @property
    def reference(self) -> float:
        """One-sided noise density around the carrier, in unit^2/Hz."""
        return float(np.exp(np.mean(np.log(self._band(0.5)))))

    def _band(self, reach: float) -> Floats:
        """Floor density over ``reach`` symbol rates on either side of the carrier."""
        half = max(self.symbol_rate_bd * reach, self.record.rate_hz / 256.0)
        low = max(self.carrier_hz - half, 0.2 * self.carrier_hz)
        high = min(self.carrier_hz + half, 0.49 * self.record.rate_hz)
        return self.noise.density(np.linspace(min(low, high), max(low, high), 33))

    @property
    def variance(self) -> float:
        """Noise variance of a sample, were the floor everywhere as it is around the carrier."""
        return self.reference * self.record.rate_hz / 2.0 * self.noise_scale

    def strip(self, spans: list[tuple[int, int]]) -> Strip:
        """Conditioned samples of ``[start, stop)`` spans in rising order, each cut to the stretch it starts in."""
        pieces: list[Floats] = []
        begins, origins, at_first, at_last = [0], [], [], []
        for together in self._read_together(self._within(spans)):
            stretch = self.record.stretch_at(together[0][0])
            low = max(stretch.first, together[0][0] - _SURROUND)
            high = min(stretch.last, together[-1][1] + _SURROUND)
            pieces.extend(self._conditioned(together, low, high))
            for start, stop in together:
                begins.append(begins[-1] + stop - start)
                origins.append(start)
                at_first.append(start == stretch.first)
                at_last.append(stop == stretch.last)
        whole = np.concatenate(pieces) if len(pieces) != 1 else pieces[0]
        return Strip(
            whole,
            np.array(begins[:-1]),
            np.array(origins),
            np.array(at_first),
            np.array(at_last),
            self.variance,
            whole.size,
            self.record.rounding,
            self.wander,
        )

    def _within(self, spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
        out = []
        for wish, end in spans:
            stretch = self.record.stretch_at(wish)
            start, stop = max(wish, stretch.first), min(end, stretch.last)
            if stop > start:
                out.append((start, stop))
        return out

    def _conditioned(self, spans: list[tuple[int, int]], low: int, high: int) -> list[Floats]:
        """Samples of spans, conditioned with what surrounds them from ``low`` to ``high``."""
        suppresses = self._suppresses(high - low)
        if not suppresses and self.wander is None:
            return list(self.record.read_spans(spans, low, high))
        samples: Floats = self.record.read_centred(low, high)
        if suppresses:
            rate_hz = self.record.rate_hz
            samples = filtered(samples, rate_hz, lambda f: suppression(self.noise, f, self._bound))
        if self.wander is not None:
            samples = self.wander.taken_off(samples, low)
        return [samples[start - low : stop - low] for start, stop in spans]

    @cached_property
    def _bound(self) -> float:
        """Twice the highest density in the band.

        The floor's own estimate may be off by as much, and a transmission that is on most of the time must not be
        filtered by its own spectrum.
        """
        return 2.0 * float(self._band(1.0).max())

    def _suppresses(self, count: int) -> bool:
        """Whether anything in a stretch of ``count`` samples is to be weighted down by half or more."""
        return self._suppresses_much if count >= _FINEST else self._suppresses_of(count)

    @cached_property
    def _suppresses_much(self) -> bool:
        return self._suppresses_of(_FINEST)

    def _suppresses_of(self, count: int) -> bool:
        hz = np.fft.rfftfreq(count, 1.0 / self.record.rate_hz)
        return bool(suppression(self.noise, hz, self._bound)[1:].min(initial=1.0) < 0.5)

    def _read_together(self, spans: list[tuple[int, int]]) -> list[list[tuple[int, int]]]:
        """Spans that lie so close that one read (and one filtering) serves them all."""
        out: list[list[tuple[int, int]]] = []
        for span in spans:
            if (
                out
                and span[0] - out[-1][-1][1] < _CLOSE
                and span[1] - out[-1][0][0] < _AT_ONCE
                and span[1] <= self.record.stretch_at(out[-1][0][0]).last
            ):
                out[-1].append(span)
            else:
                out.append([span])
        return out
