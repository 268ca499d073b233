"""The readings: cursors, what lies between them, the selected span."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QAbstractTableModel, QModelIndex, QObject, Qt, Signal
from PySide6.QtGui import QFont
from PySide6.QtWidgets import QSplitter, QVBoxLayout, QWidget

from app.gui.panels.pins import PinsPanel
from app.gui.panels.table import AnyIndex, RowTable

if TYPE_CHECKING:
    from app.gui.readings_tools import ReadingRow

_NOWHERE = QModelIndex()
_TITLES = ("Reading", "Value (standard uncertainty)")
_TIPS = (
    "What is measured; rest the pointer on a row for how",
    "Digits in brackets are one standard uncertainty of the last digits: 412.37(4) kHz is 412.37 ± 0.04 kHz (JCGM 100)",
)


class ReadingsModel(QAbstractTableModel):
    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._rows: tuple[ReadingRow, ...] = ()

    def show(self, rows: tuple[ReadingRow, ...]) -> None:
        """Show these; what is selected stays so while the names are the same."""
        if [row.name for row in rows] == [row.name for row in self._rows]:
            self._rows = rows
            if rows:
                self.dataChanged.emit(self.index(0, 0), self.index(len(rows) - 1, 1))
            return
        self.beginResetModel()
        self._rows = rows
        self.endResetModel()

    def selected(self, rows: list[int]) -> list[tuple[str, ReadingRow]]:
        """Readings that are numbers among these rows, each with the heading it stands under."""
        found, heading = [], ""
        for i, row in enumerate(self._rows):
            heading = row.name if not row.text else heading
            if i in rows and row.value is not None:
                found.append((heading, row))
        return found

    def headings(self) -> list[int]:
        return [i for i, row in enumerate(self._rows) if not row.text]

    def rowCount(self, parent: AnyIndex = _NOWHERE) -> int:
        return 0 if parent.isValid() else len(self._rows)

    def columnCount(self, parent: AnyIndex = _NOWHERE) -> int:
        return 0 if parent.isValid() else 2

    def headerData(
        self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole
    ) -> Any:
        if role == Qt.ItemDataRole.DisplayRole and orientation == Qt.Orientation.Horizontal:
            return _TITLES[section]
        if role == Qt.ItemDataRole.ToolTipRole and orientation == Qt.Orientation.Horizontal:
            return _TIPS[section]
        return None

    def data(self, index: AnyIndex, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        row = self._rows[index.row()]
        if role == Qt.ItemDataRole.DisplayRole:
            return row.text if index.column() else row.name
        if role == Qt.ItemDataRole.ToolTipRole:
            return row.tip or None
        if role == Qt.ItemDataRole.FontRole and not row.text:
            font = QFont()
            font.setBold(True)
            return font
        return None


class ReadingsPanel(QWidget):
    """``pin_wanted()`` when a row is double-clicked or entered."""

    pin_wanted = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("readingsPanel")
        self.setAccessibleName("Readings")
        layout = QVBoxLayout(self)
        layout.setContentsMargins(4, 4, 4, 4)
        self.model = ReadingsModel(self)
        self.table = RowTable("readingsTable", "Readings", self.model, self)
        self.table.setAlternatingRowColors(False)
        self.table.horizontalHeader().setStretchLastSection(True)
        self.pins = PinsPanel(self)
        parts = QSplitter(Qt.Orientation.Vertical, self)
        parts.setObjectName("readingsSplitter")
        parts.addWidget(self.table)
        parts.addWidget(self.pins)
        parts.setStretchFactor(0, 3)
        parts.setStretchFactor(1, 1)
        layout.addWidget(parts)
        self.table.activated.connect(self.pin_wanted)
        self.setFocusProxy(self.table)

    def chosen(self) -> list[tuple[str, ReadingRow]]:
        """The selected readings that are numbers, each with its heading."""
        return self.model.selected([index.row() for index in self.table.selectionModel().selectedRows()])

    def show_rows(self, rows: tuple[ReadingRow, ...]) -> None:
        self.model.show(rows)
        self.table.clearSpans()
        for row in self.model.headings():
            self.table.setSpan(row, 0, 1, 2)
        self.table.resizeColumnToContents(0)
