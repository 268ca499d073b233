"""The table of actions, the menus made of it, and that every widget can be named and reached."""

from __future__ import annotations

from collections import Counter

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QKeySequence
from PySide6.QtWidgets import (
    QAbstractButton,
    QAbstractItemView,
    QApplication,
    QComboBox,
    QDockWidget,
    QLineEdit,
    QMenuBar,
    QTextEdit,
    QWidget,
)

from app.gui.action_table import ACTIONS, MENUS, TOOLBAR
from app.gui.actions import Situation, step_text
from app.gui.panels.action_field import found_by
from app.model.commands_captures import OpenCapture

EVERYTHING = Situation(True, True, True, True, True, True, True, True, True, True, "a step", "a step")


def test_names_and_keys_are_used_once():
    assert Counter(spec.name for spec in ACTIONS).most_common(1)[0][1] == 1
    keys = Counter(QKeySequence(key).toString() for spec in ACTIONS for key in spec.keys)
    assert keys.most_common(1)[0][1] == 1
    assert "" not in keys


@pytest.mark.parametrize("menu", MENUS)
def test_mnemonics_of_a_menu_differ(menu):
    texts = [spec.text for spec in ACTIONS if spec.menu == menu and not spec.submenu]
    texts += list({spec.submenu for spec in ACTIONS if spec.menu == menu and spec.submenu})
    changing = {
        "&File": ["Open &recent"],
        "&Decode": ["C&hannel"],
        "&Marks": ["&Remove cursor", "&Go to kept span", "Re&move kept span"],
        "&View": ["&Panels"],
    }
    texts += changing.get(menu, [])
    assert all("&" in text for text in texts), texts
    letters = Counter(text[text.index("&") + 1].lower() for text in texts)
    assert letters.most_common(1)[0][1] == 1, letters


def test_every_action_says_what_it_does():
    assert all(spec.tip and not spec.tip.endswith(".") for spec in ACTIONS)
    assert {name for group in TOOLBAR for name in group} == {spec.name for spec in ACTIONS if spec.brief}


def test_nothing_but_what_makes_sense_is_allowed_at_first():
    allowed = {spec.name for spec in ACTIONS if spec.needs(Situation())}
    assert {"open", "open_demo", "quit", "cautions", "decode_settings"} <= allowed
    assert not {"save", "undo", "redo", "decode_all", "place_flip", "cancel_work", "zoom_all"} & allowed
    assert all(spec.needs(EVERYTHING) for spec in ACTIONS)


def test_undo_names_its_step(window, quiet_capture):
    assert step_text("Undo", None) == "&Undo"
    window.bridge.run(OpenCapture(quiet_capture))
    assert window.menus.actions["undo"].text() == "&Undo open vents"
    assert window.menus.actions["undo"].iconText() == "Undo"
    window.menus.actions["undo"].trigger()
    assert window.menus.actions["redo"].text() == "&Redo open vents"
    assert not window.menus.actions["undo"].isEnabled()


def test_every_widget_that_can_be_used_has_a_name(window, quiet_capture):
    window.bridge.run(OpenCapture(quiet_capture))
    kinds = (QAbstractButton, QAbstractItemView, QComboBox, QDockWidget, QLineEdit, QTextEdit)
    nameless = []
    for widget in window.findChildren(QWidget):
        made_by_qt = widget.objectName().startswith("qt_") or widget.inherits("QTableCornerButton")
        made_by_qt |= isinstance(widget.parent(), QDockWidget | QComboBox | QMenuBar)
        named = widget.objectName() and widget.accessibleName()
        if isinstance(widget, kinds) and not made_by_qt and not named:
            nameless.append((widget.metaObject().className(), widget.objectName(), widget.parent()))
    assert nameless == [], nameless


def test_the_keyboard_reaches_every_panel(window, quiet_capture, qtbot):
    window.bridge.run(OpenCapture(quiet_capture))
    window.activateWindow()
    qtbot.waitUntil(lambda: QApplication.activeWindow() is window)
    window.area.setFocus()
    panels = [dock.widget() for dock in window.arrangement.docks]
    reached = []
    for _ in panels:
        window.menus.actions["next_panel"].trigger()
        focus = QApplication.focusWidget()
        assert focus is not None
        reached += [panel for panel in panels if panel is focus or panel.isAncestorOf(focus)]
    assert reached == panels
    window.menus.actions["next_panel"].trigger()
    assert window.area.isAncestorOf(QApplication.focusWidget())


