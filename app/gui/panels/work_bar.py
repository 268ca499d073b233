"""What is under way, how far, and a button to stop it: in the status bar, and beside a picture that takes long."""

from __future__ import annotations

from PySide6.QtCore import QTimer, Signal, Slot
from PySide6.QtWidgets import QHBoxLayout, QLabel, QProgressBar, QPushButton, QWidget

from app.gui.work import JobRunner

_SHOW_AFTER_MS = 200


class WorkBar(QWidget):
    """Shows itself when work takes longer than a blink.

    Parameters
    ----------
    name : begins the names of its widgets.
    of : what is stopped, for the button.
    keys : what else stops it, for the button's tool tip.
    small : without the title, where there is little room.
    """

    cancel_wanted = Signal()

    def __init__(
        self,
        runner: JobRunner,
        parent: QWidget | None = None,
        *,
        name: str = "work",
        of: str = "the work under way",
        keys: str = "Ctrl+.",
        small: bool = False,
    ) -> None:
        super().__init__(parent)
        self.setObjectName(f"{name}Bar")
        self.setAccessibleName("Work under way")
        self._runner = runner
        layout = QHBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        self.title = QLabel("", self)
        self.title.setObjectName(f"{name}Title")
        self.bar = QProgressBar(self)
        self.bar.setObjectName(f"{name}Progress")
        self.bar.setAccessibleName("Progress")
        self.bar.setFixedWidth(self.fontMetrics().averageCharWidth() * (10 if small else 26))
        self.bar.setToolTip("How far the work has come; a bar that runs to and fro cannot tell")
        self.stop = QPushButton("Cancel", self)
        self.stop.setObjectName(f"{name}Cancel")
        self.stop.setAccessibleName(f"Cancel {of}")
        self.stop.setToolTip(f"Stop {of}; nothing of it is kept ({keys})")
        self.stop.clicked.connect(self.cancel_wanted)
        for widget in (self.title, self.bar, self.stop):
            layout.addWidget(widget)
        self.title.setHidden(small)
        self._soon = QTimer(self)
        self._soon.setSingleShot(True)
        self._soon.setInterval(_SHOW_AFTER_MS)
        self._soon.timeout.connect(self._show_now)
        runner.changed.connect(self._update)
        self.hide()

    @Slot()
    def _show_now(self) -> None:
        if self._runner.current() is not None:
            self.show()

    @Slot()
    def _update(self) -> None:
        current = self._runner.current()
        if current is None:
            self._soon.stop()
            self.hide()
            return
        job, fraction = current
        more = f" (and {self._runner.waiting - 1} more)" if self._runner.waiting > 1 else ""
        self.title.setText(job.title + more)
        self.bar.setRange(0, 0 if fraction is None else 1000)
        if fraction is not None:
            self.bar.setValue(round(1000 * fraction))
        if self.isHidden() and not self._soon.isActive():
            self._soon.start()
