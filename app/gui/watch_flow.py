"""A watched folder in the window: the newest capture saved there opens, and is decoded like the one before."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, QTimer, Signal, Slot
from PySide6.QtWidgets import QWidget

from app.errors import HalfturnError
from app.gui import ask
from app.gui.bridge import DocumentBridge
from app.gui.decode_flow import DecodeFlow
from app.gui.files_flow import FilesFlow
from app.gui.messages import Message, message_of
from app.gui.work import JobRunner
from app.model.capture import Capture
from app.model.expressions import channel_source

if TYPE_CHECKING:
    from app.files.watched_folder import WatchedFolder

_LOOK_EVERY_MS = 500
_LOOKING = "look"


class WatchFlow(QObject):
    """``told(Message)`` is what the user must know; ``changed`` when a folder is watched or no longer."""

    told = Signal(object)
    changed = Signal()

    def __init__(
        self, bridge: DocumentBridge, files: FilesFlow, decoding: DecodeFlow, window: QWidget
    ) -> None:
        super().__init__(window)
        self._document = bridge.document
        self._files = files
        self._decoding = decoding
        self._window = window
        # a folder on a network may take long to answer: it is looked into by a thread of its own
        self._runner = JobRunner(self, threads=1)
        self._watched: WatchedFolder | None = None
        self._expected: Path | None = None
        self._before: tuple[str | None, bool] = (None, False)
        self._timer = QTimer(self)
        self._timer.setInterval(_LOOK_EVERY_MS)
        self._timer.timeout.connect(self._look)
        files.opened.connect(self._carry_over)

    @property
    def folder(self) -> Path | None:
        """The folder that is watched."""
        return None if self._watched is None else self._watched.folder

    def ask_and_watch(self) -> None:
        """Ask which folder to watch; if one is watched, stop that."""
        if self._watched is not None:
            self.stop()
            return
        folder = ask.folder_to_watch(self._window, self._files.folder())
        if folder is None:
            self.changed.emit()
        else:
            self.watch(folder)

    def watch(self, folder: Path) -> None:
        """Open whatever is saved in ``folder`` from now on."""
        try:
            from app.files.watched_folder import WatchedFolder

            self._watched = WatchedFolder(folder)
        except OSError as error:
            reason = error.strerror or str(error)
            self.told.emit(Message(f"{folder} cannot be watched: {reason}.", weight="error"))
        else:
            self._timer.start()
            self.told.emit(Message(f"The newest capture saved in {folder} will open by itself."))
        self.changed.emit()

    @Slot()
    def stop(self) -> None:
        self._timer.stop()
        self._runner.cancel()
        self._watched = None
        self.changed.emit()

    def close(self) -> None:
        """Stop, and wait until no thread is left."""
        self._timer.stop()
        self._runner.close()

    @Slot()
    def _look(self) -> None:
        watched = self._watched
        # while something is asked or opened the file can wait, and a newer one may come
        if watched is None or self._runner.is_busy(_LOOKING) or self._files.is_opening:
            return

        def look(_progress: Callable[[float], None], _cancelled: Callable[[], bool]) -> Path | None:
            return watched.look(time.monotonic())

        self._runner.start("Looking for captures", look, self._found, self._lost, topic=_LOOKING)

    def _found(self, path: Path | None) -> None:
        if path is None or self._watched is None:
            return
        self._expected = path
        self._before = (self._document.channel, self._decoding.has_decode)
        self._files.open_like_the_last(path)

    def _lost(self, error: BaseException) -> None:
        folder = self.folder
        self.stop()
        if isinstance(error, OSError):
            reason = error.strerror or str(error)
            words = f"{folder} can no longer be looked into ({reason}), and is not watched any more."
            self.told.emit(Message(f"{words} Watch it again when it is back.", weight="error"))
        else:
            self.told.emit(message_of(error, f"watching {folder}"))

    @Slot(object)
    def _carry_over(self, capture: Capture) -> None:
        """Look at the same channel as before, and decode if the capture before was decoded."""
        if self._expected is None or capture.path != self._expected:
            return
        self._expected = None
        channel, was_decoded = self._before
        if channel is not None:
            try:
                channel_source(capture, channel)
            except HalfturnError:
                self.told.emit(Message(f"{capture.name} has no channel {channel}.", weight="caution"))
                return
            self._document.look_at(self._document.capture_index, channel)
        if was_decoded:
            self._decoding.decode_all()
