"""Computed channels: drawn without waiting, exact once they are there, bounded in memory."""

from __future__ import annotations

import threading
import time

import numpy as np
import pytest

from app.gui.trace import computed as module
from app.gui.trace.api import TraceChannel, TraceSegment
from app.gui.trace.area import TraceArea
from app.gui.trace.computed import TILE, ComputedSamples
from app.gui.trace.curves import ChannelEnvelope
from dsp.envelope import FIRST_BIN

COUNT = 40 * TILE + 321
RATE_HZ = 1e6


class Slow:
    """Noise with one glitch; ``gate`` holds up whoever reads."""

    def __init__(self, glitch: int = COUNT // 2) -> None:
        self.values = np.random.default_rng(4).normal(0, 1, COUNT).astype(np.float32)
        self.values[glitch] = 50.0
        self.gate = threading.Event()
        self.gate.set()
        self.read: list[tuple[int, int]] = []

    def __len__(self) -> int:
        return COUNT

    def __getitem__(self, key: slice) -> np.ndarray:
        start, stop, _ = key.indices(COUNT)
        assert stop <= start or self.gate.wait(20)
        self.read.append((start, stop))
        return self.values[start:stop]


def wait_for(condition) -> None:
    deadline = time.monotonic() + 20
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.002)


def test_what_is_missing_is_computed_beside_and_then_equal():
    source = Slow()
    samples = ComputedSamples(source)
    source.gate.clear()
    start, stop = 10 * TILE + 5, 12 * TILE + 7
    assert not samples.has(start, stop)
    assert samples.arrivals == 0
    source.gate.set()
    wait_for(lambda: samples.has(start, stop))
    source.read.clear()
    np.testing.assert_array_equal(samples[start:stop], source.values[start:stop])
    assert source.read == []
    assert samples.arrivals >= 1
    # not there: computed now
    np.testing.assert_array_equal(samples[COUNT - 50 : COUNT + 9], source.values[-50:])
    assert samples.has(7, 7)
    samples.stop()


def test_where_the_view_went_meanwhile_comes_before_where_it_was():
    source = Slow()
    samples = ComputedSamples(source)
    source.gate.clear()
    samples.has(0, 20 * TILE)
    samples.has(30 * TILE, 31 * TILE)
    source.gate.set()
    wait_for(lambda: samples.has(30 * TILE, 31 * TILE))
    assert len(source.read) <= 3
    samples.stop()


def test_memory_is_bounded(monkeypatch):
    monkeypatch.setattr(module, "_MOST_BYTES", 6 * TILE * 4)
    source = Slow()
    samples = ComputedSamples(source)
    for k in range(0, 36, 2):
        samples.has(k * TILE, (k + 1) * TILE)
        wait_for(lambda k=k: samples.has(k * TILE, (k + 1) * TILE))
    assert len(samples._tiles) <= 6
    samples.stop()


def test_stopping_ends_the_thread_and_reading_goes_on_later():
    source = Slow()
    samples = ComputedSamples(source)
    samples.has(0, 40 * TILE)
    samples.stop()
    assert not [t for t in threading.enumerate() if t.name == "computed tiles"]
    wait_for(lambda: samples.has(0, TILE))
    samples.stop()


def test_an_unreadable_source_ends_the_thread():
    class Broken(Slow):
        def __getitem__(self, key: slice) -> np.ndarray:
            raise OSError("gone")

    samples = ComputedSamples(Broken())
    assert not samples.has(0, 10)
    samples.stop()
    assert not samples.has(0, 10)
    samples.stop()


