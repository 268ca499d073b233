"""Opening and saving: asks what it must, works off the window's thread, changes the document when done."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from PySide6.QtCore import QObject, QTimer, Signal, Slot
from PySide6.QtWidgets import QWidget

from app.demo import demo_path
from app.errors import MissingLinkError
from app.files.capture_options import ReadOptions
from app.files.replace import FileState, state_of
from app.gui import ask, ask_handover
from app.gui.bridge import DocumentBridge
from app.gui.messages import Message, message_of
from app.gui.recent import RecentFiles
from app.gui.work import JobRunner
from app.model import edits
from app.model.capture import Capture
from app.model.document import empty_session
from app.model.items import SessionData

if TYPE_CHECKING:
    from dsp.results import Notice

_SAVING = "save"
_OPENING = "open"
_LOOK_OVER_AFTER_MS = 1500


def read_file(
    path: Path,
    options: ReadOptions,
    progress: Callable[[float], None],
    cancelled: Callable[[], bool],
    look_at: tuple[Path, ...] = (),
) -> Capture | SessionData:
    """Whatever the file holds; called off the window's thread."""
    from app.files.capture_options import Watch
    from app.files.captures import open_capture
    from app.files.probe import check_in_child
    from app.files.session import read_session

    check_in_child(path, cancelled)
    if is_session(path):
        return read_session(path, look_at, Watch(progress, cancelled))
    return open_capture(path, options, progress=progress, cancelled=cancelled)


def too_large_to_embed(data: SessionData) -> bool:
    """Whether captures must be linked by path and digest, since a session cannot hold their samples."""
    from app.files.schema import MOST_EMBEDDED_BYTES

    return (
        sum(channel.stored.nbytes for one in data.captures for channel in one.channels) > MOST_EMBEDDED_BYTES
    )


def is_session(path: Path) -> bool:
    """Whether a file says of itself that it is a session; loads the HDF5 library only for an HDF5 file."""
    from app.files.inputs import is_session_file

    return is_session_file(path)


