"""A measured value with its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace


@dataclass(frozen=True)
class Reading:
    """A value with its standard uncertainty, both in ``unit``.

    ``std`` is the statistical part (None: not known), ``tolerance_std`` the part from the instrument's stated
    tolerance (0: not stated). ``count`` is what the reading was taken over: samples, crossings or cycles.
    """

    value: float
    std: float | None
    unit: str
    count: int | None = None
    tolerance_std: float = 0.0

    @property
    def combined_std(self) -> float | None:
        """Both parts together; they are independent (JCGM 100:2008, 5.1.2)."""
        return None if self.std is None else math.hypot(self.std, self.tolerance_std)

    def with_tolerance(self, fraction: float) -> Reading:
        """With a relative tolerance of plus or minus ``fraction``, any value within it being equally likely:
        ``|value| fraction / sqrt(3)`` (JCGM 100:2008, 4.3.7)."""
        return replace(self, tolerance_std=abs(self.value) * abs(fraction) / math.sqrt(3))
