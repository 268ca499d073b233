"""What came of decoding again: a sentence over all, and a row a burst."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QModelIndex, QObject, Qt, Signal, Slot
from PySide6.QtGui import QFont
from PySide6.QtWidgets import QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget

from app.gui.panels.table import AnyIndex, RowsModel, RowTable
from app.model.quantity import format_value

if TYPE_CHECKING:
    from app.jobs.verify_words import VerifyRow

_NOTHING_YET = (
    "Decodes every decode of the session again, from its own samples and settings, and says burst by burst whether "
    "the bits are the same."
)


class ChecksModel(RowsModel):
    titles = ("Capture", "Channel", "Burst", "Start", "Decoded again", "What differs, what was done by hand")
    tips = (
        "The capture of the session that was decoded again",
        "The channel that was decoded again",
        "Number of the burst in order of time",
        "Leading edge of the burst, on the capture's own time axis",
        "Whether the bits come out the same from the session's own samples and settings",
        "Which bits, times or measures are others, and which of them you changed yourself",
    )

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.rows: list[VerifyRow] = []

    def clear(self) -> None:
        self.beginResetModel()
        self.rows = []
        self.endResetModel()

    def add(self, rows: tuple[VerifyRow, ...]) -> None:
        first = len(self.rows)
        self.beginInsertRows(QModelIndex(), first, first + len(rows) - 1)
        self.rows += rows
        self.endInsertRows()

    def count(self) -> int:
        return len(self.rows)

    def data(self, index: AnyIndex, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        row = self.rows[index.row()]
        if role == Qt.ItemDataRole.FontRole and not row.is_same:
            font = QFont()
            font.setBold(True)
            return font
        if role == Qt.ItemDataRole.ToolTipRole:
            return row.details
        if role != Qt.ItemDataRole.DisplayRole:
            return None
        number = "all" if row.number is None else str(row.number)
        start = "" if row.span_s is None else format_value(row.span_s[0], "s", 9)
        return (row.capture_name, row.channel, number, start, row.words, row.details)[index.column()]


class ChecksPanel(QWidget):
    """``check_wanted`` when the user wants everything decoded again; ``place_chosen(VerifyRow)`` when to go there."""

    check_wanted = Signal()
    place_chosen = Signal(object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("checksPanel")
        self.setAccessibleName("Check")
        self.words = QLabel(_NOTHING_YET, self)
        self.words.setObjectName("checkWords")
        self.words.setAccessibleName("What came of decoding again")
        self.words.setWordWrap(True)
        self.words.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.button = QPushButton("De&code again and compare", self)
        self.button.setObjectName("checkButton")
        self.button.setAccessibleName("Decode again and compare")
        self.button.clicked.connect(self.check_wanted)
        self.model = ChecksModel(self)
        self.table = RowTable("checksTable", "Bursts decoded again", self.model, self)
        self.table.horizontalHeader().setStretchLastSection(True)
        self.table.activated.connect(self._chosen)
        over = QHBoxLayout()
        over.addWidget(self.words, 1)
        over.addWidget(self.button)
        layout = QVBoxLayout(self)
        layout.addLayout(over)
        layout.addWidget(self.table, 1)
        self.setFocusProxy(self.table)

    def begin(self) -> None:
        self.model.clear()
        self.tell("Decoding again…")

    def tell(self, words: str) -> None:
        self.words.setText(words)

    def empty(self) -> None:
        """As at first: what was found is of another session."""
        self.model.clear()
        self.tell(_NOTHING_YET)

    def add(self, rows: tuple[VerifyRow, ...]) -> None:
        is_first = not self.model.rows
        self.model.add(rows)
        if is_first:
            for column in range(len(ChecksModel.titles) - 1):
                self.table.resizeColumnToContents(column)

    @Slot(QModelIndex)
    def _chosen(self, index: QModelIndex) -> None:
        self.place_chosen.emit(self.model.rows[index.row()])
