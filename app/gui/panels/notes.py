"""Notes: what was seen, at which instant of which capture."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QModelIndex, QObject, Qt, Signal, Slot
from PySide6.QtWidgets import QHBoxLayout, QLineEdit, QPushButton, QVBoxLayout, QWidget

from app.gui.panels.table import AnyIndex, RowsModel, RowTable
from app.model.items import Note, SessionData
from app.model.quantity import format_value

_TITLES = ("Capture", "Time", "Note")
_TEXT = 2


class NotesModel(RowsModel):
    """``edited(key, text)`` when a cell was typed into; the model itself changes nothing."""

    titles = _TITLES
    tips = (
        "The capture the note is about",
        "The instant the note is about, on the capture's own time axis; a double click goes there",
        "Your words; F2 changes them",
    )
    edited = Signal(object, str)

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._notes: tuple[Note, ...] = ()
        self._names: tuple[str, ...] = ()

    def show(self, data: SessionData) -> None:
        self.beginResetModel()
        self._notes = data.notes
        self._names = tuple(capture.name for capture in data.captures)
        self.endResetModel()

    def note(self, row: int) -> Note:
        return self._notes[row]

    def count(self) -> int:
        return len(self._notes)

    def flags(self, index: AnyIndex) -> Qt.ItemFlag:
        flags = super().flags(index)
        return flags | Qt.ItemFlag.ItemIsEditable if index.column() == _TEXT else flags

    def data(self, index: AnyIndex, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if role not in (Qt.ItemDataRole.DisplayRole, Qt.ItemDataRole.EditRole):
            return None
        note = self._notes[index.row()]
        if index.column() == _TEXT:
            return note.text
        if index.column() == 0:
            return "" if note.capture is None else self._names[note.capture]
        return "" if note.time_s is None else format_value(note.time_s, "s", 9)

    def setData(self, index: AnyIndex, value: Any, role: int = Qt.ItemDataRole.EditRole) -> bool:
        if role != Qt.ItemDataRole.EditRole or index.column() != _TEXT:
            return False
        self.edited.emit(self._notes[index.row()].key, str(value))
        return True


class NotesPanel(QWidget):
    """``add_wanted(text)``, ``edit_wanted(key, text)``, ``remove_wanted(key)``, ``note_chosen(note)``."""

    add_wanted = Signal(str)
    edit_wanted = Signal(object, str)
    remove_wanted = Signal(object)
    note_chosen = Signal(object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("notesPanel")
        self.setAccessibleName("Notes")
        layout = QVBoxLayout(self)
        self.model = NotesModel(self)
        # the view must have left the cell before the model is filled anew
        self.model.edited.connect(self.edit_wanted, Qt.ConnectionType.QueuedConnection)
        self.table = RowTable("notesTable", "Notes", self.model, self)
        self.table.words_when_empty = (
            "No notes yet. What you write below is kept with the time in the middle of the view."
        )
        self.table.horizontalHeader().setStretchLastSection(True)
        self.table.activated.connect(self._chosen)
        self.setFocusProxy(self.table)
        layout.addWidget(self.table, 1)
        row = QHBoxLayout()
        layout.addLayout(row)
        self.text = QLineEdit(self)
        self.text.setObjectName("noteText")
        self.text.setAccessibleName("New note")
        self.text.setPlaceholderText("What do you see in the middle of the view? Enter keeps it.")
        self.text.returnPressed.connect(self._add)
        row.addWidget(self.text, 1)
        self.add = self._button("Add note", "noteAdd")
        self.add.clicked.connect(self._add)
        self.remove = self._button("Remove note", "noteRemove")
        self.remove.clicked.connect(self.remove_selected)
        row.addWidget(self.add)
        row.addWidget(self.remove)

    def show_notes(self, data: SessionData) -> None:
        self.model.show(data)
        self.table.resizeColumnToContents(0)
        self.table.resizeColumnToContents(1)

    def begin_note(self) -> None:
        """Put the keyboard into the line for a new note."""
        self.text.setFocus(Qt.FocusReason.ShortcutFocusReason)

    @Slot()
    def remove_selected(self) -> None:
        for index in self.table.selectionModel().selectedRows()[:1]:
            self.remove_wanted.emit(self.model.note(index.row()).key)

    @Slot()
    def _add(self) -> None:
        if self.text.text().strip():
            self.add_wanted.emit(self.text.text())
            self.text.clear()

    @Slot(QModelIndex)
    def _chosen(self, index: QModelIndex) -> None:
        self.note_chosen.emit(self.model.note(index.row()))

    def _button(self, text: str, name: str) -> QPushButton:
        button = QPushButton(text, self)
        button.setObjectName(name)
        button.setAccessibleName(text)
        return button
