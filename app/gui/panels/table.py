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
from PySide6.QtWidgets import QAbstractItemView, QHeaderView, QTableView, QWidget

AnyIndex = QModelIndex | QPersistentModelIndex
"""What the methods of a model are called with."""


_NOWHERE = QModelIndex()


class RowsModel(QAbstractTableModel):
    """Rows under fixed ``titles``; those who inherit give `count` and ``data``."""

    titles: tuple[str, ...] = ()

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
        return None


class RowTable(QTableView):
    """Rows are selected as a whole; Tab leaves the table."""

    def __init__(
        self, name: str, label: str, model: QAbstractItemModel, parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
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

    def _fit_rows(self) -> None:
        self.verticalHeader().setDefaultSectionSize(self.fontMetrics().height() + 6)

    def selected_text(self) -> str:
        """The selected rows, or all if none is, with headings: tabs between cells, one line a row."""
        model = self.model()
        rows = sorted(index.row() for index in self.selectionModel().selectedRows())
        columns = range(model.columnCount())
        orientation = Qt.Orientation.Horizontal
        lines = ["\t".join(str(model.headerData(column, orientation) or "") for column in columns)]
        for row in rows or range(model.rowCount()):
            lines.append("\t".join(str(model.index(row, column).data() or "") for column in columns))
        return "\n".join(lines) + "\n"
