"""Tool tips: whatever can be clicked, typed into or read in columns says what it is for."""

from __future__ import annotations

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QKeySequence
from PySide6.QtWidgets import (
    QAbstractButton,
    QAbstractSpinBox,
    QApplication,
    QComboBox,
    QDialog,
    QDockWidget,
    QLabel,
    QLineEdit,
    QListWidget,
    QMenu,
    QProgressBar,
    QTabBar,
    QTableView,
    QTextEdit,
    QWidget,
)

from app.gui import ask
from app.gui.panels.dialog_form import FormDialog

_TAUGHT = (
    *(QAbstractButton, QAbstractSpinBox, QComboBox, QLineEdit),
    *(QListWidget, QProgressBar, QTableView, QTextEdit),
)
# parts of other widgets, which answer for them
_PARTS_OF = (QTabBar, QComboBox, QAbstractSpinBox, QDockWidget, QLineEdit)
_LEAST = 20  # characters: less names a thing and teaches nothing


def untaught(top: QWidget) -> list[str]:
    """What has no tool tip, or one that only says the widget's own name again."""
    found = []
    for one in top.findChildren(QWidget):
        name = one.objectName()
        if not isinstance(one, _TAUGHT) or isinstance(one.parent(), _PARTS_OF):
            continue
        if name.startswith("qt_"):  # Qt's own: the corner of a table, the arrows of bars that are too narrow
            continue
        tip = one.toolTip()
        written = one.text() if isinstance(one, QAbstractButton) else ""
        if len(tip) < _LEAST or tip.strip(".") == written.replace("&", "").strip("…"):
            found.append(f"{type(one).__name__} {name}: {tip!r}")
    for table in top.findChildren(QTableView):
        for column in range(table.model().columnCount()):
            head = table.model().headerData(column, Qt.Orientation.Horizontal, Qt.ItemDataRole.ToolTipRole)
            if not head or len(head) < _LEAST:
                found.append(f"column {column} of {table.objectName()}: {head!r}")
    return found


def test_every_widget_and_column_of_the_window_teaches(decoded, qtbot):
    for dock in decoded.arrangement.docks:
        dock.show()
        dock.raise_()
        QApplication.processEvents()
    decoded.menus.actions["cautions"].trigger()
    assert len(decoded.findChildren(QTableView)) >= 8, "the tables were looked for in vain"
    assert untaught(decoded) == []


def test_every_action_and_menu_teaches(window):
    for name, action in window.menus.actions.items():
        plain = action.text().replace("&", "").replace("…", "")
        assert len(action.toolTip()) >= _LEAST, f"{name}: {action.toolTip()!r}"
        assert action.toolTip() != plain, name
    menus = [menu for menu in window.findChildren(QMenu) if menu.title()]
    assert len(menus) > 15
    for menu in menus:
        assert menu.menuAction().toolTip() != menu.title().replace("&", ""), menu.title()
        assert menu.toolTipsVisible(), menu.title()


def test_no_two_actions_have_the_same_key(window):
    taken: dict[str, str] = {}
    for name, action in window.menus.actions.items():
        for keys in action.shortcuts():
            assert keys.toString() not in taken, (
                f"{keys.toString()} of {name} and of {taken[keys.toString()]}"
            )
            taken[keys.toString()] = name
    assert len(taken) > 60


_DIALOGS = (
    *("describe_capture", "decode_settings", "derived_channel"),
    *("describe_channel", "open_with_details", "share_copy", "export_picture"),
    *("shortcuts", "about"),
)


@pytest.mark.parametrize("name", _DIALOGS)
def test_every_field_of_a_dialog_teaches(decoded, qtbot, monkeypatch, request, name):
    monkeypatch.undo()  # dialogs are to open this time
    met: list[str] = []

    def look(dialog: QDialog) -> int:
        dialog.show()
        QApplication.processEvents()
        met.append(dialog.objectName())
        assert untaught(dialog) == []
        dialog.close()
        return 0

    monkeypatch.setattr(QDialog, "exec", look)
    monkeypatch.setattr("PySide6.QtWidgets.QFileDialog.getOpenFileName", lambda *_a, **_k: ("vents.bin", ""))
    decoded.view.select_span((0.51, 0.52))
    decoded.menus.actions[name].trigger()
    QApplication.processEvents()
    for top in QApplication.topLevelWidgets():
        if isinstance(top, QDialog) and top.isVisible():
            look(top)
    assert met, "no dialog came"


def test_every_field_of_the_dialog_for_a_pair_teaches(decoded, monkeypatch):
    monkeypatch.undo()
    met: list[str] = []

    def look(dialog: QDialog) -> int:
        dialog.show()
        QApplication.processEvents()
        assert untaught(dialog) == []
        met.append(dialog.objectName())
        dialog.close()
        return 0

    monkeypatch.setattr(QDialog, "exec", look)
    # of two channels there is nothing to ask
    ask.pair_of_channels(decoded, ("wire A", "wire B", "supply"))
    assert met


def test_a_dialog_without_a_tip_would_be_found(qtbot):
    dialog = FormDialog("Vents", "made up")
    qtbot.addWidget(dialog)
    dialog.add_text("stray", "Stray", "", "")
    dialog.show()
    assert [line.split(":")[0] for line in untaught(dialog)] == ["QLineEdit stray"]


def test_no_key_of_a_panel_takes_that_of_a_menu(decoded, qtbot):
    """Alt and a letter must open the menu, whichever tabs are in front."""
    menus = {QKeySequence.mnemonic(one.text()).toString() for one in decoded.menuBar().actions()}
    assert len(menus) == 8
    for dock in decoded.arrangement.docks:
        dock.show()
        dock.raise_()
        qtbot.waitUntil(dock.widget().isVisible)
        kinds = decoded.pictures.kinds.count() if dock.widget() is decoded.pictures else 1
        for row in range(kinds):
            if dock.widget() is decoded.pictures:
                decoded.pictures.kinds.setCurrentRow(row)
            taken: dict[str, str] = {}
            for one in dock.findChildren(QWidget):
                text = one.text() if isinstance(one, QAbstractButton | QLabel) and one.isVisible() else ""
                letter = QKeySequence.mnemonic(text).toString()
                if letter:
                    assert letter not in menus, f"{letter} of {text!r}"
                    assert letter not in taken, f"{letter} of {text!r} and {taken[letter]!r}"
                    taken[letter] = text
