"""Cursors named and put on levels, readings pinned, named, copied and exported, the period and transition tools."""

from __future__ import annotations

import csv
import math

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication, QLineEdit

from app.gui.readings import ReadingsRequest, readings
from app.model.capture import Capture, Channel, Segment
from app.model.commands_captures import OpenCapture

CTRL, SHIFT, ALT = (
    Qt.KeyboardModifier.ControlModifier,
    Qt.KeyboardModifier.ShiftModifier,
    Qt.KeyboardModifier.AltModifier,
)


@pytest.fixture
def opened(window, quiet_capture, qtbot):
    window.resize(1300, 900)
    window.bridge.run(OpenCapture(quiet_capture))
    window.activateWindow()
    qtbot.waitActive(window)
    qtbot.waitUntil(lambda: "A to B" in names(window))
    return window


def names(window) -> list[str]:
    model = window.readings.model
    return [model.index(i, 0).data() for i in range(model.rowCount())]


def click(window, qtbot, name: str, *, double: bool = False) -> None:
    table = window.readings.table
    index = window.readings.model.index(names(window).index(name), 0)
    table.scrollTo(index)
    place = table.visualRect(index).center()
    qtbot.mouseClick(table.viewport(), Qt.MouseButton.LeftButton, pos=place)
    if double:
        qtbot.mouseDClick(table.viewport(), Qt.MouseButton.LeftButton, pos=place)


def test_a_reading_is_pinned_named_copied_exported_and_unpinned(opened, qtbot, tmp_path, answer):
    click(opened, qtbot, "frequency")
    qtbot.keyClick(opened, Qt.Key.Key_L, CTRL)
    (pin,) = opened.document.data.pins
    assert (pin.quantity, pin.unit, pin.place) == ("frequency", "Hz", "A to B")
    assert pin.value == pytest.approx(1000, rel=1e-4)
    assert opened.document.undo_label == "pin frequency"
    pins = opened.readings.pins
    pins.table.setFocus()
    pins.table.setCurrentIndex(pins.model.index(0, 0))
    qtbot.keyClick(pins.table, Qt.Key.Key_F2)
    (editor,) = pins.table.viewport().findChildren(QLineEdit)
    qtbot.keyClicks(editor, "carrier at night")
    qtbot.keyClick(editor, Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: opened.document.data.pins[0].name == "carrier at night")
    pins.table.setFocus()
    qtbot.keyClick(opened, Qt.Key.Key_C, CTRL | ALT)
    assert QApplication.clipboard().text().startswith("carrier at night: frequency = 1.0000")
    qtbot.keyClick(opened, Qt.Key.Key_C, CTRL)
    assert QApplication.clipboard().text().splitlines()[0] == "Name\tReading\tValue\tOf\tCapture"
    answer("where_to_export_table", tmp_path / "readings.csv")
    qtbot.mouseClick(pins.export, Qt.MouseButton.LeftButton)
    (row,) = csv.DictReader((tmp_path / "readings.csv").read_text().splitlines())
    assert float(row["value"]) == pin.value
    assert float(row["standard_uncertainty"]) == pin.std
    assert (row["name"], row["unit"]) == ("carrier at night", "Hz")
    pins.table.selectRow(0)
    pins.table.setFocus()
    qtbot.keyClick(pins.table, Qt.Key.Key_Delete)
    assert opened.document.data.pins == ()
    opened.document.undo()
    assert len(opened.document.data.pins) == 1


def test_a_double_click_pins_and_a_pinned_reading_stays_when_cursors_move(opened, qtbot):
    click(opened, qtbot, "difference", double=True)
    (pin,) = opened.document.data.pins
    assert pin.value == pytest.approx(0.02)
    opened.area.cursor_moved.emit(opened.document.data.cursors[0].key, 0.53, "drag")
    assert opened.document.data.pins == (pin,)


def test_nothing_selected_is_told(opened, qtbot):
    qtbot.keyClick(opened, Qt.Key.Key_L, CTRL)
    assert "Select a reading" in opened.messages.lines()[0].message.text
    assert opened.document.data.pins == ()


def test_selected_readings_are_copied_as_sentences(opened, qtbot):
    click(opened, qtbot, "RMS")
    qtbot.keyClick(opened, Qt.Key.Key_C, CTRL | ALT)
    assert QApplication.clipboard().text().startswith("RMS = 5.65")
    assert "(A to B, vents)" in QApplication.clipboard().text()


