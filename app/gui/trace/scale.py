"""Between times and pixels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Number = TypeVar("Number", float, NDArray[np.float64])


@dataclass(frozen=True)
class TimeScale:
    """The times ``start_s`` to ``end_s`` lie at the pixels ``left`` to ``right``."""

    start_s: float
    end_s: float
    left: float
    right: float

    @property
    def seconds_per_pixel(self) -> float:
        return (self.end_s - self.start_s) / max(self.right - self.left, 1.0)

    def px(self, time_s: Number) -> Number:
        return self.left + (time_s - self.start_s) / self.seconds_per_pixel

    def time(self, px: float) -> float:
        return self.start_s + (px - self.left) * self.seconds_per_pixel

    def length_px(self, duration_s: float) -> float:
        return duration_s / self.seconds_per_pixel
