"""What the window shows while nothing is open: what to do first."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget

_STEPS = (
    "<p>Here is how a capture of an unknown two-wire line becomes bits you can trust:</p>"
    "<ol>"
    "<li><b>Open</b> what your oscilloscope wrote: delimited text, WAV, NumPy, MATLAB, HDF5 or raw samples. "
    "Dropping files on this window opens them as well.</li>"
    "<li><b>Decode</b> the whole capture, or a span of it that you select. Nothing needs to be told in "
    "advance.</li>"
    "<li><b>Check</b> every phase flip over the trace. Place, move or delete flips by hand; the bits follow "
    "at once.</li>"
    "<li><b>Save</b> captures, marks and bits together as one session.</li>"
    "</ol>"
)


class Welcome(QWidget):
    """``open_wanted``, ``demo_wanted`` and ``recent_wanted(path)`` say what the user chose."""

    open_wanted = Signal()
    demo_wanted = Signal()
    recent_wanted = Signal(object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("welcome")
        self.setAccessibleName("First steps")
        outer = QVBoxLayout(self)
        inside = QFrame(self)
        inside.setFixedWidth(self.fontMetrics().averageCharWidth() * 88)
        across = QHBoxLayout()
        across.addStretch(1)
        across.addWidget(inside)
        across.addStretch(1)
        outer.addStretch(1)
        outer.addLayout(across)
        outer.addStretch(2)
        layout = QVBoxLayout(inside)
        layout.addWidget(self._heading())
        steps = QLabel(_STEPS, self)
        steps.setObjectName("welcomeSteps")
        steps.setWordWrap(True)
        layout.addWidget(steps)
        self.open_button = self._button("Open captures or a session…", "welcomeOpen")
        self.open_button.setDefault(True)
        self.open_button.clicked.connect(self.open_wanted)
        self.demo_button = self._button("Open the demo capture of a greenhouse line", "welcomeDemo")
        self.demo_button.clicked.connect(self.demo_wanted)
        layout.addWidget(self.open_button)
        layout.addWidget(self.demo_button)
        self._recent_words = QLabel("Opened recently:", self)
        self._recent_words.setObjectName("welcomeRecent")
        layout.addSpacing(12)
        layout.addWidget(self._recent_words)
        self._recent = QVBoxLayout()
        self._recent_buttons: list[QPushButton] = []
        layout.addLayout(self._recent)
        self.set_recent([])

    def set_recent(self, paths: list[Path]) -> None:
        """Offer at most five of these."""
        for old in self._recent_buttons:
            self._recent.removeWidget(old)
            old.hide()
            old.deleteLater()
        self._recent_buttons = []
        for path in paths[:5]:
            button = self._button(path.name, "welcomeRecentFile")
            button.setFlat(True)
            button.setToolTip(str(path))
            button.setStyleSheet("text-align: left")
            button.clicked.connect(lambda _checked=False, path=path: self.recent_wanted.emit(path))
            self._recent.addWidget(button)
            self._recent_buttons.append(button)
        self._recent_words.setVisible(bool(paths))

    def _heading(self) -> QLabel:
        heading = QLabel("Find out how the line signals", self)
        heading.setObjectName("welcomeHeading")
        font = heading.font()
        font.setPointSizeF(font.pointSizeF() * 1.7)
        font.setBold(True)
        heading.setFont(font)
        return heading

    def _button(self, text: str, name: str) -> QPushButton:
        button = QPushButton(text, self)
        button.setObjectName(name)
        button.setAccessibleName(text)
        return button