def test_a_cursor_is_named_and_two_never_alike(opened, qtbot, answer):
    answer("cursor_name", "request")
    qtbot.keyClick(opened, Qt.Key.Key_K, CTRL | ALT)
    assert [one.name for one in opened.document.data.cursors] == ["request", "B"]
    assert opened.document.undo_label == "name cursor A request"
    answer("cursor_name", "b")
    qtbot.keyClick(opened, Qt.Key.Key_K, CTRL | ALT)
    assert "Another cursor is called b" in opened.messages.lines()[0].message.text


def test_a_cursor_goes_from_one_crossing_of_a_level_to_the_next(opened, qtbot, answer):
    answer("level", 4.0)
    times = []
    for _ in range(2):
        qtbot.keyClick(opened, Qt.Key.Key_L, CTRL | ALT)
        times.append(opened.document.data.cursors[0].time_s)
    # 8 V sin crosses 4 V at 1/12 and 5/12 of a cycle of 1 ms
    assert times == pytest.approx([0.54 + 1e-3 / 12, 0.54 + 5e-3 / 12], abs=1e-7)
    answer("level", 40.0)
    qtbot.keyClick(opened, Qt.Key.Key_L, CTRL | ALT)
    assert "does not cross 40 V" in opened.messages.lines()[0].message.text


def read(capture: Capture, span_s: tuple[float, float], **known) -> dict[str, object]:
    return {row.name: row for row in readings(ReadingsRequest(capture, "line", (), span_s, **known))}


def made(values: np.ndarray, rate: float) -> Capture:
    return Capture("made", "made up", rate, 0.0, (Channel("line", values),), (Segment(0, values.size, 0.0),))


def test_fifty_cycles_have_period_and_jitter():
    rng = np.random.default_rng(5)
    times = np.arange(40_000) / 20e6
    found = read(
        made(5 * np.sin(2 * np.pi * 203.7e3 * times) + rng.normal(0, 0.02, times.size), 20e6), (1e-4, 3.5e-4)
    )
    assert abs(found["cycle period"].value - 1 / 203.7e3) < 4 * found["cycle period"].std
    assert "Over 50 cycles" in found["cycle period"].tip
    # white noise u moves a crossing by u / slope = 0.02 / (2 pi f 5); the cubic keeps most of it
    slope = 2 * math.pi * 203.7e3 * 5
    assert 0.5 * 0.02 / slope < found["cycle jitter"].value < 1.2 * 0.02 / slope


def test_one_change_of_state_has_levels_and_duration():
    """IEEE Std 181-2011; of a single pole the 10 % to 90 % duration is ln 9 time constants."""
    times = np.arange(20_000) / 100e6 - 100e-6
    tau = 2e-6
    rng = np.random.default_rng(6)
    wave = (
        1
        + 11 * np.where(times < 0, 0, 1 - np.exp(-np.maximum(times, 0) / tau))
        + rng.normal(0, 0.005, times.size)
    )
    found = read(made(wave, 100e6), (6e-5, 1.6e-4))
    assert found["transition 10-90 %"].value == pytest.approx(math.log(9) * tau, rel=0.01)
    assert found["low state"].value == pytest.approx(1, abs=0.01)
    assert found["high state"].value == pytest.approx(12, abs=0.01)
    assert "cycle period" not in found


def test_flips_of_one_clock_have_a_symbol_period():
    flips = tuple(
        1e-3 + k * 40e-6 + e
        for k, e in zip((0, 1, 3, 4, 7, 9), (1e-8, -2e-8, 0, 2e-8, -1e-8, 0), strict=True)
    )
    capture = made(np.zeros(4000), 1e6)
    found = read(capture, (0.9e-3, 1.5e-3), flips_s=flips, symbol_rate_bd=25_100.0)
    assert found["symbol period"].value == pytest.approx(40e-6, rel=1e-3)
    assert "Over 9 symbols" in found["symbol period"].tip


def test_few_flips_are_not_surer_than_the_samples_they_come_from():
    """Four flips exactly on a line say no more than one sample interval each; three say nothing."""
    flips = tuple(1e-3 + k * 40e-6 for k in range(4))
    capture = made(np.zeros(4000), 1e6)
    found = read(capture, (0.9e-3, 1.5e-3), flips_s=flips, symbol_rate_bd=25_000.0)
    # spread of 0, 1, 2, 3 about their mean: 5
    assert found["symbol period"].std == pytest.approx(1e-6 / math.sqrt(12) / math.sqrt(5))
    assert "symbol period" not in read(capture, (0.9e-3, 1.5e-3), flips_s=flips[:3], symbol_rate_bd=25_000.0)
