"""Marking by eye in the window: stepping, the symbol grid, the comparison, the level line; by mouse and by keys."""

from __future__ import annotations

import math

import numpy as np
import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtWidgets import QApplication

from app.files.session import read_session
from app.gui.comparing import CompareRequest, compare
from app.gui.readings import ReadingsRequest, readings
from app.gui.trace.canvas import TraceCanvas
from app.model.capture import Capture, Channel, Segment
from app.model.commands_captures import OpenCapture
from app.model.commands_flips import DeleteAutoFlip, PlaceFlip
from app.model.commands_marks import KeepSpan
from app.model.items import Cursor
from app.model.symbol_grid import grid_of

Key = Qt.Key
CTRL, SHIFT, ALT = (
    Qt.KeyboardModifier.ControlModifier,
    Qt.KeyboardModifier.ShiftModifier,
    Qt.KeyboardModifier.AltModifier,
)
LEFT, NONE = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier
SYMBOLS = "110100111011000101100100"
EDGES = [0.5 + 5e-3 * k for k in range(1, 20) if SYMBOLS[k] != SYMBOLS[k - 1]]


@pytest.fixture
def keyed_capture() -> Capture:
    """1 kHz about 24 V, five cycles a symbol, turned over at crossings."""
    at = np.arange(10_000)
    signs = np.array([1.0 if symbol == "1" else -1.0 for symbol in SYMBOLS])[at // 500]
    stored = np.round(1000 * (24 + signs * np.sin(2 * np.pi * at / 100))).astype(np.int16)
    return Capture(
        "vents", "made up", 1e5, 0.5, (Channel("wire A", stored, 1e-3),), (Segment(0, 10_000, 0.5),)
    )


def active(window, qtbot):
    window.resize(1300, 900)
    window.activateWindow()
    qtbot.waitActive(window)
    window.area.setFocus()
    return window


@pytest.fixture
def keyed(window, keyed_capture, qtbot):
    window.bridge.run(OpenCapture(keyed_capture))
    return active(window, qtbot)


@pytest.fixture
def found(decoded, qtbot):
    return active(decoded, qtbot)


def canvas_of(window) -> TraceCanvas:
    return window.area.findChild(TraceCanvas, "traceCanvas")


def press(qtbot, window, *keys, held=Qt.KeyboardModifier.NoModifier) -> None:
    for key in keys:
        qtbot.keyClick(canvas_of(window), key, held)


def bar(window, time_s: float) -> QPoint:
    canvas = canvas_of(window)
    place = canvas.geometry_px()
    return QPoint(round(canvas.time_scale().px(time_s)), round((place.bar_top + place.rows_bottom) / 2))


def drag(qtbot, window, start: QPoint, *ways: QPoint) -> None:
    viewport = canvas_of(window).viewport()
    qtbot.mouseMove(viewport, start)
    qtbot.mousePress(viewport, Qt.MouseButton.LeftButton, pos=start)
    for way in ways:
        qtbot.mouseMove(viewport, way)
    qtbot.mouseRelease(viewport, Qt.MouseButton.LeftButton, pos=ways[-1])


def grid(window):
    return grid_of(window.document.data, 0)


def names(window) -> list[str]:
    model = window.readings.model
    return [model.index(i, 0).data() for i in range(model.rowCount())]


def under(window, heading: str) -> dict[str, str]:
    """The readings under a heading."""
    model = window.readings.model
    rows = [(model.index(i, 0).data(), model.index(i, 1).data()) for i in range(model.rowCount())]
    at = [name for name, _ in rows].index(heading) + 1
    last = next((i for i in range(at, len(rows)) if not rows[i][1]), len(rows))
    return dict(rows[at:last])


# --- stepping


def test_flips_are_marked_by_f7_space_and_f_and_undone_one_by_one(keyed, qtbot):
    keyed.area.show_range(0.5, 0.6)
    press(qtbot, keyed, Key.Key_Home)
    keyed.area.show_range(0.5005, 0.512)
    qtbot.keyClick(keyed, Key.Key_F7)
    assert keyed.menus.actions["walk_crossings"].isChecked()
    assert "Space: next" in keyed.hint.text()
    for _ in range(200):
        turned = "turns back" in keyed.hint.text()
        press(qtbot, keyed, Key.Key_F if turned else Key.Key_Space)
    marks = [flip.time_s for flip in keyed.document.data.flips]
    assert marks == pytest.approx([edge for edge in EDGES if edge > 0.5058], abs=1.5e-5)
    qtbot.keyClick(keyed, Key.Key_F7)
    assert not keyed.menus.actions["walk_crossings"].isChecked()
    assert "Space: next" not in keyed.hint.text()
    assert keyed.document.undo_label == "place flip"
    qtbot.keyClick(keyed, Key.Key_Z, CTRL)
    assert len(keyed.document.data.flips) == len(marks) - 1


def test_undo_while_stepping_goes_back_to_the_flip_that_was_set(keyed, qtbot):
    keyed.area.show_range(0.5105, 0.52)
    qtbot.keyClick(keyed, Key.Key_F7)
    walk = keyed.area._control.walk
    places = []
    for key in (Key.Key_F, Key.Key_Space, Key.Key_Space, Key.Key_F, Key.Key_Space):
        places.append(walk.at_s)
        press(qtbot, keyed, key)
    qtbot.keyClick(keyed, Key.Key_Z, CTRL)
    assert walk.at_s == places[3]
    press(qtbot, keyed, Key.Key_Space)
    assert walk.at_s == pytest.approx(places[4])
    qtbot.keyClick(keyed, Key.Key_Z, CTRL)
    assert walk.at_s == places[0]
    assert keyed.document.data.flips == ()
    # and on from there
    press(qtbot, keyed, Key.Key_F, Key.Key_F)
    assert [flip.time_s for flip in keyed.document.data.flips] == pytest.approx(places[:2])


def test_stepping_where_nothing_crosses_is_told(window, qtbot):
    flat = Capture(
        "vents", "made up", 1e5, 0.0, (Channel("A", np.zeros(500, np.int16)),), (Segment(0, 500, 0.0),)
    )
    window.bridge.run(OpenCapture(flat))
    active(window, qtbot)
    qtbot.keyClick(window, Key.Key_F7)
    assert "no zero crossing here" in window.messages.lines()[0].message.text
    assert not window.menus.actions["walk_crossings"].isChecked()


# --- the symbol grid


def test_a_grid_is_laid_on_the_burst_dragged_in_one_step_and_fitted_back(found, qtbot):
    found.area.show_range(0.505, 0.525)
    qtbot.keyClick(found, Key.Key_G, CTRL)
    assert (grid(found).start_s, grid(found).count) == (0.510, 10)
    assert grid(found).period_s == pytest.approx(1e-3)
    first = grid(found)
    # flips stand 2 us behind the edges
    shown = found.area._shown.grid
    assert "3 flips on it, rms 0.2 % of a symbol, 2 µs" in shown.text
    qtbot.waitUntil(lambda: "Symbol grid" in names(found))
    rows = under(found, "Symbol grid")
    assert rows["flips on it"] == "3"
    assert rows["mean from edges"] == "2 µs"
    assert rows["rms from edges"] == "2.0(10) µs, 0.2 %"
    for action in found.menus.actions:
        if action.startswith("snap_") and found.menus.actions[action].isChecked():
            found.menus.actions[action].trigger()
    drag(qtbot, found, bar(found, 0.52), bar(found, 0.5202), bar(found, 0.5205))
    assert grid(found).start_s == 0.510
    assert grid(found).end_s == pytest.approx(0.5205, abs=4e-5)
    assert found.document.undo_label == "stretch symbol grid"
    drag(qtbot, found, bar(found, 0.515), bar(found, 0.51515))
    assert grid(found).start_s == pytest.approx(0.51015, abs=4e-5)
    assert found.document.undo_label == "move symbol grid"
    assert "rms 0.2 %" not in found.area._shown.grid.text
    qtbot.keyClick(found, Key.Key_G, CTRL | SHIFT)
    assert grid(found).period_s == pytest.approx(1e-3, rel=1e-6)
    assert grid(found).start_s == pytest.approx(0.510002, abs=1e-7)
    assert "rms 0" in found.area._shown.grid.text
    for _ in range(3):
        qtbot.keyClick(found, Key.Key_Z, CTRL)
    assert grid(found) == first
    qtbot.keyClick(found, Key.Key_Z, CTRL)
    assert grid(found) is None
    assert found.area._shown.grid is None


def test_flips_of_the_hand_come_before_automatic_ones_in_the_fit(found, qtbot):
    found.area.show_range(0.505, 0.525)
    qtbot.keyClick(found, Key.Key_G, CTRL)
    automatic = found.view.bursts[0].burst.flips_s
    found.bridge.run(PlaceFlip(0, automatic[0] + 50e-6))
    assert "3 flips on it" in found.area._shown.grid.text
    # 52 us once and 2 us twice
    rms = math.sqrt((52**2 + 2 * 2**2) / 3)
    assert f"{rms / 10:.2g} % of a symbol" in found.area._shown.grid.text
    found.bridge.run(DeleteAutoFlip(0, automatic[1]))
    assert "2 flips on it" in found.area._shown.grid.text
    found.bridge.run(PlaceFlip(0, 0.5145))
    assert "1 off it" in found.area._shown.grid.text


def test_the_grid_is_told_to_the_decoder_and_kept_in_the_session(
    found, qtbot, tmp_path, answer, made_up_decode
):
    found.area.show_range(0.505, 0.525)
    qtbot.keyClick(found, Key.Key_G, CTRL)
    press(qtbot, found, Key.Key_G, Key.Key_Right)  # its end, one sample on
    assert grid(found).end_s == pytest.approx(0.52001)
    qtbot.keyClick(found, Key.Key_G, CTRL | ALT)
    assert "Decodes are told 999.001 Bd" in found.messages.lines()[0].message.text
    qtbot.keyClick(found, Key.Key_D, CTRL)
    qtbot.waitUntil(lambda: len(made_up_decode) == 2)
    assert made_up_decode[1].settings.symbol_rate_bd == pytest.approx(10 / 0.01001)
    qtbot.waitUntil(lambda: found.runner.current() is None)
    answer("where_to_save", tmp_path / "s.h5")
    qtbot.keyClick(found, Key.Key_S, CTRL)
    qtbot.waitUntil(lambda: found.document.is_saved)
    assert grid_of(read_session(tmp_path / "s.h5"), 0) == grid(found)


def test_a_grid_goes_over_the_span_the_flips_or_the_view(keyed, qtbot):
    keyed.area.show_range(0.52, 0.56)
    qtbot.keyClick(keyed, Key.Key_G, CTRL)
    assert (grid(keyed).start_s, grid(keyed).end_s, grid(keyed).count) == pytest.approx((0.53, 0.55, 10))
    for edge in EDGES:
        keyed.bridge.run(PlaceFlip(0, edge))
    keyed.area.show_range(0.499, 0.601)
    keyed.menus.actions["clear_span"].trigger()
    keyed.view.bursts = ()  # as where the decoder found nothing and the hand's flips are too few for bits
    qtbot.keyClick(keyed, Key.Key_G, CTRL)
    assert grid(keyed).period_s == pytest.approx(5e-3)
    assert grid(keyed).start_s == pytest.approx(EDGES[0])
    keyed.view.select_span((0.51, 0.53))
    qtbot.keyClick(keyed, Key.Key_G, CTRL)
    assert (grid(keyed).start_s, grid(keyed).end_s, grid(keyed).count) == pytest.approx((0.51, 0.53, 4))


def test_without_grid_or_flips_it_is_told_what_is_missing(keyed, qtbot):
    for name in ("fit_grid", "tell_grid_rate", "remove_grid"):
        keyed.menus.actions[name].trigger()
        assert "no symbol grid yet" in keyed.messages.lines()[0].message.text
    qtbot.keyClick(keyed, Key.Key_G, CTRL)
    before = grid(keyed)
    qtbot.keyClick(keyed, Key.Key_G, CTRL | SHIFT)
    assert any("cannot be fitted" in line.message.text for line in keyed.messages.lines())
    assert grid(keyed) == before
    assert keyed.area._shown.grid.text.endswith("no flips here")
    keyed.menus.actions["remove_grid"].trigger()
    assert grid(keyed) is None
    assert keyed.document.undo_label == "remove symbol grid"


# --- the comparison


@pytest.fixture
def compared(found, qtbot):
    """Of the second burst's seven flips four are met by the hand, 10 us late and later; one is missed by the decoder."""
    for number, late_us in ((1, 12), (2, 10), (3, 14), (5, 8)):
        found.bridge.run(PlaceFlip(0, 0.550 + number * 1e-3 + late_us * 1e-6))
    found.bridge.run(PlaceFlip(0, 0.5565))
    found.bridge.run(DeleteAutoFlip(0, 0.554 + 2e-6))
    dock = found.arrangement.dock_of(found.compared)
    dock.show()
    dock.raise_()
    qtbot.waitUntil(lambda: found.compared.words.text().startswith("4 agreed"))
    return found


def verdicts(window) -> list[str]:
    return [flip.verdict for flip in window.compared.model.flips]


def test_hand_and_automatic_flips_are_compared(compared, qtbot):
    # 10, 8, 12 and 6 us later than the automatic ones: median 9, standard deviation sqrt(20 / 3)
    words = compared.compared.words.text()
    assert words.startswith("4 agreed, 1 missed, 1 extra, 2 open; yours less automatic: median 9 µs")
    assert f"standard deviation {math.sqrt(20 / 3):.2g} µs, 0.26 % of a symbol" in words
    assert sorted(verdicts(compared)) == ["agreed"] * 4 + ["extra", "missed"]
    compared.compared.listed.setFocus()
    qtbot.keyClick(compared.compared.listed, Key.Key_End)
    assert verdicts(compared).count("open") == 2
    qtbot.keyClick(compared.compared.listed, Key.Key_Home)
    model = compared.compared.model
    assert [model.index(0, column).data() for column in range(7)] == [
        *("551.012 ms", "agreed", "551.012 ms", "551.002 ms", "10 µs", "+0.010", "2"),
    ]


def test_the_list_is_narrowed_by_keys_and_everything_claimed(compared, qtbot):
    panel = compared.compared
    panel.listed.setFocus()
    qtbot.keyClick(panel.listed, Key.Key_Down)
    assert sorted(verdicts(compared)) == ["extra", "missed"]
    place = panel.complete.rect().center()
    place.setX(12)
    qtbot.mouseClick(panel.complete, Qt.MouseButton.LeftButton, pos=place)
    # from the first to the last flip of the hand; the one at 557 ms lies beyond
    qtbot.waitUntil(lambda: "2 extra" in panel.words.text())
    assert "1 open" in panel.words.text()
    compared.view.select_span((0.5455, 0.56))
    qtbot.waitUntil(lambda: "3 extra" in panel.words.text())


def test_a_row_is_looked_at_by_enter_and_differences_by_keys(compared, qtbot):
    panel, area = compared.compared, compared.area
    area.show_range(0.50, 0.60)
    panel.table.setFocus()
    panel.table.setCurrentIndex(panel.model.index(0, 0))
    qtbot.keyClick(panel.table, Key.Key_Return)
    start_s, end_s = area.visible_range()
    assert (start_s + end_s) / 2 == pytest.approx(0.551012)
    assert end_s - start_s == pytest.approx(12e-3)
    assert area.selected_mark().origin == "hand"
    panel.listed.setCurrentIndex(2)
    area.setFocus()
    for by, time_s, origin in (
        (Key.Key_Right, 0.554002, "removed"),
        (Key.Key_Right, 0.5565, "hand"),
        (Key.Key_Right, 0.554002, "removed"),
        (Key.Key_Left, 0.5565, "hand"),
    ):
        qtbot.keyClick(canvas_of(compared), by, CTRL | SHIFT)
        assert area.selected_mark().time_s == pytest.approx(time_s)
        assert area.selected_mark().origin == origin
    # what was listed did not have them
    assert panel.listed.currentIndex() == 0


def test_without_differences_it_is_said(found, qtbot):
    found.bridge.run(PlaceFlip(0, 0.551002))
    qtbot.waitUntil(lambda: found.compared.words.text().startswith("1 agreed"))
    qtbot.keyClick(canvas_of(found), Key.Key_Right, CTRL | SHIFT)
    assert "no difference to go to" in found.messages.lines()[0].message.text


def test_the_comparison_is_copied_as_a_table(compared, qtbot):
    compared.compared.table.setFocus()
    compared.compared.table.selectRow(0)
    qtbot.keyClick(compared.compared.table, Key.Key_C, CTRL)
    lines = QApplication.clipboard().text().splitlines()
    assert lines[0].split("\t")[:3] == ["Time", "Verdict", "Yours"]
    assert lines[1].startswith("551.012 ms\tagreed")


def test_a_burst_is_compared_by_its_own_symbols(found):
    marks = found.view.flips
    assert compare(CompareRequest(found.view.bursts, marks, None, None, False)).flips == ()
    found.bridge.run(PlaceFlip(0, 0.53))  # between the bursts
    (lone,) = compare(CompareRequest(found.view.bursts, found.view.flips, None, None, False)).flips
    assert (lone.verdict, lone.burst) == ("missed", None)


# --- the level line


def test_a_level_line_is_asked_for_snapped_to_and_taken_away(keyed, qtbot, answer):
    asked = answer("level_line", 24.5)
    press(qtbot, keyed, Key.Key_A)
    qtbot.keyClick(keyed, Key.Key_H, CTRL | ALT)
    # the value at the selected cursor stands in the question
    assert asked[0][2] == pytest.approx(24.0, abs=1e-3)
    assert keyed.area.level == 24.5
    assert keyed.menus.actions["level_line"].isChecked()
    assert keyed.menus.actions["snap_level"].isChecked()
    for name in ("snap_crossing", "snap_flip", "snap_symbol"):
        keyed.menus.actions[name].trigger()
    press(qtbot, keyed, Key.Key_Right, held=SHIFT | ALT)
    time_s = keyed.document.data.cursors[0].time_s
    assert math.remainder(time_s - 0.54, 0.5e-3) == pytest.approx(1e-3 / 12, abs=1e-7) or math.remainder(
        time_s - 0.54, 0.5e-3
    ) == pytest.approx(-1e-3 / 12, abs=1e-7)
    assert keyed.document.undo_label == "move cursor A"
    qtbot.keyClick(keyed, Key.Key_H, CTRL | ALT)
    assert keyed.area.level is None
    assert keyed.document.undo_label == "remove level line"
    qtbot.keyClick(keyed, Key.Key_Z, CTRL)
    assert keyed.area.level == 24.5
    assert keyed.menus.actions["level_line"].isChecked()
    qtbot.keyClick(keyed, Key.Key_H, CTRL | ALT)
    assert not keyed.menus.actions["level_line"].isChecked()
    answer("level_line", None)
    qtbot.keyClick(keyed, Key.Key_H, CTRL | ALT)
    assert not keyed.menus.actions["level_line"].isChecked()


def test_a_level_line_that_is_dragged_is_one_step_and_escape_puts_it_back(keyed, qtbot, answer):
    answer("level_line", 24.0)
    qtbot.keyClick(keyed, Key.Key_H, CTRL | ALT)
    canvas = canvas_of(keyed)
    viewport = canvas.viewport()
    before, row = canvas.geometry_px().level_y, canvas.active_row()
    steps = [QPoint(canvas.width() // 2, round(y)) for y in (before + 1, before - 10, before - 25)]
    qtbot.mousePress(viewport, LEFT, NONE, steps[0])
    for at in steps[1:]:
        qtbot.mouseMove(viewport, at)
    assert keyed.area.level > 24.0
    qtbot.keyClick(canvas, Key.Key_Escape)
    qtbot.mouseRelease(viewport, LEFT, NONE, steps[-1])
    assert keyed.area.level == 24.0
    assert keyed.document.undo_label == "place level line"
    qtbot.mousePress(viewport, LEFT, NONE, steps[0])
    for at in steps[1:]:
        qtbot.mouseMove(viewport, at)
    qtbot.mouseRelease(viewport, LEFT, NONE, steps[-1])
    assert keyed.area.level == pytest.approx(row.value_at(before - 25), rel=1e-3)
    assert keyed.document.undo_label == "move level line"
    qtbot.keyClick(keyed, Key.Key_Z, CTRL)
    assert keyed.area.level == 24.0


def test_the_level_line_is_there_again_when_the_session_is_opened(keyed, qtbot, answer, tmp_path):
    answer("level_line", 24.25)
    qtbot.keyClick(keyed, Key.Key_H, CTRL | ALT)
    answer("where_to_save", tmp_path / "level.h5")
    qtbot.keyClick(keyed, Key.Key_S, CTRL)
    qtbot.waitUntil(lambda: keyed.document.path is not None, timeout=20_000)
    qtbot.keyClick(keyed, Key.Key_H, CTRL | ALT)
    assert keyed.area.level is None
    answer("what_to_do_with_changes", "discard")
    keyed.open_paths([tmp_path / "level.h5"])
    qtbot.waitUntil(lambda: keyed.area.level == 24.25, timeout=20_000)
    assert keyed.menus.actions["level_line"].isChecked()


# --- readings of cursors


def rows_of(request: ReadingsRequest) -> dict[str, object]:
    found = {}
    heading = ""
    for row in readings(request):
        heading = row.name if not row.text else heading
        found[f"{heading}: {row.name}"] = row
    return found


def test_three_cursors_have_each_step_and_the_whole(keyed_capture):
    cursors = (
        Cursor(1, 0, "A", 0.5),
        Cursor(2, 0, "vent", 0.50025),
        Cursor(3, 0, "C", 0.50075),
    )
    found = rows_of(ReadingsRequest(keyed_capture, "wire A", cursors, None))
    assert found["A to C: difference"].value == pytest.approx(0.75e-3)
    assert found["A to C: value difference"].value == pytest.approx(-1.0, abs=1e-3)
    assert found["A to vent: value difference"].value == pytest.approx(1.0, abs=1e-3)
    assert found["vent to C: value difference"].value == pytest.approx(-2.0, abs=1e-3)
    assert found["vent to C: 1 / difference"].value == pytest.approx(2000)
    two = rows_of(ReadingsRequest(keyed_capture, "wire A", cursors[:2], None))
    assert sum(name.endswith(": difference") for name in two) == 1


def test_every_reading_of_a_cursor_has_its_uncertainty_by_monte_carlo():
    """A cursor somewhere in a sample interval, on a slope under noise."""
    rng = np.random.default_rng(8)
    rate_hz, noise = 1e5, 0.02
    errors: dict[str, list[float]] = {"time": [], "difference": [], "value difference": []}
    stated: dict[str, list[float]] = {name: [] for name in errors}
    for _ in range(150):
        values = (24 + noise * rng.normal(size=6000)).astype(np.float32)
        capture = Capture("vents", "made up", rate_hz, 0.0, (Channel("A", values),), (Segment(0, 6000, 0.0),))
        true_s = rng.uniform(0.02, 0.03), rng.uniform(0.04, 0.05)
        # placed on the nearest sample, as the arrow keys do
        cursors = tuple(
            Cursor(k, 0, name, round(at * rate_hz) / rate_hz)
            for k, (name, at) in enumerate(zip("AB", true_s, strict=True))
        )
        found = rows_of(ReadingsRequest(capture, "A", cursors, None))
        truth = {"time": true_s[0], "difference": true_s[1] - true_s[0], "value difference": 0.0}
        for name, value in truth.items():
            row = found[f"Cursor A: {name}" if name == "time" else f"A to B: {name}"]
            errors[name].append(row.value - value)
            stated[name].append(row.std)
    for name, seen in errors.items():
        assert np.sqrt(np.mean(np.square(seen))) == pytest.approx(np.mean(stated[name]), rel=0.2), name


def test_the_span_of_the_grid_is_drawn_as_the_grid_alone(decoded, qtbot):
    decoded.view.select_span((0.510, 0.520))
    decoded.bridge.run(KeepSpan(0, "bay 3", 0.530, 0.540))
    qtbot.keyClick(decoded, Qt.Key.Key_G, Qt.KeyboardModifier.ControlModifier)
    assert decoded.area._shown.grid is not None
    assert [span.name for span in decoded.area._shown.named_spans.spans] == ["bay 3"]


def test_nothing_is_said_to_be_in_view_once_nothing_is_open(decoded, qtbot):
    assert " to " in decoded.seen.text()
    while decoded.document.undo_label is not None:
        qtbot.keyClick(decoded, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert decoded.document.capture is None
    assert decoded.seen.text() == ""
