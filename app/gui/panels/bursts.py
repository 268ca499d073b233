"""What is sent: what the line does in one sentence, its bursts, and the bits of the one selected."""

from __future__ import annotations

from dataclasses import dataclass, field
from html import escape

from PySide6.QtCore import QEvent, QItemSelection, Qt, Signal, Slot
from PySide6.QtGui import QFontMetrics
from PySide6.QtWidgets import QHBoxLayout, QLabel, QPushButton, QSplitter, QTextEdit, QVBoxLayout, QWidget

from app.gui.hand_texts import comparison_text, grid_texts
from app.gui.panels.bursts_model import BITS, BY_HAND, COLUMNS, LENGTH, START, BurstsModel
from app.gui.panels.table import RowTable
from app.gui.style import fixed_font, hand_colour
from app.model.corrections import CorrectedBurst
from app.model.quantity import format_value
from app.model.tolerance import Tolerance


@dataclass(frozen=True, eq=False)
class Sent:
    """All the panel shows. ``sentence`` is empty while nothing was decoded."""

    sentence: str = ""
    reasons: tuple[str, ...] = ()
    bursts: tuple[CorrectedBurst, ...] = ()
    unit: str = ""
    tolerance: Tolerance = field(default_factory=Tolerance)
    has_capture: bool = False


class BurstsPanel(QWidget):
    """``burst_chosen(start_s, end_s)`` when the user selects a row; ``decode_wanted`` from the button."""

    burst_chosen = Signal(float, float)
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
        top.addWidget(self.sentence, 1)
        self.decode = QPushButton("Decode the whole capture", self)
        self.decode.setObjectName("decodeHere")
        self.decode.setAccessibleName("Decode the whole capture")
        self.decode.clicked.connect(self.decode_wanted)
        top.addWidget(self.decode, 0, Qt.AlignmentFlag.AlignTop)
        self.model = BurstsModel(self)
        self.table = RowTable("burstsTable", "Bursts", self.model, self)
        self.table.horizontalHeader().setStretchLastSection(True)
        self.bits = QTextEdit(self)
        self.bits.setObjectName("bitsOfBurst")
        self.bits.setAccessibleName("Bits of the selected burst")
        self.bits.setReadOnly(True)
        self.bits.setTabChangesFocus(True)
        self.bits.setPlaceholderText("Select a burst: its bits come here, its trace above.")
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
        self.model.dataChanged.connect(self._show_bits)
        self.model.dataChanged.connect(self._widen)
        self.model.modelReset.connect(self._show_bits)
        self.model.modelReset.connect(self._widen)
        self._is_empty = True
        self.setFocusProxy(self.table)
        self.show_sent(Sent())

    def show_sent(self, sent: Sent) -> None:
        if sent.sentence:
            self.sentence.setText(sent.sentence)
            self.sentence.setToolTip("\n".join(sent.reasons))
        elif sent.has_capture:
            self.sentence.setText("This channel has not been decoded yet.")
        else:
            self.sentence.setText("Open a capture first.")
        self.decode.setVisible(sent.has_capture and not sent.sentence)
        self.parts.setVisible(bool(sent.bursts))
        self.model.show(sent.bursts, sent.unit, sent.tolerance)
        if sent.bursts and self._is_empty:
            self._fit_columns()
        self._is_empty = not sent.bursts

    def changeEvent(self, event: QEvent) -> None:
        super().changeEvent(event)
        if event.type() in (QEvent.Type.PaletteChange, QEvent.Type.FontChange):
            self._show_bits()
            self._fit_columns()

    def chosen(self) -> CorrectedBurst | None:
        rows = self.table.selectionModel().selectedRows()
        return self.model.burst(rows[0].row()) if len(rows) == 1 else None

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
        for column in (START, LENGTH, BY_HAND):
            wanted = self.table.sizeHintForColumn(column) + 12
            self.table.setColumnWidth(column, max(self.table.columnWidth(column), wanted))

    @Slot(QItemSelection, QItemSelection)
    def _selected(self, _now: QItemSelection, _before: QItemSelection) -> None:
        self._show_bits()
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
