"""Which capture and which channel is being looked at."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal, Slot
from PySide6.QtGui import QPainter, QPaintEvent
from PySide6.QtWidgets import QComboBox, QHBoxLayout, QLabel, QSizePolicy, QWidget

from app.model.capture import Capture
from app.model.quantity import format_quantity, format_value


class Chooser(QWidget):
    """``capture_chosen(index)`` and ``channel_chosen(name)`` say what the user chose."""

    capture_chosen = Signal(int)
    channel_chosen = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("chooser")
        self.setAccessibleName("Capture and channel")
        layout = QHBoxLayout(self)
        layout.setContentsMargins(6, 4, 6, 2)
        self.captures = self._box("captureChoice", "Capture", layout)
        self.channels = self._box("channelChoice", "Channel to decode", layout)
        self.facts = _Elided(self)
        self.facts.setObjectName("captureFacts")
        self.facts.setAccessibleName("About this capture")
        self.facts.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        layout.addWidget(self.facts, 1)
        self.captures.activated.connect(self.capture_chosen)
        self.channels.activated.connect(self._channel)

    def show_captures(self, captures: tuple[Capture, ...], current: int | None) -> None:
        self.captures.clear()
        for capture in captures:
            text = f"{capture.name} ({capture.label})" if capture.label else capture.name
            self.captures.addItem(text)
        self.captures.setCurrentIndex(-1 if current is None else current)

    def show_channels(self, capture: Capture | None, current: str | None) -> None:
        """The capture's own channels, and the one looked at if it is derived from them."""
        self.channels.clear()
        if capture is None:
            self.facts.setText("")
            return
        names = [channel.name for channel in capture.channels]
        for name in names:
            self.channels.addItem(name, name)
        for text in capture.derived:
            self.channels.addItem(f"{text} (derived)", text)
        if current is not None and current not in (*names, *capture.derived):
            self.channels.addItem(f"{current} (derived)", current)
        self.channels.setCurrentIndex(self.channels.findData(current))
        self._show_facts(capture)

    def _show_facts(self, capture: Capture) -> None:
        facts = [
            f"{capture.samples:,} samples".replace(",", "\u202f"),
            format_quantity(capture.rate_hz, capture.rate_std_hz, "Sa/s"),
            format_value(capture.duration_s, "s"),
        ]
        if len(capture.segments) > 1:
            facts.append(f"{len(capture.segments)} segments")
        self.facts.setText("   " + ",  ".join(facts))
        self.facts.setToolTip(self.facts.text().strip())

    def _box(self, name: str, label: str, layout: QHBoxLayout) -> QComboBox:
        box = QComboBox(self)
        box.setObjectName(name)
        box.setAccessibleName(label)
        box.view().setObjectName(f"{name}List")
        box.view().setAccessibleName(f"{label}: what there is")
        box.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToContents)
        words = QLabel(f"{label}:", self)
        words.setBuddy(box)
        layout.addWidget(words)
        layout.addWidget(box)
        return box

    @Slot(int)
    def _channel(self, index: int) -> None:
        self.channel_chosen.emit(self.channels.itemData(index))


class _Elided(QLabel):
    """Ends in an ellipsis where there is no room for all of it; the tool tip has the rest."""

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        shown = self.fontMetrics().elidedText(self.text(), Qt.TextElideMode.ElideRight, self.width())
        painter.drawText(self.rect(), int(Qt.AlignmentFlag.AlignVCenter), shown)
        painter.end()
