"""The five common tasks, done with real events that are counted: no more than the table in DEVELOPERS.md says."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import QPoint, QPointF, Qt

from app.demo import demo_path
from app.files.captures import open_capture
from app.jobs.decoding import DecodeRequest, run_decode
from app.model.commands_captures import OpenCapture
from app.model.commands_decodes import AddDecode
from app.model.items import DecodeRun

TABLE = Path(__file__).parents[2] / "DEVELOPERS.md"
SHIFT, CTRL = Qt.KeyboardModifier.ShiftModifier, Qt.KeyboardModifier.ControlModifier
NONE = Qt.KeyboardModifier.NoModifier
ALT = Qt.KeyboardModifier.AltModifier


def most(task: str) -> tuple[int, int]:
    """Clicks, drags and keys that the table says: with the mouse, and by keyboard alone."""
    text = TABLE.read_text(encoding="utf-8")
    row = re.search(rf"^\| {re.escape(task)} \| (\d+): .* \| (\d+): .* \|$", text, re.MULTILINE)
    assert row is not None, f"no row for {task!r}"
    return int(row[1]), int(row[2])


class Counted:
    """Uses mouse and keys in the trace, and counts: a click, a drag, a double click, a key, a key held, a word typed."""

    def __init__(self, window, qtbot) -> None:
        self.window, self._qtbot, self.count = window, qtbot, 0
        self.canvas = window.area._canvas

    def at(self, time_s: float, *, lane: bool = False) -> QPoint:
        area = self.canvas.geometry_px()
        y = (area.rows_bottom + area.lane_bottom) / 2 if lane else (area.heads_bottom + area.rows_bottom) / 2
        return self.canvas.mapFromScene(QPointF(self.canvas.time_scale().px(time_s), y))

    def click(self, time_s: float) -> None:
        self.count += 1
        self._qtbot.mouseMove(self.canvas.viewport(), self.at(time_s))
        self._qtbot.mouseClick(self.canvas.viewport(), Qt.MouseButton.LeftButton, NONE, self.at(time_s))

    def double_click(self, time_s: float) -> None:
        self.count += 1
        place = self.at(time_s, lane=True)
        self._qtbot.mouseDClick(self.canvas.viewport(), Qt.MouseButton.LeftButton, NONE, place)

    def drag(self, start_s: float, end_s: float, held: Qt.KeyboardModifier = NONE) -> None:
        self.count += 1
        surface, button = self.canvas.viewport(), Qt.MouseButton.LeftButton
        places = [self.at(start_s + (end_s - start_s) * share) for share in (0, 0.5, 1)]
        self._qtbot.mousePress(surface, button, held, places[0])
        for place in places[1:]:
            self._qtbot.mouseMove(surface, place)
        self._qtbot.mouseRelease(surface, button, held, places[-1])

    def key(self, key: Qt.Key, held: Qt.KeyboardModifier = NONE, *, times: int = 1) -> None:
        """``times`` more than once is a key held down."""
        self.count += 1
        for _ in range(times):
            self._qtbot.keyClick(self.canvas, key, held)


@pytest.fixture(scope="module")
def greenhouse():
    capture = open_capture(demo_path())
    return capture, run_decode(DecodeRequest(capture, None, (-0.004, 0.02), hash_wanted=False))


@pytest.fixture
def bench(window, greenhouse, qtbot):
    """The demo capture, zoomed to its second burst, not yet decoded in the window."""
    window.resize(1600, 1000)
    window.bridge.run(OpenCapture(greenhouse[0]))
    window.activateWindow()
    qtbot.waitActive(window)
    burst = greenhouse[1].result.bursts[1]
    window.area.show_range(burst.start_s - 1e-4, burst.end_s + 1e-4)
    window.area.setFocus()
    return window


@pytest.fixture
def hand(bench, qtbot):
    return Counted(bench, qtbot)


def decode(bench, greenhouse) -> None:
    outcome = greenhouse[1]
    run = DecodeRun(0, 0, outcome.channel, outcome.span_s, "", "", outcome.result)
    bench.bridge.run(AddDecode(run))


def reading(window, heading: str, name: str) -> str:
    model, under = window.readings.model, ""
    for i in range(model.rowCount()):
        left, right = model.index(i, 0).data(), model.index(i, 1).data()
        under = left if not right else under
        if (under, left) == (heading, name):
            return str(right)
    return ""


def test_measure_the_carrier_with_the_mouse(bench, hand, greenhouse, qtbot):
    decode(bench, greenhouse)
    hand.count += 1  # the key that decodes; where the carrier turns over is known from it
    burst = greenhouse[1].result.bursts[1]
    start_s = burst.start_s + 1e-4
    hand.drag(start_s, start_s + 50 / burst.carrier_hz, SHIFT)
    qtbot.waitUntil(lambda: "kHz" in reading(bench, "Selected span", "frequency"))
    found = float(re.match(r"[\d.]+", reading(bench, "Selected span", "frequency"))[0]) * 1e3
    assert found == pytest.approx(burst.carrier_hz, rel=0.01)
    assert hand.count <= most("measure the carrier over 50 cycles")[0]


def test_measure_the_carrier_by_keys(bench, hand, greenhouse, qtbot):
    decode(bench, greenhouse)
    hand.count += 1
    burst = greenhouse[1].result.bursts[1]
    hand.key(Qt.Key.Key_K, CTRL | SHIFT)
    hand.key(Qt.Key.Key_B)
    hand.key(Qt.Key.Key_Left, SHIFT, times=10)  # crossing by crossing, as far as is wanted
    qtbot.waitUntil(lambda: "kHz" in reading(bench, "A to B", "frequency"))
    assert int(reading(bench, "A to B", "whole cycles")) >= 50
    found = float(re.match(r"[\d.]+", reading(bench, "A to B", "frequency"))[0]) * 1e3
    assert found == pytest.approx(burst.carrier_hz, rel=0.01)
    assert hand.count <= most("measure the carrier over 50 cycles")[1]


def test_mark_ten_flips_with_the_mouse(bench, hand, greenhouse):
    flips_s = greenhouse[1].result.bursts[1].flips_s[:10]
    hand.key(Qt.Key.Key_4, ALT)
    for time_s in flips_s:
        hand.click(time_s)
    marked = sorted(flip.time_s for flip in bench.document.data.flips)
    assert len(marked) == 10
    # they snap to the crossing beside the flip, which lies within a cycle
    assert np.abs(np.array(marked) - flips_s).max() < 1 / greenhouse[1].result.bursts[1].carrier_hz
    assert hand.count <= most("mark ten flips")[0]


def test_mark_ten_flips_by_keys(bench, hand):
    hand.key(Qt.Key.Key_K, CTRL | SHIFT)
    hand.key(Qt.Key.Key_A)
    for _ in range(10):
        hand.key(Qt.Key.Key_Right, SHIFT, times=3)
        hand.key(Qt.Key.Key_F)
    assert len(bench.document.data.flips) == 10
    assert hand.count <= most("mark ten flips")[1]


@pytest.mark.parametrize("mouse", [True, False])
def test_decode_a_span(bench, hand, qtbot, mouse):
    if mouse:
        start_s, end_s = bench.area.visible_range()
        hand.drag(start_s + 2e-5, end_s - 2e-5, SHIFT)
    else:
        hand.key(Qt.Key.Key_K, CTRL | SHIFT)
        hand.key(Qt.Key.Key_M, CTRL)
    hand.key(Qt.Key.Key_D, CTRL | SHIFT)
    qtbot.waitUntil(lambda: bool(bench.view.runs), timeout=30_000)
    assert bench.view.span_s is not None
    assert bench.view.runs[-1].span_s == pytest.approx(bench.view.span_s)
    assert hand.count <= most("decode a span")[0 if mouse else 1]


@pytest.mark.parametrize("mouse", [True, False])
def test_correct_one_bit(bench, hand, greenhouse, qtbot, mouse):
    decode(bench, greenhouse)
    qtbot.waitUntil(lambda: bool(bench.view.bursts))
    burst = bench.view.bursts[1].burst
    if mouse:
        hand.double_click(burst.first_symbol_s + 8.5 / burst.symbol_rate_bd)
    else:
        hand.key(Qt.Key.Key_K, CTRL | SHIFT)
        hand.key(Qt.Key.Key_A)
        hand.key(Qt.Key.Key_Right, ALT, times=2)
        hand.key(Qt.Key.Key_I, CTRL)
    changed = bench.view.bursts[1].changed
    assert len(changed) == 1
    if mouse:
        assert changed == (8,)
    assert hand.count <= most("correct one bit")[0 if mouse else 1]


def test_export_a_figure(bench, hand, qtbot, answer, tmp_path):
    path = tmp_path / "burst.svg"
    answer("where_to_export", path)
    hand.key(Qt.Key.Key_P, CTRL)
    qtbot.waitUntil(lambda: bench.figures._dialog is not None and bench.figures._dialog.isVisible())
    hand.count += 1  # Return in the dialog: it saves
    qtbot.keyClick(bench.figures._dialog, Qt.Key.Key_Return)
    qtbot.waitUntil(path.exists)
    hand.count += 2  # in the file dialog, which the test answers: the name, and Return
    mouse, keys = most("export a figure")
    assert hand.count <= min(mouse, keys)
