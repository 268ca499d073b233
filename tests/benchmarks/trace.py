"""How fast the trace is, as ratios to baselines of the same run: ``python tests/benchmarks/trace.py``.

    trace.py [build] [open] [query] [frames] [several] [derived] [--samples 1000000000] [--file FILE]
             [--steps 120] [--size WxH]

Without sections all of them. Frames are timed on the X server named by ``DISPLAY`` (``xvfb-run -s "-screen 0
1600x900x24"``), offscreen without one. The machine's own speed drops out of a ratio: medians of rounds, each with
its baseline next to it. Frames are processor times of the window's thread, so that what else the machine does
hardly counts; wall times stand beside them.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import Any

if not os.environ.get("DISPLAY"):
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
import pyqtgraph as pg
from PySide6.QtWidgets import QApplication

from app.files.envelope_cache import EnvelopeCache, build_kept
from app.gui.trace.api import ARRANGEMENTS, Arrangement, FlipView, LaneBurst, TraceChannel
from app.gui.trace.area import TraceArea
from dsp.envelope import BLOCK, EnvelopePyramid

RATE_HZ = 10e6
SECTIONS = ("build", "open", "query", "frames", "several", "derived")
KINDS = ("|u1", "<i2", ">i2", "<u2", "<i4", "<f4", ">f4", "<f8")
GLITCH = 0.7777
SYMBOL_PX = 4
COLUMNS = 1600
# samples in each reduction that the pyramid is compared with
REDUCED = 256
SEVERAL = 4

OPENING = """
import sys, time
from pathlib import Path
start, used = time.perf_counter(), time.process_time()
from PySide6.QtCore import QSettings
from PySide6.QtWidgets import QApplication
from app.gui.window import MainWindow
from app.files.capture_options import ReadOptions
import numpy, pyqtgraph, scipy.signal
app = QApplication([])
told = None if sys.argv[1].endswith((".npy", ".wav")) else "int8"
window = MainWindow(QSettings(sys.argv[2], QSettings.Format.IniFormat))
window.resize(1600, 900)
window.show()
app.processEvents()
ready, ready_used = time.perf_counter(), time.process_time()
def anonymous():
    return next(int(l.split()[1]) // 1024 for l in open("/proc/self/status") if l.startswith("RssAnon"))
window.open_paths([Path(sys.argv[1])], ReadOptions(rate_hz=10e6, dtype=told))
most, drawn, done = anonymous(), None, None
def shown():
    return sum(len(d.x) for r in window.area._canvas.rows for d in r._drawn) // 2
while done is None and time.perf_counter() - ready < 120:
    app.processEvents()
    time.sleep(0.002)
    most = max(most, anonymous())
    envelopes = window.area._envelopes
    if envelopes and drawn is None and shown() > 20:
        window.area._canvas.viewport().repaint()
        drawn = time.perf_counter() - ready, time.process_time() - ready_used
    if envelopes and envelopes[0].complete and not window.area._builder.busy:
        done = time.perf_counter() - ready, time.process_time() - ready_used
print(*drawn, *done, most)
window.close()
"""


def processor_s(work: Callable[[], object]) -> float:
    start = time.thread_time()
    work()
    return time.thread_time() - start


def wall_s(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def both_s(work: Callable[[], object]) -> tuple[float, float]:
    """Wall time, and processor time of all threads."""
    used = time.process_time()
    wall = wall_s(work)
    return wall, time.process_time() - used


def make_file(path: Path, samples: int) -> None:
    """Noise, a carrier that comes and goes, and one sample that stands out."""
    rng = np.random.default_rng(0)
    size = 1 << 22
    at = np.arange(size)
    keyed = 30 * np.sin(2 * np.pi * at / 64) * ((at // 200_000) % 3 == 0)
    lot = np.round(keyed + rng.normal(0, 3, size)).astype(np.int8)
    with path.open("wb") as file:
        for k in range(-(-samples // size)):
            np.roll(lot, 12_345 * k)[: samples - k * size].tofile(file)
        file.seek(int(GLITCH * samples))
        file.write(b"\x64")
    os.utime(path, (1e9, 1e9))


# --- the envelope


def bare_reduceat(stored: np.ndarray, threads: int) -> None:
    """Only the first level, nothing kept: what any pyramid must do, on as many threads."""
    share = -(-stored.size // threads // BLOCK) * BLOCK

    def part(first: int, last: int) -> None:
        starts = np.arange(0, BLOCK, REDUCED)
        for at in range(first, last, BLOCK):
            block = stored[at : min(at + BLOCK, last)]
            np.minimum.reduceat(block, starts[: -(-block.size // REDUCED)])
            np.maximum.reduceat(block, starts[: -(-block.size // REDUCED)])

    firsts = range(0, stored.size, share)
    each = [threading.Thread(target=part, args=(k, min(k + share, stored.size))) for k in firsts]
    for one in each:
        one.start()
    for one in each:
        one.join()


def build(stored: np.ndarray, threads: int) -> EnvelopePyramid:
    pyramid = EnvelopePyramid(stored)
    for _ in pyramid.build(threads):
        pass
    return pyramid


def compare_build(stored: np.ndarray, name: str, rounds: int = 7) -> None:
    stored.min()  # everything touched once
    for threads in (1, 2):
        ratios, used = [], []
        for _ in range(rounds):
            # before and after, so that a machine that grows slower meanwhile is no advantage to either
            base, base_cpu = both_s(partial(bare_reduceat, stored, threads))
            own, own_cpu = both_s(partial(build, stored, threads))
            again, again_cpu = both_s(partial(bare_reduceat, stored, threads))
            ratios.append(2 * own / (base + again))
            used.append(2 * own_cpu / (base_cpu + again_cpu))
        print(
            f"whole pyramid, {stored.size / 1e6:.0f} M {name}, {threads} threads: wall {np.median(ratios):.2f}, "
            f"processor {np.median(used):.2f} x minimum.reduceat and maximum.reduceat at block {REDUCED} "
            f"on as many ({base:.2f} s)"
        )


def compare_cache(path: Path) -> None:
    stored = np.memmap(path, np.int8, "r")
    with tempfile.TemporaryDirectory() as folder:
        cache = EnvelopeCache(Path(folder))
        for _ in build_kept(EnvelopePyramid(stored), stored, cache):
            pass
        base = np.median([wall_s(lambda: build(stored, 1)) for _ in range(3)])
        again = np.median(
            [wall_s(lambda: list(build_kept(EnvelopePyramid(stored), stored, cache))) for _ in range(5)]
        )
    print(f"pyramid from the cache: {again / base:.3f} x building it with one thread ({again * 1e3:.0f} ms)")


def compare_query(stored: np.ndarray) -> None:
    pyramid = build(stored, 2)
    rng = np.random.default_rng(1)
    part = stored[: 10**8]
    whole = (
        np.median([processor_s(lambda: (part.min(), part.max())) for _ in range(5)]) * stored.size / part.size
    )
    times = []
    for _ in range(300):
        span = int(10 ** rng.uniform(4, np.log10(stored.size)))
        start = int(rng.integers(0, stored.size - span + 1))
        times.append(processor_s(lambda a=start, b=start + span: pyramid.columns(a, b, COLUMNS)))
    print(
        f"columns for {COLUMNS} pixels: median {np.median(times) / whole:.5f}, worst {max(times) / whole:.5f} "
        f"x min and max of the whole (median {np.median(times) * 1e3:.2f}, worst {max(times) * 1e3:.2f} ms)"
    )


def compare_opening(path: Path) -> None:
    """A window that is there already opens the file, first without and then with the envelope in the cache."""
    with tempfile.TemporaryDirectory() as folder:
        environment = {
            **os.environ,
            "XDG_CACHE_HOME": folder,
            "PYTHONPATH": str(Path(__file__).resolve().parents[2]),
        }
        for state in ("nothing in the cache", "from the cache"):
            done = subprocess.run(
                [sys.executable, "-c", OPENING, str(path), f"{folder}/settings.ini"],
                env=environment,
                capture_output=True,
                text=True,
                check=True,
            )
            drawn_s, drawn_used_s, all_s, all_used_s, most_mb = map(float, done.stdout.split())
            print(
                f"opening {path.stat().st_size / 1e9:.2f} GB, {state}: first trace on screen after {drawn_s:.2f} s "
                f"({drawn_used_s:.2f} s of processor), all of it after {all_s:.2f} s ({all_used_s:.2f} s); "
                f"{most_mb:.0f} MB anonymous at most"
            )


# --- frames


class Area(TraceArea):
    def repaint_now(self) -> None:
        self._canvas.viewport().repaint()
        self._parts.overview.repaint()

    @property
    def pixels(self) -> int:
        scale = self._canvas.time_scale()
        return round(scale.right - scale.left)


def empty_plot(size: tuple[int, int]) -> pg.PlotWidget:
    plot = pg.PlotWidget()
    plot.resize(*size)
    plot.setXRange(0, 1)
    plot.setYRange(0, 1)
    plot.show()
    return plot


def marks_for(area: Area, symbol_px: float) -> None:
    """Bursts of symbols of a width all over the view and around it, a flip at every second edge."""
    start_s, end_s = area.visible_range()
    period_s = (end_s - start_s) / area.pixels * symbol_px
    rng = np.random.default_rng(2)
    bursts, flips = [], []
    for k in range(-12, 24):
        first_s = start_s + k * 105 * period_s * max(1, round(area.pixels / symbol_px / 1050))
        symbols = "".join(rng.choice(["0", "1"], 100 * max(1, round(area.pixels / symbol_px / 1050))))
        end = first_s + len(symbols) * period_s
        bursts.append(
            LaneBurst(first_s, end, first_s, period_s, symbols, rng.uniform(0.5, 1, len(symbols)).tolist())
        )
        edges = np.flatnonzero(np.diff([int(c) for c in symbols])) + 1
        flips += [
            FlipView(first_s + float(e) * period_s, None, ("auto", "hand")[int(e) % 7 == 0]) for e in edges
        ]
    area.set_lane(bursts)
    area.set_flips(flips)


def moves(area: Area, steps: int) -> Iterator[Callable[[], object]]:
    """Panning by small and large steps, then zooming out and in about the middle."""
    area.pan_by(-0.2)
    for k in range(steps):
        yield lambda k=k: area.pan_by(0.003 if k % 10 else 0.05)
    for k in range(steps // 4):
        yield lambda k=k: area.zoom_by(1.06 if (k // 5) % 2 else 1 / 1.06)


def timed(
    steps: Iterator[Callable[[], object]], paint: Callable[[], object], plot: pg.PlotWidget
) -> np.ndarray:
    """Processor and wall times, shape (steps, 4): of frames, and of the empty plot's beside each of them."""
    times = []
    for k, step in enumerate(steps):
        used, wall = time.thread_time(), time.perf_counter()
        step()
        paint()
        own = time.thread_time() - used, time.perf_counter() - wall
        used, wall = time.thread_time(), time.perf_counter()
        plot.setXRange(0.001 * k, 1 + 0.001 * k, padding=0)
        plot.viewport().repaint()
        times.append((*own, time.thread_time() - used, time.perf_counter() - wall))
        QApplication.processEvents()
    return np.array(times[5:])


def report(name: str, times: np.ndarray, worst: list[float]) -> None:
    used, wall, base_used, base_wall = times.T
    base, base_wall_ms = np.median(base_used), np.median(base_wall) * 1e3
    median, late = np.median(used) / base, np.percentile(used, 99) / base
    worst[:] = [max(worst[0], median), max(worst[1], late)]
    wall_median, wall_late = (
        np.median(wall) * 1e3 / base_wall_ms,
        np.percentile(wall, 99) * 1e3 / base_wall_ms,
    )
    print(
        f"  {name:<44} {median:5.2f} {late:6.2f}   wall {wall_median:5.2f} {wall_late:6.2f}   "
        f"({np.median(used) * 1e3:.1f}, {np.percentile(used, 99) * 1e3:.1f}; empty {base * 1e3:.1f} ms)"
    )


def spans(samples: int) -> list[int]:
    """Of view, in samples: the whole, powers of ten, and where the way of drawing changes."""
    edges = [int(COLUMNS * 511.9), COLUMNS * 2 + 10, COLUMNS * 2 - 200, COLUMNS // 7, 20]
    powers = [10**k for k in range(2, 10) if 10**k < samples]
    return sorted({samples, *powers, *(e for e in edges if e < samples)}, reverse=True)


def compare_frames(
    stored: Sequence[Any],
    samples: int,
    size: tuple[int, int],
    steps: int,
    name: str,
    how: Arrangement = "each",
) -> None:
    """Of one channel or of several, each with its own samples; ``how`` these are arranged."""
    plot = empty_plot(size)
    area = Area()
    area.resize(*size)
    area.set_arrangement(how)
    area.set_channels(
        [TraceChannel(f"{name} {k}", "V", one, RATE_HZ, scale=1e-3) for k, one in enumerate(stored)]
    )
    area.show()
    while area._builder.busy:
        QApplication.processEvents()
        time.sleep(0.01)
    QApplication.processEvents()
    worst = [0.0, 0.0]
    print(f"frames of {name}, median and 99th percentile x the median frame of an empty plot of {size}:")
    middle_s = 0.5 * samples / RATE_HZ
    for span in spans(samples):
        half_s = span / RATE_HZ / 2
        area.show_range(middle_s - half_s, middle_s + half_s)
        for marks in (None, SYMBOL_PX, 0.25):
            area.set_lane([])
            area.set_flips([])
            if marks:
                marks_for(area, marks)
            said = "no marks" if marks is None else f"symbols of {marks:g} px, flips"
            report(f"{span} samples, {said}", timed(moves(area, steps), area.repaint_now, plot), worst)
            area.show_range(middle_s - half_s, middle_s + half_s)
    print(
        f"  worst of all: median {worst[0]:.2f} (to be at most 3), 99th percentile {worst[1]:.2f} (at most 6)"
    )
    area.stop()
    area.close()
    plot.close()


def compare_downsampling(stored: np.ndarray, size: tuple[int, int]) -> None:
    """The same part drawn by pyqtgraph's own means."""
    part = np.array(stored[: min(stored.size, 10**7)], np.float32)
    plot, empty = empty_plot(size), empty_plot(size)
    curve = pg.PlotDataItem(part)
    plot.addItem(curve)
    curve.setDownsampling(auto=True, method="peak")
    curve.setClipToView(True)
    plot.setYRange(float(part.min()), float(part.max()))
    steps = [lambda k=k: plot.setXRange(k * 1e3, 0.9 * part.size + k * 1e3, padding=0) for k in range(25)]
    print(f"pyqtgraph's own peak downsampling of {part.size / 1e6:.0f} M samples:")
    report("pan", timed(iter(steps), plot.viewport().repaint, empty), [0.0, 0.0])
    plot.close()
    empty.close()


def compare_derived(stored: np.ndarray, size: tuple[int, int], steps: int) -> None:
    """A filtered difference, read in parts."""
    from app.gui.trace_views import ChannelViews
    from app.model.capture import Capture, Channel, Segment

    channels = (Channel("A", stored, 1e-3), Channel("B", stored[::-1], 1e-3))
    capture = Capture("line", "raw", RATE_HZ, 0.0, channels, (Segment(0, stored.size, 0.0),))
    text = "bandpass(A - 0.98*B, 100k, 300k)"
    drawn = next(one for one in ChannelViews().show(capture, text, frozenset()) if one.name == text)
    part = stored.size // 20
    start = time.perf_counter()
    pyramid = EnvelopePyramid(drawn.stored)
    for done in pyramid.build(2):
        if done >= part:
            break
    rate = done / (time.perf_counter() - start)
    print(
        f"envelope of {text}: {rate / 1e6:.0f} million samples a second, {stored.size / rate:.0f} s for all"
    )
    compare_frames([drawn.stored], min(stored.size, 50_000_000), size, steps, "derived")


def main() -> None:
    told = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    told.add_argument("sections", nargs="*", choices=[*SECTIONS, []], default=[])
    told.add_argument("--samples", type=int, default=10**9)
    told.add_argument("--file", type=Path, help="int8 samples to use instead of a file made for it")
    told.add_argument("--steps", type=int, default=120)
    told.add_argument("--size", default="1600x900")
    options = told.parse_args()
    sections = options.sections or SECTIONS
    size = tuple(int(side) for side in options.size.split("x"))
    folder = Path(tempfile.mkdtemp())
    try:
        path = options.file or folder / "line.raw"
        if options.file is None:
            make_file(path, options.samples)
        stored = np.memmap(path, np.int8, "r")
        app = QApplication.instance() or QApplication([])
        if "build" in sections:
            compare_build(stored, "int8")
            for kind in KINDS:
                compare_build(stored[: stored.size // 8].astype(kind), np.dtype(kind).str)
            for kind in ("<i2", "<f4"):
                pair = np.repeat(stored[: stored.size // 16].astype(kind), 2)
                compare_build(pair[::2], f"{kind}, one of two interleaved channels")
            compare_cache(path)
        if "open" in sections:
            compare_opening(path)
        if "query" in sections:
            compare_query(stored)
        if "frames" in sections:
            compare_frames([stored], stored.size, size, options.steps, "line")  # type: ignore[arg-type]
            compare_downsampling(stored, size)  # type: ignore[arg-type]
        if "several" in sections:
            share = stored.size // SEVERAL
            parts = [stored[k * share : (k + 1) * share] for k in range(SEVERAL)]
            for how in ARRANGEMENTS:
                said = f"{SEVERAL} channels, {how}"
                compare_frames(parts, share, size, options.steps, said, how)  # type: ignore[arg-type]
        if "derived" in sections:
            compare_derived(stored, size, options.steps)  # type: ignore[arg-type]
        app.processEvents()
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
