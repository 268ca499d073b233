"""A table that is read by rows and can be copied as text."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import (
    QAbstractItemModel,
    QAbstractTableModel,
    QEvent,
    QModelIndex,
    QPersistentModelIndex,
    Qt,
)
from PySide6.QtGui import QFocusEvent, QPainter, QPaintEvent, QPalette
from PySide6.QtWidgets import QAbstractItemView, QHeaderView, QTableView, QWidget

AnyIndex = QModelIndex | QPersistentModelIndex
"""What the methods of a model are called with."""


_NOWHERE = QModelIndex()


class RowsModel(QAbstractTableModel):
    """Rows under fixed ``titles`` with ``tips``; those who inherit give `count` and ``data``."""

    titles: tuple[str, ...] = ()
    tips: tuple[str, ...] = ()

    def count(self) -> int:
        """Number of rows."""
        raise NotImplementedError

    def rowCount(self, parent: AnyIndex = _NOWHERE) -> int:
        return 0 if parent.isValid() else self.count()

    def columnCount(self, parent: AnyIndex = _NOWHERE) -> int:
        return 0 if parent.isValid() else len(self.titles)

    def headerData(
        self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole
    ) -> Any:
        if role == Qt.ItemDataRole.DisplayRole and orientation == Qt.Orientation.Horizontal:
            return self.titles[section]
        if role == Qt.ItemDataRole.ToolTipRole and orientation == Qt.Orientation.Horizontal:
            return self.tips[section]
        return None


class RowTable(QTableView):
    """Rows are selected as a whole; Tab leaves the table. ``words_when_empty`` stand where there are no rows."""

    def __init__(
        self, name: str, label: str, model: QAbstractItemModel, parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self.words_when_empty = ""
        self.setObjectName(name)
        self.setAccessibleName(label)
        self.setModel(model)
        for header, of in ((self.horizontalHeader(), "Columns"), (self.verticalHeader(), "Rows")):
            header.setObjectName(f"{name}{of}")
            header.setAccessibleName(f"{of} of {label}")
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setTabKeyNavigation(False)
        self.setAlternatingRowColors(True)
        self.setShowGrid(False)
        self.setWordWrap(False)
        self.setHorizontalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        # of a long table some rows say enough of how wide a column must be
        self.horizontalHeader().setResizeContentsPrecision(100)
        self.verticalHeader().setVisible(False)
        self.verticalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        self._fit_rows()
        self.horizontalHeader().setHighlightSections(False)
        self.horizontalHeader().setDefaultAlignment(
            Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
        )

    def changeEvent(self, event: QEvent) -> None:
        super().changeEvent(event)
        if event.type() == QEvent.Type.FontChange:
            self._fit_rows()

    def paintEvent(self, event: QPaintEvent) -> None:
        """The rows; without any, what would stand there; and a frame while keys go here."""
        super().paintEvent(event)
        painter = QPainter(self.viewport())
        inside = self.viewport().rect()
        if self.words_when_empty and not self.model().rowCount():
            painter.setPen(self.palette().color(QPalette.ColorRole.PlaceholderText))
            flags = Qt.AlignmentFlag.AlignTop | Qt.AlignmentFlag.AlignLeft | Qt.TextFlag.TextWordWrap
            painter.drawText(inside.adjusted(8, 8, -8, -8), int(flags), self.words_when_empty)
        if self.hasFocus():
            painter.setPen(self.palette().color(QPalette.ColorRole.Highlight))
            painter.drawRect(inside.adjusted(0, 0, -1, -1))
        painter.end()

    def focusInEvent(self, event: QFocusEvent) -> None:
        super().focusInEvent(event)
        self.viewport().update()

    def focusOutEvent(self, event: QFocusEvent) -> None:
        super().focusOutEvent(event)
        self.viewport().update()

    def _fit_rows(self) -> None:
        self.verticalHeader().setDefaultSectionSize(self.fontMetrics().height() + 6)

    def selected_text(self) -> str:
        """The selected rows, or all if none is, with headings: tabs between cells, one line a row.

        What goes into a spreadsheet from there is no formula.
        """
        from app.model.cells import safe_text

        def text(value: object) -> str:
            return safe_text(" ".join(("" if value is None else str(value)).split()))

        model = self.model()
        rows = sorted(index.row() for index in self.selectionModel().selectedRows())
        columns = range(model.columnCount())
        orientation = Qt.Orientation.Horizontal
        lines = ["\t".join(text(model.headerData(column, orientation)) for column in columns)]
        for row in rows or range(model.rowCount()):
            lines.append("\t".join(text(model.index(row, column).data()) for column in columns))
        return "\n".join(lines) + "\n"
