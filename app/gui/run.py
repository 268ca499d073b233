"""Start the window."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType

from PySide6.QtCore import QEvent, QObject, QSettings, Qt, QTimer, Signal, Slot
from PySide6.QtWidgets import QApplication

from app.files.capture_options import ReadOptions
from app.gui.garbage import GarbageTurns
from app.gui.messages import message_of
from app.gui.window import MainWindow

_AFTER_PAINT_MS = 50  # the X server shows the frame meanwhile


def run_window(files: Sequence[Path], read_options: ReadOptions | None = None) -> int:
    """Open the window on ``files`` and give the exit status when it has been closed."""
    application = QApplication.instance() or QApplication(["halfturn"])
    assert isinstance(application, QApplication)
    application.setApplicationName("Halfturn")
    application.setStyle("Fusion")
    window = MainWindow(program_settings())
    with ErrorCatcher(window):
        after = AfterFirstPaint(window, window.area.make)
        window.installEventFilter(after)
        window.show()
        window.keeper.offer()
        window.open_paths(list(files), read_options)
        # off while starting
        garbage = GarbageTurns(window)
        try:
            return application.exec()
        finally:
            garbage.close()


def program_settings() -> QSettings:
    """Where the program keeps layout, choices and recent files."""
    return QSettings(QSettings.Format.IniFormat, QSettings.Scope.UserScope, "halfturn", "halfturn")


class AfterFirstPaint(QObject):
    """Does once, soon after the watched window has painted, what its first frame need not wait for."""

    def __init__(self, window: MainWindow, todo: Callable[[], None]) -> None:
        super().__init__(window)
        self._timer = QTimer(self)
        self._timer.setSingleShot(True)
        self._timer.setInterval(_AFTER_PAINT_MS)
        self._timer.timeout.connect(todo)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        if event.type() == QEvent.Type.Paint:
            watched.removeEventFilter(self)
            self._timer.start()
        return super().eventFilter(watched, event)


class ErrorCatcher(QObject):
    """While entered, an exception that nobody caught, in any thread, is told in the window."""

    _caught = Signal(object)

    def __init__(self, window: MainWindow) -> None:
        super().__init__()
        self._window = window
        self._before = (sys.excepthook, threading.excepthook)
        self._caught.connect(self._tell, Qt.ConnectionType.QueuedConnection)

    def __enter__(self) -> ErrorCatcher:
        sys.excepthook = self._on_exception
        threading.excepthook = self._on_thread_exception
        return self

    def __exit__(self, *_args: object) -> None:
        sys.excepthook, threading.excepthook = self._before

    def _on_exception(
        self, kind: type[BaseException], error: BaseException, trace: TracebackType | None
    ) -> None:
        if issubclass(kind, KeyboardInterrupt):
            self._before[0](kind, error, trace)
            return
        self._caught.emit(error.with_traceback(trace))

    def _on_thread_exception(self, args: threading.ExceptHookArgs) -> None:
        if args.exc_value is not None:
            self._caught.emit(args.exc_value)

    @Slot(object)
    def _tell(self, error: BaseException) -> None:
        self._window.tell(message_of(error, "working"))
