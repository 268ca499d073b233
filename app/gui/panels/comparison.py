"""Flips set by hand beside those that the decoder found."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QModelIndex, QObject, Qt, Signal, Slot
from PySide6.QtWidgets import QCheckBox, QComboBox, QHBoxLayout, QLabel, QVBoxLayout, QWidget

from app.gui.panels.table import AnyIndex, RowsModel, RowTable
from app.model.quantity import format_value
from app.model.tolerance import Tolerance

if TYPE_CHECKING:
    from app.gui.comparing import ComparedFlip, Comparison, Verdict

_WORDS: dict[Verdict, str] = {
    "agreed": "agreed",
    "missed": "missed: only yours",
    "extra": "extra: only automatic",
    "open": "open: you say nothing",
}
_DIFFERENT: tuple[Verdict, ...] = ("missed", "extra")
_LISTS: tuple[tuple[str, tuple[Verdict, ...]], ...] = (
    ("Agreed, missed and extra", ("agreed", "missed", "extra")),
    ("Missed and extra", _DIFFERENT),
    ("Agreed", ("agreed",)),
    ("All, with those left open", ("agreed", "missed", "extra", "open")),
)


def summary(found: Comparison, known: Tolerance) -> str:
    """What was compared, in one line."""
    if not found.flips:
        return "Set flips by hand where the decoder has found some: here they are compared."
    counts = f"{found.count('agreed')} agreed, {found.count('missed')} missed, {found.count('extra')} extra"
    still = found.count("open")
    words = [counts + (f", {still} open" if still else "")]
    if found.apart:
        words.append(f"{found.apart} of those agreed apart by more than their uncertainties")
    if found.median_s is not None:
        words.append(f"yours less automatic: median {format_value(found.median_s, 's', 3)}")
    if found.spread_s is not None and found.spread_symbols is not None:
        share = f"{100 * found.spread_symbols:.2g} % of a symbol"
        words.append(f"standard deviation {format_value(found.spread_s, 's', 2)}, {share}")
    return "; ".join(words)


class ComparisonModel(RowsModel):
    titles = ("Time", "Verdict", "Yours", "Automatic", "Difference", "In symbols", "Burst")
    tips = (
        "When the flip is: yours where you set one, else the automatic one",
        "Agreed where both have it, apart if by more than the uncertainty of both; missed is only yours; extra is only "
        "the decoder's",
        "Time of the flip you set",
        "Time of the flip the decoder found",
        "Yours less the automatic one: a steady difference is an offset of your eye, a spread is noise",
        "The same difference as a part of a symbol period; beyond half a symbol it is another flip",
        "Number of the burst in the table What is sent",
    )

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._all: tuple[ComparedFlip, ...] = ()
        self._listed: tuple[Verdict, ...] = _LISTS[0][1]
        self.flips: tuple[ComparedFlip, ...] = ()

    def show(self, flips: tuple[ComparedFlip, ...]) -> None:
        self._all = flips
        self._fill()

    def list_only(self, verdicts: tuple[Verdict, ...]) -> None:
        self._listed = verdicts
        self._fill()

    def _fill(self) -> None:
        self.beginResetModel()
        self.flips = tuple(flip for flip in self._all if flip.verdict in self._listed)
        self.endResetModel()

    def count(self) -> int:
        return len(self.flips)

    def data(self, index: AnyIndex, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        flip = self.flips[index.row()]
        if role == Qt.ItemDataRole.ToolTipRole:
            return "Enter or double click: look at it"
        if role != Qt.ItemDataRole.DisplayRole:
            return None
        return (
            _time(flip.time_s),
            _WORDS[flip.verdict] + (", apart" if flip.apart else ""),
            _time(flip.hand_s),
            _time(flip.automatic_s),
            "" if flip.difference_s is None else format_value(flip.difference_s, "s", 3),
            "" if flip.symbols is None else f"{flip.symbols:+.3f}",
            "" if flip.burst is None else str(flip.burst + 1),
        )[index.column()]


class ComparisonPanel(QWidget):
    """``flip_chosen(ComparedFlip)`` to look at one, ``complete_changed()`` when what is claimed changed."""

    flip_chosen = Signal(object)
    complete_changed = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        from app.gui.comparing import Comparison

        super().__init__(parent)
        self.setObjectName("comparisonPanel")
        self.setAccessibleName("Flips compared")
        layout = QVBoxLayout(self)
        self.words = QLabel("", self)
        self.words.setObjectName("comparisonSummary")
        self.words.setAccessibleName("Summary of the comparison")
        self.words.setWordWrap(True)
        layout.addWidget(self.words)
        row = QHBoxLayout()
        layout.addLayout(row)
        label = QLabel("&List:", self)
        self.listed = QComboBox(self)
        self.listed.setObjectName("comparisonList")
        self.listed.setAccessibleName("What is listed")
        for text, verdicts in _LISTS:
            self.listed.addItem(text, verdicts)
        self.listed.view().setObjectName("comparisonListChoices")
        self.listed.view().setAccessibleName("What can be listed")
        label.setBuddy(self.listed)
        row.addWidget(label)
        row.addWidget(self.listed)
        self.complete = QCheckBox("I have marked ever&y flip from my first to my last", self)
        self.complete.setObjectName("comparisonComplete")
        self.complete.setAccessibleName("Every flip is marked")
        self.complete.setToolTip(
            "Then every other automatic flip there, or in the selected span, counts as extra; else only those that "
            "you have struck out"
        )
        row.addWidget(self.complete)
        row.addStretch(1)
        self.model = ComparisonModel(self)
        self.table = RowTable("comparisonTable", "Flips compared", self.model, self)
        self.table.horizontalHeader().setStretchLastSection(True)
        layout.addWidget(self.table, 1)
        self.setFocusProxy(self.table)
        self.found = Comparison()
        self.listed.currentIndexChanged.connect(self._list)
        self.complete.toggled.connect(self.complete_changed)
        self.table.activated.connect(self._chosen)
        self.show_comparison(Comparison(), Tolerance())

    def show_comparison(self, found: Comparison, known: Tolerance) -> None:
        """Show another one; the row that is selected stays if its flip does."""
        rows = self.table.selectionModel().selectedRows()
        before = self.model.flips[rows[0].row()].time_s if rows else None
        self.found = found
        self.words.setText(summary(found, known))
        self.model.show(found.flips)
        if before is not None:
            for at, flip in enumerate(self.model.flips):
                if flip.time_s == before:
                    self.table.selectRow(at)
        for column in range(len(self.model.titles) - 1):
            self.table.resizeColumnToContents(column)

    def step(self, by: int, from_s: float) -> bool:
        """Choose the next missed or extra flip after or before the selected row; without one, beyond a time.

        Behind the last comes the first. False where there is none.
        """
        different = [flip for flip in self.found.flips if flip.verdict in _DIFFERENT]
        if not different:
            return False
        rows = self.table.selectionModel().selectedRows()
        from_s = self.model.flips[rows[0].row()].time_s if rows else from_s
        ahead = [flip for flip in different if (flip.time_s - from_s) * by > 0]
        chosen = min(ahead or different, key=lambda flip: flip.time_s * by)
        if chosen not in self.model.flips:
            self.listed.setCurrentIndex(0)
        at = self.model.flips.index(chosen)
        self.table.selectRow(at)
        self.table.setCurrentIndex(self.model.index(at, 0))
        self.flip_chosen.emit(chosen)
        return True

    @Slot()
    def _list(self) -> None:
        self.model.list_only(self.listed.currentData())

    @Slot(QModelIndex)
    def _chosen(self, index: QModelIndex) -> None:
        self.flip_chosen.emit(self.model.flips[index.row()])


def _time(time_s: float | None) -> str:
    return "" if time_s is None else format_value(time_s, "s", 9)
