"""Opening, saving, going on later, and leaving with something unsaved."""

from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import QMimeData, QPoint, Qt, QUrl
from PySide6.QtGui import QDropEvent

from app.gui import files_flow
from app.model.commands_captures import OpenCapture
from app.model.commands_flips import PlaceFlip
from app.model.commands_marks import AddCursor, AddNote

ROWS = "time,wire A\ns,V\n" + "".join(
    f"{i * 1e-5:.6f},{v:.4f}\n" for i, v in enumerate(np.sin(np.arange(400)))
)


@pytest.fixture
def text_capture(tmp_path) -> Path:
    path = tmp_path / "vents.csv"
    path.write_text(ROWS)
    return path


def opened(window, count: int = 1):
    return lambda: len(window.document.data.captures) == count


def test_first_steps_while_nothing_is_open(window, answer, text_capture, qtbot):
    assert window.pages.currentWidget() is window.welcome
    asked = answer("files_to_open", [text_capture])
    window.welcome.open_button.click()
    qtbot.waitUntil(opened(window))
    assert len(asked) == 1
    assert window.pages.currentWidget() is not window.welcome
    assert window.windowTitle() == "vents[*] – Halfturn"
    assert not window.isWindowModified()
    assert window.chooser.captures.currentText() == "vents.csv"
    assert "400 samples" in window.chooser.facts.text()
    assert window.recent.paths() == [text_capture]


def test_cautions_are_shown_once(window, make_window):
    assert "protective earth" in window.messages.lines()[0].message.text
    window.messages.clear()
    assert window.messages.lines() == []
    again = make_window()
    assert again.messages.lines() == []
    again.menus.actions["cautions"].trigger()
    assert "protective earth" in again.messages.lines()[0].message.text


def test_the_demo_opens(window, qtbot):
    window.welcome.demo_button.click()
    qtbot.waitUntil(opened(window), timeout=20_000)
    assert window.document.capture.name == "greenhouse-line.csv"


def test_files_open_in_the_order_given(window, tmp_path, qtbot):
    for name in ("a.csv", "b.csv", "c.csv"):
        (tmp_path / name).write_text(ROWS)
    window.open_paths([tmp_path / name for name in ("b.csv", "missing.csv", "a.csv", "c.csv")])
    qtbot.waitUntil(opened(window, 3))
    assert [capture.name for capture in window.document.data.captures] == ["b.csv", "a.csv", "c.csv"]
    assert "missing.csv" in window.messages.lines()[0].message.text
    window.menus.actions["next_capture"].trigger()
    assert window.chooser.captures.currentText() == "b.csv"
    window.menus.actions["previous_capture"].trigger()
    assert window.chooser.captures.currentText() == "c.csv"


def test_files_can_be_dropped(window, text_capture, qtbot):
    mime = QMimeData()
    mime.setUrls([QUrl.fromLocalFile(str(text_capture)), QUrl("https://example.org/elsewhere.csv")])
    event = QDropEvent(
        QPoint(10, 10),
        Qt.DropAction.CopyAction,
        mime,
        Qt.MouseButton.LeftButton,
        Qt.KeyboardModifier.NoModifier,
    )
    window.dropEvent(event)
    qtbot.waitUntil(opened(window))
    assert event.isAccepted()


def test_a_session_saved_and_opened_shows_the_same(decoded, tmp_path, answer, make_window, qtbot):
    decoded.area.flip_place_wanted.emit(0.5181)
    decoded.area.flip_delete_wanted.emit(decoded.link.flips[0])
    decoded.bridge.run(AddCursor(0, 0.57))
    decoded.bridge.run(AddNote(0, 0.52, "the vent answers here"))
    assert decoded.isWindowModified()
    path = tmp_path / "greenhouse.h5"
    answer("where_to_save", path)
    decoded.menus.actions["save"].trigger()
    qtbot.waitUntil(lambda: not decoded.isWindowModified(), timeout=10_000)
    assert decoded.windowTitle() == "greenhouse.h5[*] – Halfturn"

    again = make_window()
    again.open_paths([path])
    qtbot.waitUntil(opened(again), timeout=10_000)
    (line,) = again.messages.lines()
    assert "is open in another window" in line.message.text
    old, new = decoded.document.data, again.document.data
    for part in ("cursors", "spans", "flips", "notes", "decodes", "next_key"):
        assert getattr(new, part) == getattr(old, part), part
    assert again.document.channel == "wire A"
    assert [one.bits for one in again.view.bursts] == [one.bits for one in decoded.view.bursts]
    assert [one.bits for one in again.view.bursts] == ["1111101100", "10101010"]
    assert again.link.flips == decoded.link.flips
    np.testing.assert_array_equal(new.captures[0].channels[1].stored, old.captures[0].channels[1].stored)
    assert not again.isWindowModified()
    again.menus.actions["undo"].trigger()
    assert again.document.data is new