def test_tools_and_snapping_reach_the_trace(window, monkeypatch):
    told = []
    monkeypatch.setattr(window.area, "set_tool", told.append)
    monkeypatch.setattr(window.area, "set_snap", lambda snaps: told.append(tuple(snaps)))
    window.menus.actions["tool_flip"].trigger()
    window.menus.actions["snap_extremum"].trigger()
    assert told == ["flip", ("crossing", "extremum", "flip", "symbol")]
    assert window.menus.actions["tool_flip"].isChecked()
    assert not window.menus.actions["tool_pan"].isChecked()


def test_palettes_and_their_memory(window, make_window):
    window.menus.actions["look_dark"].trigger()
    palette = QApplication.palette()
    assert palette.text().color().lightness() > palette.base().color().lightness()
    again = make_window()
    assert again.menus.actions["look_dark"].isChecked()
    again.menus.actions["look_light"].trigger()
    palette = QApplication.palette()
    assert palette.text().color().lightness() < palette.base().color().lightness()


def test_help_opens_beside_the_work(window, qtbot):
    for name in ("shortcuts", "about"):
        window.menus.actions[name].trigger()
        dialog = window.findChild(QWidget, "textWindow")
        assert dialog.isVisible()
        assert not dialog.isModal()
        text = dialog.findChild(QWidget, "text").toPlainText()
        assert ("Ctrl+D" if name == "shortcuts" else "pyqtgraph") in text
        qtbot.keyClick(dialog, Qt.Key.Key_Escape)
        qtbot.waitUntil(lambda: window.findChild(QWidget, "textWindow") is None)


@pytest.mark.qt_log_ignore("This plugin does not support", extend=True)
def test_an_action_is_found_by_a_word_and_done_by_enter(window, quiet_capture, qtbot):
    window.bridge.run(OpenCapture(quiet_capture))
    window.activateWindow()
    qtbot.waitActive(window)
    qtbot.keyClick(window, Qt.Key.Key_F4)
    assert window.finder.hasFocus()
    qtbot.keyClicks(window.finder, "add curs")
    qtbot.keyClick(window.finder, Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: len(window.document.data.cursors) == 3)
    qtbot.waitUntil(lambda: window.finder.text() == "")
    assert window.area.isAncestorOf(QApplication.focusWidget()) or window.area.hasFocus()


@pytest.mark.qt_log_ignore("This plugin does not support", extend=True)
def test_an_action_is_chosen_from_the_list_by_keys(window, quiet_capture, qtbot):
    window.bridge.run(OpenCapture(quiet_capture))
    window.activateWindow()
    qtbot.waitActive(window)
    qtbot.keyClick(window, Qt.Key.Key_F4)
    qtbot.keyClicks(window.finder, "light on dark")
    popup = window.finder.completer().popup()
    qtbot.waitUntil(popup.isVisible)
    qtbot.keyClick(popup, Qt.Key.Key_Down)
    assert popup.currentIndex().data() == "View > Appearance > Light"
    qtbot.keyClick(popup, Qt.Key.Key_Return)
    qtbot.waitUntil(window.menus.actions["look_light"].isChecked)
    qtbot.waitUntil(lambda: window.finder.text() == "")


@pytest.mark.qt_log_ignore("This plugin does not support", extend=True)
def test_an_action_that_makes_no_sense_now_is_told(window, qtbot):
    window.activateWindow()
    qtbot.waitActive(window)
    qtbot.keyClick(window, Qt.Key.Key_F4)
    qtbot.keyClicks(window.finder, "next flip")
    qtbot.keyClick(window.finder, Qt.Key.Key_Return)
    assert "Not possible now: Marks > Next flip" in window.messages.lines()[0].message.text


@pytest.mark.parametrize(
    ("words", "name"),
    [
        ("export", "export_picture"),
        ("decode whole", "decode_all"),
        ("pin", "pin_readings"),
        ("level", "cursor_to_level"),
        ("UNDO", "undo"),
        ("talk about weather", None),
    ],
)
def test_words_find_what_they_should(words, name):
    found = [spec.name for spec in found_by(words)]
    assert (name in found[:4]) if name else found == []
