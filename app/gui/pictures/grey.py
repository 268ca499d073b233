"""Values as shades of grey: dark is low and light is high, as in print."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def grey_levels(values: NDArray[np.float64]) -> NDArray[np.uint8]:
    """1 to 255 for values about zero, so that all but the outermost hundredth is told apart; 0 where there is none."""
    finite = values[np.isfinite(values)]
    most = float(np.quantile(np.abs(finite), 0.99)) if finite.size else 1.0
    scaled = np.clip((values / (most or 1.0) + 1) / 2, 0, 1) * 254 + 1
    levels: NDArray[np.uint8] = np.where(np.isfinite(scaled), scaled, 0).astype(np.uint8)
    return levels
