"""The visible stretch of time and how it may move."""

from __future__ import annotations

from dataclasses import dataclass

_MARGIN = 0.01  # of the capture, on each side when all of it is shown
_LEAST_SAMPLES = 4.0


@dataclass(frozen=True)
class ViewRange:
    """``start_s`` to ``end_s`` are visible of a capture that lies between ``first_s`` and ``last_s``."""

    first_s: float
    last_s: float
    rate_hz: float
    start_s: float
    end_s: float

    @classmethod
    def whole(cls, first_s: float, last_s: float, rate_hz: float) -> ViewRange:
        margin = (last_s - first_s) * _MARGIN
        return cls(first_s, last_s, rate_hz, first_s - margin, last_s + margin)

    @property
    def width_s(self) -> float:
        return self.end_s - self.start_s

    def shown(self, start_s: float, end_s: float) -> ViewRange:
        """Showing another stretch: at least a few samples wide, at most all, at least half on the capture."""
        start_s, end_s = min(start_s, end_s), max(start_s, end_s)
        most = (self.last_s - self.first_s) * (1 + 2 * _MARGIN)
        width = min(max(end_s - start_s, _LEAST_SAMPLES / self.rate_hz), most)
        middle = min(max((start_s + end_s) / 2, self.first_s), self.last_s)
        if width >= most:
            middle = (self.first_s + self.last_s) / 2
        return ViewRange(self.first_s, self.last_s, self.rate_hz, middle - width / 2, middle + width / 2)

    def panned(self, by_s: float) -> ViewRange:
        """Moved along, the width kept to the last digit."""
        low, high = self.first_s - self.width_s / 2, self.last_s - self.width_s / 2
        start_s = min(max(self.start_s + by_s, low), high)
        return ViewRange(self.first_s, self.last_s, self.rate_hz, start_s, start_s + self.width_s)

    def zoomed(self, factor: float, about_s: float) -> ViewRange:
        """``factor`` times as much time, ``about_s`` staying where it is."""
        least = _LEAST_SAMPLES / self.rate_hz
        factor = max(factor, least / self.width_s)
        return self.shown(
            about_s - (about_s - self.start_s) * factor, about_s + (self.end_s - about_s) * factor
        )