def test_saving_again_asks_nothing_and_a_change_meanwhile_stays_unsaved(
    window, quiet_capture, tmp_path, answer, monkeypatch, qtbot
):
    answer("where_to_save", tmp_path / "greenhouse.h5")
    window.bridge.run(OpenCapture(quiet_capture))
    window.bridge.run(PlaceFlip(0, 0.55))
    window.menus.actions["save"].trigger()
    window.bridge.run(PlaceFlip(0, 0.56))
    qtbot.waitUntil(lambda: window.document.path is not None, timeout=10_000)
    assert window.isWindowModified()
    asked = answer("where_to_save", None)
    window.menus.actions["save"].trigger()
    qtbot.waitUntil(lambda: not window.isWindowModified(), timeout=10_000)
    assert asked == []


def test_a_save_that_fails_is_told_and_keeps_the_star(window, quiet_capture, tmp_path, answer, qtbot):
    answer("where_to_save", tmp_path / "no such folder" / "greenhouse.h5")
    window.bridge.run(OpenCapture(quiet_capture))
    window.bridge.run(PlaceFlip(0, 0.55))
    window.menus.actions["save"].trigger()
    qtbot.waitUntil(lambda: window.messages.lines()[0].message.weight == "error", timeout=10_000)
    assert "greenhouse.h5" in window.messages.lines()[0].message.text
    assert window.messages.lines()[0].message.details == ""
    assert window.isWindowModified()


def test_a_capture_that_was_only_opened_is_left_without_a_question(window, quiet_capture):
    window.bridge.run(OpenCapture(quiet_capture))
    window.close()
    assert not window.isVisible()


def test_leaving_asks_and_may_be_given_up(window, quiet_capture, answer):
    window.bridge.run(OpenCapture(quiet_capture))
    window.bridge.run(PlaceFlip(0, 0.55))
    asked = answer("what_to_do_with_changes", "stay")
    window.close()
    assert window.isVisible()
    assert asked[0][1] == "vents"
    answer("what_to_do_with_changes", "discard")
    window.close()
    assert not window.isVisible()


def test_leaving_may_save_first(window, quiet_capture, tmp_path, answer, qtbot):
    path = tmp_path / "greenhouse.h5"
    window.bridge.run(OpenCapture(quiet_capture))
    window.bridge.run(PlaceFlip(0, 0.55))
    answer("what_to_do_with_changes", "save")
    answer("where_to_save", path)
    window.menus.actions["quit"].trigger()
    qtbot.waitUntil(lambda: not window.isVisible(), timeout=10_000)
    assert path.is_file()


def test_leaving_stays_if_the_save_before_it_fails(window, quiet_capture, tmp_path, answer, qtbot):
    window.bridge.run(OpenCapture(quiet_capture))
    window.bridge.run(PlaceFlip(0, 0.55))
    answer("what_to_do_with_changes", "save")
    answer("where_to_save", tmp_path / "no such folder" / "greenhouse.h5")
    window.close()
    qtbot.waitUntil(lambda: window.messages.lines()[0].message.weight == "error", timeout=10_000)
    assert window.isVisible()


def test_leaving_while_saving_waits_for_it(window, quiet_capture, tmp_path, answer, monkeypatch, qtbot):
    answer("where_to_save", tmp_path / "greenhouse.h5")
    window.bridge.run(OpenCapture(quiet_capture))
    window.bridge.run(PlaceFlip(0, 0.55))
    window.menus.actions["save"].trigger()
    window.close()
    assert window.isVisible()
    qtbot.waitUntil(lambda: not window.isVisible(), timeout=10_000)