@pytest.mark.parametrize("span", [100, 2000, 30_000, 300_000])
def test_drawn_from_bins_until_samples_are_there_and_the_glitch_is_seen_in_both(span):
    source = Slow()
    envelope = ChannelEnvelope(TraceChannel("d", "V", source, RATE_HZ, 3.0))
    for _ in envelope.build():
        pass
    middle = 3.0 + (COUNT // 2) / RATE_HZ
    half = span / RATE_HZ / 2
    view = (middle - half, middle + half, 1000, 3.0)
    source.gate.clear()
    began = time.monotonic()
    coarse = envelope.drawn(*view)
    assert time.monotonic() - began < 5  # the source would hold us up for ever
    assert coarse.paired
    assert coarse.y.max() == 50.0
    at = 3.0 + coarse.x[np.argmax(coarse.y)]
    assert abs(at - middle) <= FIRST_BIN / RATE_HZ
    source.gate.set()
    wait_for(lambda: envelope.computed.has(COUNT // 2 - span, COUNT // 2 + span))
    fine = envelope.drawn(*view)
    plain = ChannelEnvelope(TraceChannel("d", "V", source.values, RATE_HZ, 3.0))
    for _ in plain.build():
        pass
    expected = plain.drawn(*view)
    np.testing.assert_array_equal(fine.x, expected.x)
    np.testing.assert_array_equal(fine.y, expected.y)
    envelope.computed.stop()


def test_bins_never_reach_over_the_edge_of_a_segment():
    source = Slow()
    cut = 20 * TILE + 100
    parts = (TraceSegment(0, cut, 0.0), TraceSegment(cut, COUNT, 10.0))
    envelope = ChannelEnvelope(TraceChannel("d", "V", source, RATE_HZ, 0.0, parts))
    for _ in envelope.build():
        pass
    source.gate.clear()
    end_s = cut / RATE_HZ
    drawn = envelope.drawn(end_s - 1e-3, end_s + 1e-3, 800, 0.0)
    assert drawn.x.max() <= end_s
    source.gate.set()
    envelope.computed.stop()


def test_the_picture_is_made_anew_when_samples_arrive(qtbot):
    source = Slow()
    area = TraceArea()
    qtbot.addWidget(area)
    area.resize(800, 400)
    area.set_channels([TraceChannel("d", "V", source, RATE_HZ)])
    area.show()
    qtbot.waitUntil(lambda: not area._builder.busy, timeout=20_000)
    middle = (COUNT // 2) / RATE_HZ
    area.show_range(middle - 1e-4, middle + 1e-4)
    qtbot.waitUntil(lambda: not area._canvas.rows[0]._drawn[0].paired, timeout=20_000)
    assert np.nanmax(area._canvas.rows[0]._drawn[0].y) == 50.0
    area.stop()


def test_what_is_not_read_yet_says_so(qtbot):
    source = Slow()
    source.gate.clear()
    area = TraceArea()
    qtbot.addWidget(area)
    area.resize(800, 400)
    area.set_channels([TraceChannel("d", "V", source, RATE_HZ, 5.0)])
    area.show()
    (row,) = area._canvas.rows
    assert row.unread_from_s == 5.0
    shade = area._canvas.colours.shade
    box = row.box.sceneBoundingRect()
    place = (round(box.center().x()), round(box.top() + 20))
    assert area._canvas.grab().toImage().pixelColor(*place) == shade
    source.gate.set()
    qtbot.waitUntil(lambda: not area._builder.busy, timeout=20_000)
    assert row.unread_from_s is None
    assert area._canvas.grab().toImage().pixelColor(*place) != shade
    area.stop()


def test_where_reading_has_come_to_is_told_by_segment():
    source = Slow()
    cut = 20 * TILE
    parts = (TraceSegment(0, cut, 10.0), TraceSegment(cut, COUNT, 100.0))
    envelope = ChannelEnvelope(TraceChannel("d", "V", source, RATE_HZ, 0.0, parts))
    steps = envelope.build()
    assert envelope.unread_from_s(0.0, 200.0, 1000) == 10.0
    done = 0
    while done < cut:
        done = next(steps)
        expected = 10.0 + done / RATE_HZ if done < cut else 100.0 + (done - cut) / RATE_HZ
        assert envelope.unread_from_s(0.0, 200.0, 1000) == pytest.approx(expected)
    assert envelope.unread_from_s(0.0, 1e-3, 1000) is None  # close up the samples themselves are read
    for _ in steps:
        pass
    assert envelope.unread_from_s(0.0, 200.0, 1000) is None


def test_beside_a_channel_that_is_there_the_missing_one_is_told_in_words(qtbot):
    source = Slow()
    source.gate.clear()
    area = TraceArea()
    qtbot.addWidget(area)
    area.resize(800, 400)
    area.set_arrangement("by-unit")
    area.set_channels(
        [TraceChannel("d", "V", source, RATE_HZ), TraceChannel("A", "V", source.values, RATE_HZ)]
    )
    area.show()
    (row,) = area._canvas.rows
    assert row.unread[0] == "d: 0% read"
    source.gate.set()
    qtbot.waitUntil(lambda: not area._builder.busy, timeout=20_000)
    assert row.unread == ()
    assert row.unread_from_s is None
    area.stop()
    # again with a source that stays behind while the plain one is there
    stuck = Slow()
    stuck.gate.clear()
    plain = TraceChannel("A", "V", source.values[: 1 << 20], RATE_HZ)
    area.set_channels([TraceChannel("d", "V", stuck, RATE_HZ), plain])
    (row,) = area._canvas.rows
    assert row.unread == ("d: 0% read",)
    assert row.unread_from_s is None
    stuck.gate.set()
    area.stop()