class FilesFlow(QObject):
    """``told(Message)`` is what the user must know; ``recent_changed`` when there is another recent file.

    ``opened(Capture)`` when a capture has come into the session.
    """

    told = Signal(object)
    opened = Signal(object)
    recent_changed = Signal()

    def __init__(
        self,
        bridge: DocumentBridge,
        runner: JobRunner,
        recent: RecentFiles,
        window: QWidget,
    ) -> None:
        super().__init__(window)
        self._bridge = bridge
        self._document = bridge.document
        self._runner = runner
        self._recent = recent
        self._window = window
        self._options = ReadOptions()
        self._waiting: deque[tuple[Path, ReadOptions]] = deque()
        self._after_saving: Callable[[], None] | None = None
        self._last_told: dict[str, ReadOptions] = {}
        # asked before a session is saved over one of the same name
        self.guard: Callable[[Path], Literal["overwrite", "elsewhere", "stay"]] = lambda _path: "overwrite"
        # a session that names its captures' files keeps doing so
        self._linked: Path | None = None
        # the session file as it was read or written last: what stands there later may be somebody else's
        self.known: tuple[Path, FileState | None] | None = None

    @property
    def is_opening(self) -> bool:
        """Whether a file is being opened or waits for that."""
        return bool(self._waiting) or self._runner.is_busy(_OPENING)

    def open_like_the_last(self, path: Path) -> None:
        """Open a file with what was told of the one of the same ending opened before it."""
        self.open_paths([path], self._last_told.get(path.suffix.lower()))

    @property
    def name(self) -> str:
        """What the session is called until it has a file of its own."""
        if self._document.path is not None:
            return self._document.path.name
        captures = self._document.data.captures
        return Path(captures[0].name).stem if captures else "no capture"

    @Slot()
    def ask_and_open(self) -> None:
        self.open_paths(ask.files_to_open(self._window, self.folder()))

    def ask_and_open_with_details(self) -> None:
        options = ask.read_options(self._window, self._options)
        if options is None:
            return
        self._options = options
        self.open_paths(ask.files_to_open(self._window, self.folder()), options)

    def ask_and_open_session(self) -> None:
        path = ask.session_to_open(self._window, self.folder())
        if path is not None:
            self.open_paths([path])

    @Slot()
    def open_demo(self) -> None:
        try:
            self.open_paths([demo_path()])
        except FileNotFoundError as error:
            self.told.emit(Message(str(error), weight="error"))

    @Slot(object)
    def open_recent(self, path: Path) -> None:
        self.open_paths([path])

    def open_paths(self, paths: Sequence[Path], options: ReadOptions | None = None) -> None:
        """Open one after the other, so that captures stand in the order given; ``options`` are for these."""
        self._waiting += [(path, options or ReadOptions()) for path in paths]
        self._open_next()

    def save(self, then: Callable[[], None] | None = None) -> None:
        """Save where the session came from, or ask where; ``then`` runs only once it has been saved."""
        if self._document.path is None:
            self.save_as(then)
        else:
            self._save_in(self._document.path, then, link=self._document.path == self._linked)

    def save_linked(self) -> None:
        """Save without the samples of captures that stand in files of their own; those are named by path and digest."""
        old = self._document.path
        path = ask.where_to_save(self._window, old or self.folder() / f"{self.name}.h5")
        if path is not None:
            self._save_in(path, None, link=True)

    def save_as(self, then: Callable[[], None] | None = None) -> None:
        old = self._document.path
        path = ask.where_to_save(self._window, old or self.folder() / f"{self.name}.h5")
        if path is not None:
            self._save_in(path, then)

    def new_session(self) -> None:
        self.leave(lambda: self._document.replace_all(empty_session(), None))

    def leave(self, then: Callable[[], None]) -> None:
        """Run ``then`` as soon as nothing would be lost by it, or not at all if the user wants to stay."""
        if self._runner.is_busy(_SAVING):
            self._after_saving = lambda: self.leave(then)
            return
        if self._document.is_saved:
            then()
            return
        answer = ask.what_to_do_with_changes(self._window, self.name)
        if answer == "save":
            self.save(then)
        elif answer == "discard":
            then()

    def forget_waiting(self) -> None:
        """Do not open what is still waiting."""
        self._waiting.clear()

    def _open_next(self) -> None:
        if self._waiting and not self._runner.is_busy(_OPENING):
            self._open(*self._waiting.popleft())

    def _open(self, path: Path, options: ReadOptions, look_at: tuple[Path, ...] = ()) -> None:
        # before it is read: what is saved into it while it is read is then noticed
        state = state_of(path)
        self._runner.start(
            f"Opening {path.name}",
            lambda progress, cancelled: read_file(path, options, progress, cancelled, look_at),
            lambda answer: self._opened(path, options, answer, state),
            lambda error: self._not_opened(path, options, look_at, error),
            topic=_OPENING,
        )

    def _opened(
        self, path: Path, options: ReadOptions, answer: Capture | SessionData, state: FileState | None
    ) -> None:
        if isinstance(answer, Capture):
            self._last_told[path.suffix.lower()] = options
            if self._bridge.run(edits.OpenCapture(answer)):
                if answer.warnings:
                    words = "\n".join(notice.text for notice in answer.warnings)
                    self.told.emit(Message(f"{answer.name}: {words}", weight="caution"))
                self.opened.emit(answer)
                # what is drawn first comes first
                QTimer.singleShot(_LOOK_OVER_AFTER_MS, self, lambda: self._look_over(answer))
        else:
            self.leave(lambda: self._take(answer, path, state))
        self._remember(path)
        self._open_next()

    def _look_over(self, capture: Capture) -> None:
        """Look at all samples of a long capture, of which opening looked at a part only."""
        from app.files.look_over import looked_at_in_part, looked_over

        if not looked_at_in_part(capture) or not self._is_open(capture):
            return
        self._runner.start(
            f"Looking over {capture.name}",
            lambda progress, cancelled: looked_over(capture, progress, cancelled).warnings,
            lambda warnings: self._looked_over(capture, warnings),
            lambda error: self.told.emit(message_of(error, f"looking over {capture.name}")),
        )

    def _looked_over(self, capture: Capture, warnings: tuple[Notice, ...]) -> None:
        if warnings == capture.warnings or not self._is_open(capture):
            return
        self._document.amend(lambda data: edits.warned(data, capture, warnings))
        words = "\n".join(notice.text for notice in warnings if notice not in capture.warnings)
        if words:
            self.told.emit(Message(f"{capture.name}: {words}", weight="caution"))

    def _is_open(self, capture: Capture) -> bool:
        stored = capture.channels[0].stored
        return any(one.channels[0].stored is stored for one in self._document.data.captures)

    def _take(self, data: SessionData, path: Path, state: FileState | None) -> None:
        self.known = (path, state)
        self._linked = path if any(capture.path is not None for capture in data.captures) else None
        self._document.replace_all(data, path)

    def _not_opened(
        self, path: Path, options: ReadOptions, look_at: tuple[Path, ...], error: BaseException
    ) -> None:
        self.told.emit(message_of(error, f"opening {path.name}"))
        if isinstance(error, MissingLinkError):
            found = ask_handover.where_is_linked(self._window, error.name, path.parent)
            if found is not None:
                # a folder holds what else is missing, too
                self._open(path, options, (*look_at, found, found.parent))
                return
        self._open_next()

    def _save_in(self, path: Path, then: Callable[[], None] | None, *, link: bool = False) -> None:
        if self._runner.is_busy(_SAVING):
            self.told.emit(Message("The session is still being saved; try again in a moment."))
            return
        there = state_of(path)
        answer = self.guard(path)
        if answer == "elsewhere":
            self.save_as(then)
        if answer != "overwrite":
            return
        data, state = self._document.data, self._document.state

        def write(progress: Callable[[float], None], cancelled: Callable[[], bool]) -> FileState | None:
            from app.files.session import write_session

            return write_session(
                path,
                data,
                link_captures=link or too_large_to_embed(data),
                progress=progress,
                cancelled=cancelled,
                replaces=(there,),
            )

        self._runner.start(
            f"Saving {path.name}",
            write,
            lambda written: self._saved(path, written, state, link, then),
            lambda error: self._not_saved(path, error),
            topic=_SAVING,
        )

    def _saved(
        self,
        path: Path,
        written: FileState | None,
        state: int,
        link: bool,
        then: Callable[[], None] | None,
    ) -> None:
        self._linked = path if link else None
        self.known = (path, written)
        self._document.mark_saved(state, path)
        self._remember(path)
        waiting, self._after_saving = self._after_saving, None
        for step in (then, waiting):
            if step is not None:
                step()

    def _not_saved(self, path: Path, error: BaseException) -> None:
        self._after_saving = None  # whoever wanted to leave now has something to lose
        self.told.emit(message_of(error, f"saving {path.name}"))

    def _remember(self, path: Path) -> None:
        self._recent.add(path)
        self.recent_changed.emit()

    def folder(self) -> Path:
        """Where the last file was."""
        for path in self._recent.paths():
            if os.path.isdir(path.parent):
                return path.parent
        return Path.home()
