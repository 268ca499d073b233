"""Captures written to files by something else than the program's own writers."""

from __future__ import annotations

import wave
from pathlib import Path

import numpy as np


def write_wav(path: Path, values: np.ndarray, rate_hz: float) -> float:
    """16-bit mono; returns the factor from codes back to ``values``."""
    peak = float(np.max(np.abs(values))) or 1.0
    factor = peak / 30_000.0
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(round(rate_hz))
        out.writeframes(np.round(values / factor).astype("<i2").tobytes())
    return factor


def read_wav(path: Path) -> tuple[np.ndarray, float]:
    """16-bit mono codes as float64, and the rate."""
    with wave.open(str(path), "rb") as source:
        codes = np.frombuffer(source.readframes(source.getnframes()), "<i2")
        return codes.astype(np.float64), float(source.getframerate())


def write_text(path: Path, values: np.ndarray, rate_hz: float) -> None:
    """Two columns, time and value, with a name row and a unit row."""
    rows = [f"{k / rate_hz:.9e},{value:.5e}" for k, value in enumerate(values.tolist())]
    path.write_text("Time,Line\ns,V\n" + "\n".join(rows) + "\n", encoding="ascii")
