"""The carrier of what is sent about a place, where nothing has been decoded yet."""

from __future__ import annotations

import numpy as np

from app.gui.trace.curves import ChannelEnvelope

_BLOCK = 8192  # samples that share an answer
_READ = 16_384  # samples about the middle of the block that are looked at
_KEPT = 64  # blocks


class NearbyCarriers:
    """Remembers what it found of the channel it was asked about last."""

    def __init__(self) -> None:
        self._of: ChannelEnvelope | None = None
        self._known: dict[tuple[int, int], float | None] = {}

    def about(self, envelope: ChannelEnvelope, segment: int, at: int, *, look: bool) -> float | None:
        """In cycles a sample, about sample ``at``; what is not known is only worked out where it shall ``look``."""
        if envelope is not self._of:
            self._of, self._known = envelope, {}
        block = (segment, at // _BLOCK)
        if block not in self._known and look:
            while len(self._known) >= _KEPT:
                del self._known[next(iter(self._known))]
            self._known[block] = self._found(envelope, segment, block[1])
        return self._known.get(block)

    def _found(self, envelope: ChannelEnvelope, segment: int, block: int) -> float | None:
        from dsp.carrier_nearby import nearby_carrier_hz  # the window opens sooner without it

        line = envelope.timeline
        first = max(block * _BLOCK + (_BLOCK - _READ) // 2, int(line.first[segment]))
        values = envelope.values(first, min(first + _READ, int(line.last[segment])))
        if not np.isfinite(values).all():
            return None
        found = nearby_carrier_hz(values, line.rate_hz)
        return None if found is None else found / line.rate_hz
