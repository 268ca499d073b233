"""Looking up a running sum near the edges of symbols, in tables of single precision."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# part of a sample below which single precision may not tell on which side of it an edge lies
ROUNDING = 1e-5


def table_values(
    table: NDArray[np.float32], base: NDArray[np.int32], place: NDArray[np.float32], sharp: bool
) -> NDArray[np.float32]:
    """Of tables (e * samples,) from ``base`` (e, 1) on, the value at each ``place`` (..., e, s), as `Turned.at` has it."""
    whole = place.astype(np.int32)
    if sharp:
        # the next sample
        whole += base + np.int32(1)
        return table.take(whole)
    place -= whole
    whole += base
    values = table.take(whole)
    whole += 1
    after = table.take(whole)
    after -= values
    after *= place
    after += values
    return after
