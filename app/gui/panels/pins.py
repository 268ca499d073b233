"""Readings that were pinned: as they were, with a name of the user's."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QObject, Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget

from app.gui.panels.table import AnyIndex, RowsModel, RowTable
from app.model.items import Pin, SessionData
from app.model.quantity import format_quantity

_TITLES = ("Name", "Reading", "Value", "Of", "Capture")
NAME = 0


def value_text(pin: Pin) -> str:
    """The value with its standard uncertainty; a count has neither."""
    if not pin.unit and pin.std is None:
        return f"{pin.value:g}"
    return format_quantity(pin.value, pin.std, pin.unit)


def sentence(pin: Pin, capture: str) -> str:
    """A pinned reading as one line of text."""
    name = f"{pin.name}: " if pin.name else ""
    return f"{name}{pin.quantity} = {value_text(pin)} ({pin.place}, {capture})"


class PinsModel(RowsModel):
    """``renamed(key, name)`` when a name was typed; the model itself changes nothing."""

    titles = _TITLES
    tips = (
        "Your name for the reading; F2 changes it",
        "Which reading it is, as it stands in the list above",
        "Its value when it was pinned, with the standard uncertainty of the last digits in brackets",
        "What it was read of: a cursor, what lies between two, the span",
        "The capture it was read in",
    )
    renamed = Signal(int, str)

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.pins: tuple[Pin, ...] = ()
        self._captures: tuple[str, ...] = ()

    def show(self, data: SessionData) -> None:
        self.beginResetModel()
        self.pins = data.pins
        self._captures = tuple(capture.name for capture in data.captures)
        self.endResetModel()

    def capture(self, pin: Pin) -> str:
        return self._captures[pin.capture] if pin.capture < len(self._captures) else ""

    def count(self) -> int:
        return len(self.pins)

    def flags(self, index: AnyIndex) -> Qt.ItemFlag:
        flags = super().flags(index)
        return flags | Qt.ItemFlag.ItemIsEditable if index.column() == NAME else flags

    def data(self, index: AnyIndex, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if role not in (Qt.ItemDataRole.DisplayRole, Qt.ItemDataRole.EditRole):
            return None
        pin = self.pins[index.row()]
        return (pin.name, pin.quantity, value_text(pin), pin.place, self.capture(pin))[index.column()]

    def setData(self, index: AnyIndex, value: Any, role: int = Qt.ItemDataRole.EditRole) -> bool:
        if index.column() != NAME or role != Qt.ItemDataRole.EditRole:
            return False
        pin = self.pins[index.row()]
        if str(value).strip() != pin.name:
            self.renamed.emit(pin.key, str(value).strip())
        return True


class PinsPanel(QWidget):
    """``pin_wanted``, ``export_wanted`` from the buttons."""

    pin_wanted = Signal()
    export_wanted = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("pinsPanel")
        self.setAccessibleName("Pinned readings")
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        row = QHBoxLayout()
        layout.addLayout(row)
        row.addWidget(QLabel("Pinned readings", self), 1)
        self.pin = self._button(
            "Pin", "pinHere", "Pin the readings selected above: they stay as they are now"
        )
        self.pin.clicked.connect(self.pin_wanted)
        row.addWidget(self.pin)
        self.export = self._button(
            "Export…",
            "pinsExport",
            "Save the pinned readings as CSV: value, standard uncertainty and unit in columns of their own",
        )
        self.export.clicked.connect(self.export_wanted)
        row.addWidget(self.export)
        self.model = PinsModel(self)
        self.table = RowTable("pinsTable", "Pinned readings", self.model, self)
        self.table.words_when_empty = (
            "Select a reading above and pin it (Ctrl+L): it stays here as it is now."
        )
        self.table.horizontalHeader().setStretchLastSection(True)
        self.table.setContextMenuPolicy(Qt.ContextMenuPolicy.ActionsContextMenu)
        layout.addWidget(self.table)
        self.setFocusProxy(self.table)
        self.export.setEnabled(False)

    def show_pins(self, data: SessionData) -> None:
        self.model.show(data)
        self.export.setEnabled(bool(data.pins))
        self.table.resizeColumnsToContents()

    def chosen(self) -> list[Pin]:
        """The selected ones, or all if none is."""
        rows = sorted(index.row() for index in self.table.selectionModel().selectedRows())
        return [self.model.pins[row] for row in rows] if rows else list(self.model.pins)

    def _button(self, text: str, name: str, tip: str) -> QPushButton:
        button = QPushButton(text, self)
        button.setObjectName(name)
        button.setAccessibleName(tip.split(":", maxsplit=1)[0])
        button.setToolTip(tip)
        return button