def test_closing_cancels_what_is_under_way(window, text_capture, monkeypatch):
    begun, stopped = threading.Event(), threading.Event()

    def endless(path, options, progress, cancelled, look_at=()):
        begun.set()
        while not cancelled():
            stopped.wait(0.001)
        stopped.set()

    monkeypatch.setattr(files_flow, "read_file", endless)
    window.open_paths([text_capture])
    assert begun.wait(5)
    window.close()
    assert stopped.is_set()


def test_cancelling_forgets_files_that_wait(window, tmp_path, monkeypatch, qtbot):
    opened_paths = []
    begun = threading.Event()

    def endless(path, options, progress, cancelled, look_at=()):
        opened_paths.append(path)
        begun.set()
        while not cancelled():
            threading.Event().wait(0.001)

    monkeypatch.setattr(files_flow, "read_file", endless)
    window.open_paths([tmp_path / "a.csv", tmp_path / "b.csv"])
    assert begun.wait(5)
    window.menus.actions["cancel_work"].trigger()
    qtbot.wait(30)
    assert [path.name for path in opened_paths] == ["a.csv"]


def test_a_new_session_begins_empty(window, quiet_capture, answer):
    window.bridge.run(OpenCapture(quiet_capture))
    window.bridge.run(PlaceFlip(0, 0.55))
    answer("what_to_do_with_changes", "discard")
    window.menus.actions["new_session"].trigger()
    assert window.pages.currentWidget() is window.welcome
    assert window.document.undo_label is None
    assert window.document.data.captures == ()


def test_damaged_and_foreign_files_are_told_in_one_sentence(window, tmp_path, qtbot):
    damaged = tmp_path / "damaged.h5"
    damaged.write_bytes(b"\x89HDF\r\n\x1a\n" + bytes(100))
    foreign = tmp_path / "foreign.csv"
    foreign.write_text("nothing but words\n")
    window.messages.clear()
    window.open_paths([damaged, foreign])
    qtbot.waitUntil(lambda: len(window.messages.lines()) == 2, timeout=10_000)
    for line, name in zip(window.messages.lines(), ("foreign.csv", "damaged.h5"), strict=True):
        assert name in line.message.text
        assert line.message.details == ""
        assert "\n" not in line.message.text


def test_something_unforeseen_is_told_with_details(window, text_capture, monkeypatch, qtbot):
    def break_down(path, options, progress, cancelled, look_at=()):
        raise KeyError("gone")

    monkeypatch.setattr(files_flow, "read_file", break_down)
    window.open_paths([text_capture])
    qtbot.waitUntil(lambda: window.messages.lines()[0].message.weight == "error")
    line = window.messages.lines()[0]
    assert line.message.text.startswith("Something unforeseen happened while opening vents.csv")
    assert "break_down" in line.message.details
    assert line.details.isHidden()
    line.findChild(type(window.welcome.open_button), "messageUnfold").click()
    assert not line.details.isHidden()


def test_recent_files(window, text_capture, tmp_path, qtbot):
    others = [tmp_path / f"{i}.csv" for i in range(11)]
    for path in [*others, text_capture, others[5]]:
        window.recent.add(path)
    assert window.recent.paths()[:3] == [others[5], text_capture, others[10]]
    assert len(window.recent.paths()) == 10
    menu = window.menus.menus["&File/Open &recent"]
    menu.aboutToShow.emit()
    texts = [action.text() for action in menu.actions()]
    assert texts[1] == str(text_capture)
    menu.actions()[1].trigger()
    qtbot.waitUntil(opened(window))


def test_layout_is_remembered(window, quiet_capture, make_window):
    window.bridge.run(OpenCapture(quiet_capture))
    dock = window.arrangement.dock_of(window.readings)
    assert dock.isVisible()
    dock.hide()
    window.close()
    again = make_window()
    again.bridge.run(OpenCapture(quiet_capture))
    assert not again.arrangement.dock_of(again.readings).isVisible()
    assert again.arrangement.dock_of(again.bursts).isVisible()


def test_copying_a_table(decoded):
    decoded.bursts.table.selectRow(1)
    decoded.bursts.table.setFocus()
    text = decoded.bursts.table.selected_text()
    assert text.splitlines()[0].split("\t")[:6] == ["Name", "Start", "Length", "Talker", "Symbols", "Bits"]
    assert text.splitlines()[1].split("\t")[5] == "10101010"
    assert len(text.splitlines()) == 2
