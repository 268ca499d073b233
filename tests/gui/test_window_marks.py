"""Cursors, spans, notes and captures as the menus and panels handle them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from app.gui.panels.dialog_capture_details import CaptureDetails
from app.model.commands_captures import OpenCapture


@pytest.fixture
def opened(window, quiet_capture):
    window.bridge.run(OpenCapture(quiet_capture))
    return window


def entries(window, menu: str) -> dict[str, object]:
    made = window.menus.menus[menu]
    made.aboutToShow.emit()
    return {action.text(): action for action in made.actions()}


def times(window) -> list[float]:
    return [cursor.time_s for cursor in window.document.data.cursors]


def test_cursors_come_into_view_and_go(opened):
    opened.area.show_range(0.50, 0.53)
    opened.menus.actions["bring_cursors"].trigger()
    assert times(opened) == pytest.approx([0.51, 0.52])
    opened.menus.actions["add_cursor"].trigger()
    assert times(opened)[2] == pytest.approx(0.515)
    entries(opened, "&Marks/&Remove cursor")["Cursor B"].trigger()
    assert [cursor.name for cursor in opened.document.data.cursors] == ["A", "C"]
    for label in ("remove cursor B", "add cursor C", "move the cursors"):
        assert opened.document.undo_label == label
        opened.document.undo()
    assert times(opened) == pytest.approx([0.54, 0.56])


def test_a_cursor_dragged_in_the_trace_moves_in_the_session(opened):
    key = opened.document.data.cursors[0].key
    for time_s in (0.541, 0.545, 0.55):
        opened.area.cursor_moved.emit(key, time_s, "drag")
    assert times(opened)[0] == 0.55
    opened.document.undo()
    assert times(opened)[0] == pytest.approx(0.54)


def test_spans_are_kept_found_again_and_removed(opened, answer):
    opened.area.span_selected.emit(0.52, 0.53)
    asked = answer("span_name", "request")
    opened.menus.actions["keep_span"].trigger()
    assert asked[0][1] == "span 1"
    opened.menus.actions["clear_span"].trigger()
    assert opened.view.span_s is None
    assert not opened.menus.actions["keep_span"].isEnabled()
    entries(opened, "&Marks/&Go to kept span")["request"].trigger()
    assert opened.view.span_s == (0.52, 0.53)
    assert opened.area.visible_range() == pytest.approx((0.519, 0.531))
    entries(opened, "&Marks/Re&move kept span")["request"].trigger()
    assert opened.document.data.spans == ()
    opened.document.undo()
    assert [span.name for span in opened.document.data.spans] == ["request"]


def test_notes_are_added_edited_found_and_removed(opened, qtbot):
    opened.area.show_range(0.52, 0.54)
    opened.menus.actions["add_note"].trigger()
    opened.notes.text.setText("both vents answer")
    opened.notes.add.click()
    (note,) = opened.document.data.notes
    assert (note.capture, note.text) == (0, "both vents answer")
    assert note.time_s == pytest.approx(0.53)
    assert opened.notes.text.text() == ""
    cell = opened.notes.model.index(0, 2)
    assert opened.notes.model.setData(cell, "only vent 2 answers")
    qtbot.waitUntil(lambda: opened.document.data.notes[0].text == "only vent 2 answers")
    opened.area.show_range(0.55, 0.57)
    opened.notes.table.activated.emit(opened.notes.model.index(0, 0))
    assert opened.area.visible_range() == pytest.approx((0.52, 0.54))
    opened.notes.table.selectRow(0)
    opened.notes.remove.click()
    assert opened.document.data.notes == ()
    assert opened.document.undo_label == "remove note"


def test_an_empty_note_is_refused_in_words(opened, qtbot):
    opened.notes.text.setText("   ")
    opened.notes.add.click()
    assert opened.document.data.notes == ()
    opened.notes.text.setText("a note")
    opened.notes.add.click()
    opened.notes.model.setData(opened.notes.model.index(0, 2), " ")
    qtbot.waitUntil(lambda: opened.messages.lines()[0].message.text == "A note needs some text.")
    assert opened.document.data.notes[0].text == "a note"


def test_a_capture_is_described(opened, answer):
    asked = answer("capture_details", CaptureDetails("vent 2 opens", 50.0, None))
    opened.menus.actions["describe_capture"].trigger()
    assert asked[0][1:] == ("vents", CaptureDetails())
    assert opened.chooser.captures.currentText() == "vents (vent 2 opens)"
    assert opened.document.capture.timebase_ppm == 50.0
    opened.document.undo()
    assert opened.chooser.captures.currentText() == "vents"


def test_each_capture_has_its_own_marks(opened, quiet_capture):
    opened.area.flip_place_wanted.emit(0.55)
    assert [flip.origin for flip in opened.link.flips] == ["hand"]
    opened.bridge.run(
        OpenCapture(replace(quiet_capture, name="second", channels=(*quiet_capture.channels,)[:1]))
    )
    assert opened.link.flips == []
    assert opened.chooser.captures.currentText() == "second"
    assert opened.chooser.channels.count() == 1
    opened.menus.actions["close_capture"].trigger()
    assert [flip.origin for flip in opened.link.flips] == ["hand"]
    entries(opened, "&Decode/C&hannel")["wire B"].trigger()
    assert opened.document.channel == "wire B"
    assert opened.chooser.channels.currentText() == "wire B"


def test_a_mark_that_has_gone_is_told(opened):
    opened.area.cursor_moved.emit(99, 0.5, "drag")
    assert opened.messages.lines()[0].message.text == "This cursor no longer exists."
