"""What the instrument itself adds to an uncertainty: its time base and its gain.

Type B components in the sense of JCGM 100:2008 4.3.7: a tolerance of plus or minus ``a`` is taken as a
rectangular distribution, standard uncertainty ``a / sqrt(3)``. They are the same for every reading of a
capture, so they are kept apart from the statistical part and combined with it only where a reading is shown.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from app.model.capture import Capture

if TYPE_CHECKING:
    from dsp.results import Burst


@dataclass(frozen=True)
class Tolerance:
    """``timebase_ppm`` and ``gain_percent`` as stated for the instrument, None while not stated.

    ``rate_relative_std`` is that of a sample rate which was fitted to a time column, else 0.
    """

    timebase_ppm: float | None = None
    gain_percent: float | None = None
    rate_relative_std: float = 0.0

    @property
    def time_relative_std(self) -> float:
        """Relative standard uncertainty that every time, frequency and rate shares."""
        return math.hypot((self.timebase_ppm or 0.0) * 1e-6 / math.sqrt(3), self.rate_relative_std)

    @property
    def gain_relative_std(self) -> float:
        """Relative standard uncertainty that every amplitude shares."""
        return (self.gain_percent or 0.0) * 1e-2 / math.sqrt(3)

    def time_std(self, value: float | None, std: float | None) -> float | None:
        """Combined standard uncertainty of a time interval, frequency or rate; None stays None."""
        return _combined(value, std, self.time_relative_std)

    def gain_std(self, value: float | None, std: float | None) -> float | None:
        """Combined standard uncertainty of an amplitude; None stays None."""
        return _combined(value, std, self.gain_relative_std)

    def burst(self, burst: Burst) -> Burst:
        """The burst with combined instead of statistical uncertainties, ready to be shown."""
        return replace(
            burst,
            amplitude_std=self.gain_std(burst.amplitude, burst.amplitude_std),
            carrier_std_hz=self.time_std(burst.carrier_hz, burst.carrier_std_hz),
            symbol_rate_std_bd=self.time_std(burst.symbol_rate_bd, burst.symbol_rate_std_bd),
        )


def tolerance_of(capture: Capture) -> Tolerance:
    """What is stated about the instrument that recorded ``capture``."""
    fitted = (capture.rate_std_hz or 0.0) / capture.rate_hz
    return Tolerance(capture.timebase_ppm, capture.gain_percent, fitted)


def _combined(value: float | None, std: float | None, relative: float) -> float | None:
    if value is None or std is None:
        return None
    return math.hypot(std, value * relative)
