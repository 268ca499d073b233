"""Saving and opening a session beside a plain write of its samples: ``sessions.py [--samples N]``.

The samples are idle noise with bursts of a sine, as a scope with 12 bits records them. Times are medians of
five runs.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from generators.sessions import with_samples  # noqa: E402

from app.files.session import read_session, write_session  # noqa: E402

ROUNDS = 5


def line(count: int) -> np.ndarray:
    """Forty parts in a hundred carry a sine of 3000 steps, all of it noise of 6."""
    chance = np.random.default_rng(1)
    at = np.arange(count)
    return (chance.normal(0, 6, count) + (at % 1000 < 400) * 3000 * np.sin(0.1 * at)).astype("<i2")


def seconds(work: Callable[[], object]) -> float:
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def plain_write(path: Path, samples: np.ndarray) -> None:
    with path.open("wb") as file:
        file.write(samples.data)
        file.flush()
        os.fsync(file.fileno())


def spans(path: Path) -> None:
    """Read stretches at random places of a session just opened."""
    stored = read_session(path).captures[0].channels[0].stored
    for at in np.random.default_rng(2).integers(0, len(stored) - 100_000, 100).tolist():
        np.asarray(stored[at : at + 100_000])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, default=50_000_000)
    data = with_samples(line(parser.parse_args().samples))
    samples = data.captures[0].channels[0].stored
    with tempfile.TemporaryDirectory() as folder:
        plain, session, again = Path(folder, "plain"), Path(folder, "line.h5"), Path(folder, "again.h5")
        work: dict[str, Callable[[], object]] = {
            "plain write and sync": lambda: plain_write(plain, samples),
            "save, read back, replace": lambda: write_session(session, data),
            "open": lambda: read_session(session),
            "open and read all": lambda: np.asarray(read_session(session).captures[0].channels[0].stored),
            "save again what was opened": lambda: write_session(again, read_session(session)),
            "100 spans of 10^5": lambda: spans(session),
        }
        times = {name: [seconds(one) for _ in range(ROUNDS)] for name, one in work.items()}
        size = session.stat().st_size / samples.nbytes
    base = statistics.median(times["plain write and sync"])
    print(f"{len(samples)} samples of 16 bits, the session has {size:.3f} of their bytes")
    for name, taken in times.items():
        median = statistics.median(taken)
        speed = samples.nbytes / median / 1e6
        print(f"{name:26} {median * 1e3:8.1f} ms  x{median / base:6.1f}  {speed:7.0f} MB/s")


if __name__ == "__main__":
    main()
