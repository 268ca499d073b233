"""Delimited text that states its sample interval, so that the rate is exact."""

from __future__ import annotations

from pathlib import Path

import numpy as np


def write_interval_text(path: Path, values: np.ndarray, rate_hz: float) -> None:
    """One column called Line, in volts."""
    rows = "\n".join(f"{value:.5e}" for value in values.tolist())
    path.write_text(f"Sample interval,{1 / rate_hz!r},s\n\nLine\nV\n{rows}\n", encoding="ascii")
