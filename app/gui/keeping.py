"""Unsaved work kept aside every half minute and on every step that takes something away; two windows on one session.

Each window has a file of its own beside the settings, locked while the window lives. One that is not locked was
left by a window that ended without being closed, and is offered to the next.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from PySide6.QtCore import QLockFile, QObject, QTimer, Signal, Slot
from PySide6.QtWidgets import QWidget

from app.errors import HalfturnError
from app.files.replace import FileState, state_of
from app.gui import ask_handover
from app.gui.bridge import DocumentBridge
from app.gui.files_flow import FilesFlow
from app.gui.messages import Message, message_of
from app.gui.work import JobRunner
from app.model.changes import Change
from app.model.items import SessionData

if TYPE_CHECKING:
    from app.files.autosave import Recovered

EVERY_MS = 30_000
_KEEPING = "keep"

# a file that work was taken up from, and the lock on it
_Inherited = tuple[Path, QLockFile]


class Keeper(QObject):
    """``told(Message)`` is what the user must know.

    Parameters
    ----------
    folder : where unsaved work is kept.
    """

    told = Signal(object)

    def __init__(self, bridge: DocumentBridge, files: FilesFlow, folder: Path, window: QWidget) -> None:
        super().__init__(window)
        self._bridge = bridge
        self._document = bridge.document
        self._files = files
        self._folder = folder
        self._window = window
        self._runner = JobRunner(self, threads=1)
        self._mine = folder / f"{os.getpid()}-{os.urandom(4).hex()}.h5"
        self._lock: QLockFile | None = None
        self._digests: object | None = None
        self._kept_state: int | None = None
        self._items = _count(self._document.data)
        self._failed = False
        self._inherited: _Inherited | None = None
        self._session_lock: QLockFile | None = None
        self._told_of_other = False
        self._signature: FileState | None = None
        self._told_of: FileState | None = None
        self._path: Path | None = None
        files.guard = self.may_save
        bridge.changed.connect(self._follow)
        self._timer = QTimer(self)
        self._timer.setInterval(EVERY_MS)
        self._timer.timeout.connect(self.tick)
        self._timer.start()

    @Slot()
    def tick(self) -> None:
        """What is done every half minute."""
        self.keep()
        self._look_for_others()
        self._look_at_file()

    def keep(self) -> None:
        """Keep what is not saved, off the window's thread; nothing if that is done already."""
        document = self._document
        if document.is_saved:
            self._forget()
            return
        if document.state == self._kept_state or self._runner.is_busy(_KEEPING):
            return
        if not self._has_lock():
            return
        data, state, origin, seen = document.data, document.state, document.path, self._signature

        def write(_progress: object, _cancelled: object) -> None:
            from app.files.autosave import SampleDigests, write_autosave

            if not isinstance(self._digests, SampleDigests):
                self._digests = SampleDigests()
            write_autosave(self._mine, data, origin, self._digests, seen)

        inherited = self._inherited
        self._runner.start(
            "Keeping unsaved work",
            write,
            lambda _answer: self._kept(state, inherited),
            self._not_kept,
            topic=_KEEPING,
        )

    def offer(self) -> None:
        """Ask about work that other windows left behind when they ended without being closed."""
        for path in sorted(self._folder.glob("*.h5")):
            lock = QLockFile(str(path.with_suffix(".lock")))
            lock.setStaleLockTime(0)
            if path == self._mine or not lock.tryLock(0):
                continue  # its window is still there
            self._offer(path, lock)

    def may_save(self, path: Path) -> Literal["overwrite", "elsewhere", "stay"]:
        """Ask, if the file was saved by somebody else since it was opened here."""
        if path != self._path or self._signature is None or state_of(path) in (self._signature, None):
            return "overwrite"
        return ask_handover.overwrite_changed(self._window, path.name)

    def close(self) -> None:
        """The window closes with nothing to lose."""
        self._timer.stop()
        self._runner.close()
        self._forget()
        for lock in (self._lock, self._session_lock):
            if lock is not None:
                lock.unlock()

    def _offer(self, path: Path, lock: QLockFile) -> None:
        from app.files.autosave import look_at_autosave

        try:
            found = look_at_autosave(path)
        except HalfturnError as error:
            self.told.emit(Message(f"Unsaved work was kept in {path}, but {error}", weight="error"))
            lock.unlock()
            return
        answer = ask_handover.recover(self._window, found.name, found.saved)
        if answer == "restore":
            self._read(path, lock)
            return
        if answer == "discard":
            path.unlink(missing_ok=True)
        lock.unlock()

    def _read(self, path: Path, lock: QLockFile) -> None:
        """Off the window's thread: the samples are held against their digest."""

        def read(progress: Callable[[float], None], cancelled: Callable[[], bool]) -> Recovered:
            from app.files.autosave import read_autosave
            from app.files.capture_options import Watch

            return read_autosave(path, Watch(progress, cancelled))

        def done(found: Recovered) -> None:
            # what is not taken up stays, and is offered again
            self._files.leave(lambda: self._restore(path, lock, found))
            if self._inherited is None or self._inherited[0] != path:
                lock.unlock()

        def failed(error: BaseException) -> None:
            self.told.emit(message_of(error, "taking up unsaved work"))
            lock.unlock()

        self._runner.start("Taking up unsaved work", read, done, failed)

    def _restore(self, path: Path, lock: QLockFile, found: Recovered) -> None:
        """The file it comes from goes only once the work is kept, or saved, in another one."""
        self._forget()
        self._inherited = (path, lock)
        if found.origin is not None:
            # somebody may have saved it since: that is asked about before this is saved over it
            self._files.known = (found.origin, found.origin_state)
        self._document.replace_all(found.data, found.origin, saved=False)
        self.keep()
        self.told.emit(Message("This is the work as it was kept. It is not saved yet.", weight="caution"))

    def _let_go(self) -> None:
        """Of the file that other work was taken up from: it stands somewhere else now."""
        if self._inherited is not None:
            path, lock = self._inherited
            self._inherited = None
            path.unlink(missing_ok=True)
            lock.unlock()

    def _has_lock(self) -> bool:
        if self._lock is not None:
            return True
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            self._not_kept(error)
            return False
        lock = QLockFile(str(self._mine.with_suffix(".lock")))
        lock.setStaleLockTime(0)
        if lock.tryLock(0):
            self._lock = lock
        return self._lock is not None

    def _kept(self, state: int, inherited: _Inherited | None) -> None:
        self._failed = False
        if inherited is self._inherited:  # else this is the work before other work was taken up
            self._kept_state = state
            self._let_go()
        if self._document.is_saved:
            self._forget()

    def _not_kept(self, error: BaseException) -> None:
        if not self._failed:
            self._failed = True
            self.told.emit(message_of(error, "keeping unsaved work"))

    def _forget(self) -> None:
        """Everything is saved, or was given up."""
        self._let_go()
        if self._kept_state is not None:
            self._mine.unlink(missing_ok=True)
            self._kept_state = None

    @Slot(object)
    def _follow(self, change: Change) -> None:
        items = _count(self._document.data)
        if items < self._items and not change & Change.PATH:
            QTimer.singleShot(0, self.keep)
        self._items = items
        if change & Change.PATH:
            self._turn_to(self._document.path)
        if self._document.is_saved:
            self._forget()

    def _turn_to(self, path: Path | None) -> None:
        """The document belongs to another file, or has been saved."""
        known = self._files.known
        self._signature = known[1] if known is not None and known[0] == path else None
        self._told_of = None
        if path == self._path:
            return
        self._path = path
        if self._session_lock is not None:
            self._session_lock.unlock()
            self._session_lock = None
        if path is None:
            return
        self._told_of_other = False
        for name in _lock_names(path):
            lock = QLockFile(name)
            lock.setStaleLockTime(0)
            if lock.tryLock(0):
                self._session_lock = lock
                break
        self._look_for_others()

    def _look_for_others(self) -> None:
        """Tell once that another window has the session open, whichever of the two was first."""
        if self._path is None or self._told_of_other:
            return
        mine = None if self._session_lock is None else self._session_lock.fileName()
        if any(_is_locked(name) for name in _lock_names(self._path) if name != mine):
            self._told_of_other = True
            self.told.emit(
                Message(
                    f"{self._path.name} is open in another window, too. Work in one of them only, or save this one "
                    "under another name: who saves second is asked which of the two shall stay.",
                    weight="caution",
                )
            )

    def _look_at_file(self) -> None:
        """Tell once when somebody else has saved the session that is open here."""
        if self._path is None or self._signature is None:
            return
        now = state_of(self._path)
        if now in (self._signature, self._told_of, None) or self._runner.is_busy("save"):
            return
        self._told_of = now
        self.told.emit(
            Message(
                f"{self._path.name} was saved by another window or program meanwhile. Open it again to see that, or "
                "save this one under another name.",
                weight="caution",
            )
        )


def _lock_names(path: Path) -> list[str]:
    """Files that say that a session is open: the first window's, and that of one more."""
    return [str(path.with_name(f".{path.name}.open{more}")) for more in ("", ".2")]


def _is_locked(name: str) -> bool:
    """Whether a window that lives holds the lock; where none can be made, nobody is told to."""
    lock = QLockFile(name)
    lock.setStaleLockTime(0)
    if lock.tryLock(0):
        lock.unlock()
        return False
    return lock.error() == QLockFile.LockError.LockFailedError


def _count(data: SessionData) -> int:
    kinds = (data.captures, data.cursors, data.spans, data.flips, data.notes, data.decodes)
    return sum(map(len, (*kinds, data.burst_marks, data.pins)))
