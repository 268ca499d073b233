"""What is sent: what the line does in one sentence, its bursts, and the bits of the one selected."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from PySide6.QtCore import QEvent, QItemSelection, QItemSelectionModel, QModelIndex, Qt, Signal, Slot
from PySide6.QtGui import QFontMetrics, QResizeEvent
from PySide6.QtWidgets import (
    QAbstractButton,
    QAbstractItemView,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QScrollArea,
    QSplitter,
    QTextEdit,
    QVBoxLayout,
    QWidget,
)

from app.gui.hand_texts import comparison_text, grid_texts
from app.gui.panels.bursts_model import BITS, BY_HAND, COLUMNS, LENGTH, NAME, START, BurstsModel
from app.gui.panels.bursts_sorted import BurstsSorted
from app.gui.panels.table import RowTable
from app.gui.style import fixed_font, hand_colour
from app.model.naming import BurstName
from app.model.quantity import format_value
from app.model.tolerance import Tolerance

if TYPE_CHECKING:
    from app.model.corrections import CorrectedBurst

_SENTENCE_LINES = 5


@dataclass(frozen=True, eq=False)
class Sent:
    """All the panel shows. ``sentence`` is empty while nothing was decoded."""

    sentence: str = ""
    reasons: tuple[str, ...] = ()
    bursts: tuple[CorrectedBurst, ...] = ()
    unit: str = ""
    tolerance: Tolerance = field(default_factory=Tolerance)
    has_capture: bool = False
    names: tuple[BurstName, ...] = ()


class BurstsPanel(QWidget):
    """``burst_chosen(start_s, end_s)`` when the user selects a row, ``burst_selected(number)`` with its number, None
    for none; ``fit_wanted(start_s, end_s)`` on a double click or Enter; ``name_wanted(number, name)``;
    ``decode_wanted`` from the button."""

    burst_chosen = Signal(float, float)
    burst_selected = Signal(object)
    fit_wanted = Signal(float, float)
    name_wanted = Signal(int, str)
    decode_wanted = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("burstsPanel")
        self.setAccessibleName("What is sent")
        layout = QVBoxLayout(self)
        top = QHBoxLayout()
        layout.addLayout(top)
        self.sentence = QLabel("", self)
        self.sentence.setObjectName("sentence")
        self.sentence.setAccessibleName("What the line does")
        self.sentence.setWordWrap(True)
        self.sentence.setTextInteractionFlags(
            Qt.TextInteractionFlag.TextSelectableByMouse | Qt.TextInteractionFlag.TextSelectableByKeyboard
        )
        # a long one scrolls: the trace needs the room more
        self._spoken = QScrollArea(self)
        self._spoken.setObjectName("sentenceArea")
        self._spoken.setAccessibleName("What the line does")
        self._spoken.viewport().setObjectName("sentenceViewport")
        self._spoken.setFrameShape(QScrollArea.Shape.NoFrame)
        self._spoken.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self._spoken.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self._spoken.setWidgetResizable(True)
        self._spoken.setWidget(self.sentence)
        top.addWidget(self._spoken, 1)
        self.decode = QPushButton("Decode the whole capture", self)
        self.decode.setObjectName("decodeHere")
        self.decode.setAccessibleName("Decode the whole capture")
        self.decode.clicked.connect(self.decode_wanted)
        top.addWidget(self.decode, 0, Qt.AlignmentFlag.AlignTop)
        self.model = BurstsModel(self)
        self.sorted = BurstsSorted(self.model, self)
        self.table = RowTable("burstsTable", "Bursts", self.sorted, self)
        self.table.horizontalHeader().setStretchLastSection(True)
        self.table.setSortingEnabled(True)
        self.table.sortByColumn(START, Qt.SortOrder.AscendingOrder)
        triggers = QAbstractItemView.EditTrigger
        self.table.setEditTriggers(triggers.EditKeyPressed | triggers.DoubleClicked)
        self.table.setContextMenuPolicy(Qt.ContextMenuPolicy.ActionsContextMenu)
        self.filter = QLineEdit(self)
        self.filter.setObjectName("burstsFilter")
        self.filter.setAccessibleName("Show only bursts that hold these words")
        self.filter.setPlaceholderText("Only rows with … talker=1 symbols>40")
        self.filter.setToolTip(
            "Words that a row must hold, such as bits or a name, or comparisons on a column without blanks in its "
            "name: talker=1, symbols>40, carrier<203.6k"
        )
        self.filter.textChanged.connect(self._offer_to_clear)
        self.filter.textChanged.connect(self.sorted.show_only)
        top.addWidget(self.filter, 0, Qt.AlignmentFlag.AlignTop)
        self.filter.setMinimumWidth(self.fontMetrics().averageCharWidth() * 42)
        self.bits = QTextEdit(self)
        self.bits.setObjectName("bitsOfBurst")
        self.bits.setAccessibleName("Bits of the selected burst")
        self.bits.setReadOnly(True)
        self.bits.setTabChangesFocus(True)
        self.bits.setPlaceholderText("Select a burst.")
        self.parts = QSplitter(Qt.Orientation.Horizontal, self)
        self.parts.setObjectName("burstsSplitter")
        self.parts.addWidget(self.table)
        self.parts.addWidget(self.bits)
        self.parts.setStretchFactor(0, 3)
        self.parts.setStretchFactor(1, 1)
        layout.addWidget(self.parts, 1)
        # takes the room while there is no table, so that the sentence stays on top
        layout.addStretch(0)
        self.table.selectionModel().selectionChanged.connect(self._selected)
        self.table.activated.connect(self._activated)
        self.model.name_wanted.connect(self.name_wanted)
        self.model.dataChanged.connect(self._show_bits)
        self.model.dataChanged.connect(self._widen)
        self.model.modelReset.connect(self._show_bits)
        self.model.modelReset.connect(self._tell_selected)
        self.model.modelReset.connect(self._widen)
        self._is_empty = True
        self.setFocusProxy(self.table)
        self.show_sent(Sent())

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._fit_sentence()

    def _fit_sentence(self) -> None:
        """As high as the sentence, at most some lines."""
        line = self.fontMetrics().lineSpacing()
        wanted = self.sentence.heightForWidth(max(self._spoken.viewport().width(), 1))
        self._spoken.setFixedHeight(max(min(wanted, _SENTENCE_LINES * line), 2 * line))

    @Slot(str)
    def _offer_to_clear(self, text: str) -> None:
        """The button comes with the first words: its icon takes a while to load."""
        self.filter.setClearButtonEnabled(bool(text))
        for button in self.filter.findChildren(QAbstractButton):
            button.setObjectName("burstsFilterClear")
            button.setAccessibleName("Show all bursts")

    def show_sent(self, sent: Sent) -> None:
        if sent.sentence:
            self.sentence.setText(sent.sentence)
            self.sentence.setToolTip("\n".join(sent.reasons))
        elif sent.has_capture:
            self.sentence.setText("This channel has not been decoded yet.")
        else:
            self.sentence.setText("Open a capture first.")
        self._fit_sentence()
        self.decode.setVisible(sent.has_capture and not sent.sentence)
        self.parts.setVisible(bool(sent.bursts))
        self.filter.setVisible(bool(sent.bursts))
        self.model.show(sent.bursts, sent.unit, sent.tolerance)
        self.model.show_names(sent.names)
        if sent.bursts and self._is_empty:
            self._fit_columns()
        self._is_empty = not sent.bursts

    def changeEvent(self, event: QEvent) -> None:
        super().changeEvent(event)
        if event.type() in (QEvent.Type.PaletteChange, QEvent.Type.FontChange):
            self._show_bits()
            self._fit_columns()

    def chosen(self) -> CorrectedBurst | None:
        numbers = self.chosen_numbers()
        return self.model.burst(numbers[0]) if len(numbers) == 1 else None

    def chosen_numbers(self) -> list[int]:
        """Numbers of the selected bursts, in order of time."""
        rows = self.table.selectionModel().selectedRows()
        return sorted(self.sorted.mapToSource(index).row() for index in rows)

    @Slot(int)
    def select(self, number: int) -> None:
        """Select a burst by its number; one that is not shown makes the table show all again."""
        index = self.sorted.mapFromSource(self.model.index(number, START))
        if not index.isValid():
            self.filter.clear()
            index = self.sorted.mapFromSource(self.model.index(number, START))
        self._select_index(index)

    def step(self, step: int, from_s: float) -> None:
        """Select the next row of the table, or the one before; with none selected, the nearest after ``from_s``."""
        count = self.sorted.rowCount()
        if not count:
            return
        rows = self.table.selectionModel().selectedRows()
        if rows:
            row = rows[-1].row() + step
        else:
            starts = [self.sorted.mapToSource(self.sorted.index(row, START)).row() for row in range(count)]
            later = [row for row, n in enumerate(starts) if self.model.burst(n).burst.start_s >= from_s]
            row = min(later, default=0) if step > 0 else max(min(later, default=count) - 1, 0)
        row = min(max(row, 0), count - 1)
        self._select_index(self.sorted.index(row, START))

    def _select_index(self, index: QModelIndex) -> None:
        """Select one row alone, whatever keys are held."""
        flags = QItemSelectionModel.SelectionFlag
        self.table.selectionModel().setCurrentIndex(index, flags.ClearAndSelect | flags.Rows)
        self.table.scrollTo(index)

    @Slot(QModelIndex)
    def _activated(self, index: QModelIndex) -> None:
        if index.column() != NAME:
            self._fit(index)

    def _fit(self, index: QModelIndex) -> None:
        burst = self.model.burst(self.sorted.mapToSource(index).row()).burst
        self.fit_wanted.emit(burst.start_s, burst.end_s)

    @Slot()
    def _tell_selected(self) -> None:
        numbers = self.chosen_numbers()
        self.burst_selected.emit(numbers[0] if len(numbers) == 1 else None)

    def _fit_columns(self) -> None:
        """To what the cells hold, but leave room for what is measured beside long bits."""
        self.table.resizeColumnsToContents()
        for column in range(len(COLUMNS)):
            self.table.setColumnWidth(column, self.table.columnWidth(column) + 12)
        most = 50 * QFontMetrics(fixed_font()).averageCharWidth()
        self.table.setColumnWidth(BITS, min(self.table.columnWidth(BITS), most))

    @Slot()
    def _widen(self) -> None:
        """To what the hand puts into cells; never narrower, so that nothing jumps while a flip is dragged."""
        for column in (NAME, START, LENGTH, BY_HAND):
            wanted = self.table.sizeHintForColumn(column) + 12
            self.table.setColumnWidth(column, max(self.table.columnWidth(column), wanted))

    @Slot(QItemSelection, QItemSelection)
    def _selected(self, _now: QItemSelection, _before: QItemSelection) -> None:
        self._show_bits()
        self._tell_selected()
        burst = self.chosen()
        if burst is not None:
            self.burst_chosen.emit(burst.burst.start_s, burst.burst.end_s)

    @Slot()
    def _show_bits(self) -> None:
        burst = self.chosen()
        colour = hand_colour(self.palette()).name()
        self.bits.setHtml("" if burst is None else bits_html(burst, colour, self.model.tolerance))


def bits_html(as_is: CorrectedBurst, colour: str, known: Tolerance) -> str:
    """Bits in eights; symbols changed by hand bold, underlined and in ``colour``; what the hand did."""
    from html import escape

    lines = [f"<p style=\"font-family: '{fixed_font().family()}'\">{_bits_text(as_is, colour)}</p>"]
    told = [] if as_is.grid_of == "hand" else [comparison_text(as_is.comparison, known)]
    lines += [f"<p>{escape(text)}</p>" for text in (*told, *grid_texts(as_is, known)) if text]
    if as_is.off_grid:
        times = ", ".join(format_value(flip.time_s, "s", 9) for flip in as_is.off_grid)
        lines.append(f"<p>More than a quarter symbol from any symbol edge: {escape(times)}.</p>")
    lines += [f"<p>{escape(text)}</p>" for text in as_is.burst.warnings]
    return "".join(lines)


def _bits_text(as_is: CorrectedBurst, colour: str) -> str:
    if as_is.bits is None:
        return "The line code does not say which bits the corrected symbols are: " + as_is.symbols
    # on another grid, the decoder's bits are not those at the same places
    plain = as_is.burst.bits if as_is.grid_of == "decoder" else as_is.bits
    out = []
    for i, bit in enumerate(as_is.bits):
        changed = i >= len(plain) or plain[i] != bit
        out.append(f'<b><u style="color: {colour}">{bit}</u></b>' if changed else bit)
        if i % 8 == 7:
            out.append(" ")
    return "".join(out)
