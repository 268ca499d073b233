"""Messages above the trace: they hold nothing up and stay until closed."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal, Slot
from PySide6.QtGui import QColor, QPalette
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QPlainTextEdit, QPushButton, QVBoxLayout, QWidget

from app.gui.messages import Message
from app.gui.style import ORANGE, SKY_BLUE, VERMILLION

_AT_MOST = 4
_WORDS = {"note": "Note", "error": "Problem", "caution": "Caution"}
_COLOURS = {"note": SKY_BLUE, "error": VERMILLION, "caution": ORANGE}


class MessageLine(QFrame):
    """One message with its word, its text, details to unfold and a button to close it; ``closed(self)``."""

    closed = Signal(object)

    def __init__(self, message: Message, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.message = message
        self.setObjectName("messageLine")
        self.setAccessibleName(f"{_WORDS[message.weight]}: {message.text}")
        self.setFrameShape(QFrame.Shape.StyledPanel)
        outer = QHBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.addWidget(self._bar())
        layout = QVBoxLayout()
        layout.setContentsMargins(6, 4, 6, 4)
        outer.addLayout(layout, 1)
        row = QHBoxLayout()
        layout.addLayout(row)
        row.addWidget(self._text(), 1)
        self.details = self._details()
        if message.details:
            layout.addWidget(self.details)
            row.addWidget(self._unfold(), 0, Qt.AlignmentFlag.AlignTop)
        row.addWidget(self._close(), 0, Qt.AlignmentFlag.AlignTop)

    def _bar(self) -> QFrame:
        bar = QFrame(self)
        bar.setFixedWidth(6)
        bar.setAutoFillBackground(True)
        palette = bar.palette()
        palette.setColor(QPalette.ColorRole.Window, QColor(_COLOURS[self.message.weight]))
        bar.setPalette(palette)
        return bar

    def _text(self) -> QLabel:
        label = QLabel(self)
        label.setObjectName("messageText")
        label.setTextFormat(Qt.TextFormat.PlainText)
        label.setText(f"{_WORDS[self.message.weight]}: {self.message.text}")
        label.setWordWrap(True)
        label.setTextInteractionFlags(
            Qt.TextInteractionFlag.TextSelectableByMouse | Qt.TextInteractionFlag.TextSelectableByKeyboard
        )
        return label

    def _details(self) -> QPlainTextEdit:
        box = QPlainTextEdit(self.message.details, self)
        box.setObjectName("messageDetails")
        box.setAccessibleName("Details")
        box.setReadOnly(True)
        box.setTabChangesFocus(True)
        box.setMaximumHeight(180)
        box.hide()
        return box

    def _unfold(self) -> QPushButton:
        button = QPushButton("Details", self)
        button.setObjectName("messageUnfold")
        button.setAccessibleName("Show or hide the details")
        button.setCheckable(True)
        button.toggled.connect(self.details.setVisible)
        return button

    def _close(self) -> QPushButton:
        button = QPushButton("Close", self)
        button.setObjectName("messageClose")
        button.setAccessibleName("Close this message")
        button.setToolTip("Close this message; Ctrl+Alt+M closes all")
        button.clicked.connect(self.close_message)
        return button

    @Slot()
    def close_message(self) -> None:
        self.closed.emit(self)
        self.hide()
        self.deleteLater()


class MessageStrip(QWidget):
    """The newest messages, newest on top; the same message is not shown twice."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("messageStrip")
        self.setAccessibleName("Messages")
        self._layout = QVBoxLayout(self)
        self._layout.setContentsMargins(0, 0, 0, 0)
        self._layout.setSpacing(2)
        self._lines: list[MessageLine] = []

    def tell(self, message: Message) -> None:
        for line in self.lines():
            if line.message == message:
                line.close_message()
        line = MessageLine(message, self)
        line.closed.connect(self._forget)
        self._layout.insertWidget(0, line)
        self._lines.insert(0, line)
        for old in self.lines()[_AT_MOST:]:
            old.close_message()

    def lines(self) -> list[MessageLine]:
        """Messages that can be read, newest first."""
        return list(self._lines)

    def clear(self) -> None:
        for line in self.lines():
            line.close_message()

    @Slot(object)
    def _forget(self, line: MessageLine) -> None:
        self._lines.remove(line)
