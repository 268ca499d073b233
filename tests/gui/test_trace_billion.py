"""10^9 samples with one that stands out, from the file to the pixels. The file is sparse: it takes no disk."""

from __future__ import annotations

import os
import time
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtGui import QColor

from app.files.capture_options import ReadOptions
from app.files.captures import open_capture
from app.files.envelope_cache import EnvelopeCache
from app.gui.trace.area import TraceArea
from app.gui.trace_views import ChannelViews

SAMPLES = 10**9
GLITCH = 777_777_777
RATE_HZ = 1e8

pytestmark = pytest.mark.skipif(
    not Path("/proc/self/status").exists(), reason="reads memory as Linux tells it"
)


def anonymous_mb() -> float:
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("RssAnon"))


@pytest.fixture(scope="module")
def path(tmp_path_factory) -> Path:
    made = tmp_path_factory.mktemp("billion") / "line.raw"
    with made.open("wb") as file:
        file.seek(GLITCH)
        file.write(b"\x64")
        file.truncate(SAMPLES)
    then = time.time_ns() - 10**11
    os.utime(made, ns=(then, then))
    return made


def shown(qtbot, path: Path, cache: EnvelopeCache) -> TraceArea:
    capture = open_capture(path, ReadOptions(rate_hz=RATE_HZ, dtype="int8"))
    area = TraceArea(None, lambda: cache)
    qtbot.addWidget(area)
    area.resize(1600, 900)
    area.set_channels(ChannelViews().show(capture, None, frozenset()))
    area.show()
    qtbot.waitUntil(lambda: not area._builder.busy, timeout=60_000)
    return area


def highest_pixel(area: TraceArea, x: float) -> float | None:
    """How far up the trace reaches within two pixels of ``x``, as a share of the row; None if it is not there."""
    (row,) = area._canvas.rows
    box = row.box.sceneBoundingRect()
    image = area._canvas.viewport().grab().toImage()
    colour = QColor(area._canvas.colours.channel(0)).rgb()
    for y in range(round(box.top()), round(box.bottom())):
        if any(image.pixel(round(x) + k, y) == colour for k in (-2, -1, 0, 1, 2)):
            return (box.bottom() - y) / box.height()
    return None


def test_the_glitch_is_on_the_screen_at_every_zoom_within_memory(qtbot, path, tmp_path):
    cache = EnvelopeCache(tmp_path / "cache")
    before_mb = anonymous_mb()
    area = shown(qtbot, path, cache)
    at_s = GLITCH / RATE_HZ
    zooms = 0
    while True:
        start_s, end_s = area.visible_range()
        x = area._canvas.time_scale().px(at_s)
        reach = highest_pixel(area, x)
        assert reach is not None, end_s - start_s
        assert reach > 0.9, end_s - start_s
        zooms += 1
        if (end_s - start_s) * RATE_HZ < 6:
            break
        area.show_range(at_s - 0.31 * (end_s - start_s), at_s + 0.29 * (end_s - start_s))
    assert zooms > 30
    assert anonymous_mb() - before_mb < 300
    # the second time it comes from the cache: the same picture, without the samples being read
    again = shown(qtbot, path, cache)
    area.zoom_all()
    assert again._canvas.viewport().grab().toImage() == area._canvas.viewport().grab().toImage()
    assert len(list(cache.folder.iterdir())) == 1
    area.stop()
    again.stop()


def test_panning_by_whole_pixels_shifts_the_columns_and_nothing_else(qtbot, path, tmp_path):
    """Columns stay where they are and what they are; noise is panned over in `test_trace_parts`."""
    area = shown(qtbot, path, EnvelopeCache(tmp_path / "cache"))
    at_s = GLITCH / RATE_HZ
    for width_s in (5.0, 0.05, 2e-3, 3e-4):
        seen: dict[float, tuple[float, float]] = {}
        area.show_range(at_s - width_s / 2, at_s + width_s / 2)
        for _ in range(15):
            (drawn,) = area._canvas.rows[0]._drawn
            # the outermost columns stretch to meet neighbours that are out of view
            for x, low, high in zip(drawn.x[2:-2:2], drawn.y[2:-2:2], drawn.y[3:-2:2], strict=False):
                assert seen.setdefault(float(x), (low, high)) == (low, high)
            area.pan_by(7 / 1500)
        columns = np.diff(np.sort(list(seen)))
        assert np.allclose(columns, columns[0], rtol=1e-6)
    area.stop()
