"""How fast the trace area is, as ratios to baselines of the same run: ``python tests/benchmarks/trace.py``.

The machine's own speed drops out of a ratio; medians of rounds, each with its baseline next to it. Times
are processor times of the one thread, so what else the machine does hardly counts.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
from PySide6.QtWidgets import QApplication

from app.gui.trace.api import FlipView, LaneBurst, TraceChannel
from app.gui.trace.area import TraceArea
from dsp.envelope import BLOCK, FIRST_BIN, EnvelopePyramid

SAMPLES = 1 << 25
RATE_HZ = 10e6
FRAMES = 200
SIZE = (1600, 900)


def seconds(work: Callable[[], object]) -> float:
    start = time.thread_time()
    work()
    return time.thread_time() - start


def bare_reduceat(stored: np.ndarray) -> None:
    """Only the first level, nothing kept: what any pyramid must do."""
    starts = np.arange(0, BLOCK, FIRST_BIN)
    for at in range(0, stored.size, BLOCK):
        block = stored[at : at + BLOCK]
        np.minimum.reduceat(block, starts)
        np.maximum.reduceat(block, starts)


def build(stored: np.ndarray) -> EnvelopePyramid:
    pyramid = EnvelopePyramid(stored)
    for _ in pyramid.build():
        pass
    return pyramid


def compare_build(stored: np.ndarray, name: str) -> None:
    to_reduceat, to_minmax = [], []
    for _ in range(7):
        pyramid_s = seconds(lambda: build(stored))
        to_reduceat.append(pyramid_s / seconds(lambda: bare_reduceat(stored)))
        to_minmax.append(pyramid_s / seconds(lambda: (stored.min(), stored.max())))
    print(
        f"pyramid of {stored.size / 1e6:.0f} M {name}: {np.median(to_reduceat):.2f} x first-level reduceat, "
        f"{np.median(to_minmax):.2f} x min and max of the whole"
    )


def compare_query(stored: np.ndarray) -> None:
    pyramid = build(stored)
    rng = np.random.default_rng(1)
    whole = np.median([seconds(lambda: (stored.min(), stored.max())) for _ in range(5)])
    times = []
    for _ in range(300):
        span = int(10 ** rng.uniform(4, np.log10(stored.size)))
        start = int(rng.integers(0, stored.size - span + 1))
        times.append(seconds(lambda a=start, b=start + span: pyramid.columns(a, b, SIZE[0])))
    print(
        f"columns for {SIZE[0]} pixels: median {np.median(times) / whole:.5f}, "
        f"worst {max(times) / whole:.5f} x min and max of the whole"
    )


def frames(area: TraceArea) -> np.ndarray:
    """Times of pan steps, each painted."""
    area.pan_by(-0.2)
    for _ in range(10):
        area.pan_by(0.001)
        area.grab()
    times = []
    for _ in range(FRAMES):
        times.append(seconds(lambda: (area.pan_by(0.001), area.repaint_now())))
    return np.array(times)


class Area(TraceArea):
    def repaint_now(self) -> None:
        self._canvas.viewport().repaint()
        self._overview.repaint()


def filled(stored: np.ndarray, *, marks: bool) -> Area:
    area = Area()
    area.resize(*SIZE)
    area.set_channels([TraceChannel("line", "V", stored, RATE_HZ, scale=1e-3)])
    if marks:
        period_s = stored.size / RATE_HZ / 2200
        symbols = "10" * 1000
        area.set_lane([LaneBurst(0.1, 0.1 + 2000 * period_s, 0.1, period_s, symbols, [0.99] * 2000)])
        area.set_flips([FlipView(0.1 + k * period_s) for k in range(1, 2000)])
    area.show()
    return area


def compare_frames(stored: np.ndarray) -> None:
    quiet = np.zeros(2, np.int16)
    cases = {
        "empty": (filled(quiet, marks=False), None),
        "envelope of everything": (filled(stored, marks=False), 1.0),
        "with 2000 symbols and flips": (filled(stored, marks=True), 1.0),
        "with 200 symbols in view": (filled(stored, marks=True), 0.1),
        "100 samples in view": (filled(stored, marks=False), 100 / stored.size),
    }
    base = 1.0
    for name, (area, share) in cases.items():
        if share is not None:
            middle, half = stored.size / RATE_HZ / 2, stored.size / RATE_HZ * share / 2
            area.show_range(middle - half, middle + half)
        QApplication.processEvents()
        times = frames(area)
        median, late = np.median(times), np.percentile(times, 99)
        base = median if name == "empty" else base
        said = f"median {median / base:.2f}, 99th percentile {late / base:.2f} x the empty median"
        print(f"frame, {name}: {said} ({median * 1e3:.1f} and {late * 1e3:.1f} ms)")
        area.stop()
        area.deleteLater()


def main() -> None:
    rng = np.random.default_rng(0)
    stored = rng.integers(-3000, 3000, SAMPLES).astype(np.int16)
    compare_build(stored, "int16")
    compare_build(stored.astype(np.float32), "float32")
    compare_query(stored)
    app = QApplication.instance() or QApplication([])
    compare_frames(stored)
    app.processEvents()


if __name__ == "__main__":
    main()
