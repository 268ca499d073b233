"""Put sessions of one capture together to one session, one after the other, so that memory stays small.

Whatever takes time is done where there are processors for it: whoever has a part reads it through and sums it up
(`read_part`), its groups are then copied as they stand, and what was written is held against the sums in ranges
(`CheckTask`) that can be given to several processes.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import h5py
from h5py import h5o

from app.errors import CancelledError, DamagedSessionError, SessionError
from app.files import schema
from app.files.replace import replacement
from app.files.session import not_saved
from app.files.session_check import check
from app.files.session_held import Held
from app.files.session_load import GroupLoader, load_tree
from app.files.session_pack import pack
from app.files.session_store import TreeFile
from app.files.session_tree import Node, Value, tree_digest
from app.files.upgrades import upgraded
from app.model.items import SessionData
from app.version import program_version

Progress = Callable[[float], None]
Cancelled = Callable[[], bool]

_CHECKING_SHARE = 0.4
# large enough that opening the file does not count, small enough for progress and for sharing it out
_RANGE = 24


@dataclass(frozen=True)
class PartSum:
    """What a part holds: digests of its capture and its decode but for what is changed when it is joined.

    ``link`` is the path of the capture's file, absolute, None where the samples are in the part. ``held`` is what a
    session with this part takes of the limits within which it can be opened.
    """

    capture: bytes
    decode: bytes
    link: str | None
    held: Held


@dataclass(frozen=True)
class CheckTask:
    """Captures and decodes from ``first`` on in the written file, and what they must be."""

    path: Path
    first: int
    sums: tuple[PartSum, ...]
    folder: Path


Check = Callable[[Sequence[CheckTask]], Iterator[str | None]]
"""Does tasks, in this process or in others: of each where it differs, None where nowhere."""


def read_part(part: Path) -> PartSum:
    """Read a session of one capture and its decode through and sum it up.

    Raises
    ------
    app.errors.SessionError : it is damaged, or no such session.
    OSError : it cannot be opened.
    """
    tree = upgraded(load_tree(part))
    check(tree, schema.SESSION)
    captures, decodes = tree.numbered("captures"), tree.numbered("decodes")
    if len(captures) != 1 or len(decodes) != 1:
        raise SessionError(f"{part.name} is no part of a session")
    link = captures[0].attributes.get("link")
    # a link is told from where the folder really is; what leads there may be a symbolic link
    place = None if link is None else os.path.normpath(part.parent.resolve() / str(link))
    return PartSum(
        capture=tree_digest(_without(captures[0], _CAPTURE)),
        decode=tree_digest(_without(decodes[0], _DECODE)),
        link=place,
        held=Held.of(captures[0]) + Held.of(decodes[0]),
    )


class Joining:
    """A session that is being put together; see `joined_session`."""

    def __init__(self, path: Path, out: TreeFile) -> None:
        self._folder = path.parent
        self._out = out
        self._held = Held()
        self.sums: list[PartSum] = []
        self.error: SessionError | None = None

    def sum_of(self, part: Path) -> PartSum | None:
        """`read_part`, with what goes wrong kept in ``error``."""
        try:
            return read_part(part)
        except SessionError as error:
            self.error = self.error or error
        except OSError as error:
            self.error = self.error or SessionError(f"{part.name} cannot be read ({error.strerror or error})")
        return None

    def add(self, part: Path, summed: PartSum) -> None:
        """Copy the capture and the decode of ``part``, which `read_part` has summed up.

        What goes wrong is kept in ``error``, ends the copying, and comes out when all are added.
        """
        if self.error is not None or self._out.error is not None:
            return
        try:
            self._add(part, summed)
        except SessionError as error:
            self.error = error
        except Exception as error:  # on a damaged file the library raises almost anything
            self.error = DamagedSessionError(f"{part.name} is damaged or cut short ({error})")

    def _add(self, part: Path, summed: PartSum) -> None:
        number = len(self.sums)
        held = self._held + summed.held
        held.check()
        with h5py.File(part, "r", locking="best-effort") as source:
            for kind, attributes in _changed(summed, number, self._folder).items():
                self._out.copy(f"{kind}/{number}", source[f"{kind}/0"], attributes)
        self._held = held
        self.sums.append(summed)

    def finish(self) -> None:
        """What is known only once all are added."""
        if self.error is not None:
            raise self.error
        now = datetime.now(UTC).isoformat(timespec="seconds")
        empty = SessionData(created=now, next_key=len(self.sums) + 1)
        self._out.add("/", pack(empty, created=now, saved=now, program_version=program_version(), links=()))

    def tasks(self, written: Path) -> list[CheckTask]:
        return [
            CheckTask(written, first, tuple(self.sums[first : first + _RANGE]), self._folder)
            for first in range(0, len(self.sums), _RANGE)
        ]


@contextmanager
def joined_session(
    path: Path,
    *,
    check: Check | None = None,
    progress: Progress | None = None,
    cancelled: Cancelled | None = None,
) -> Iterator[Joining]:
    """A session that parts are added to, put in its place when the context is left.

    Left by an exception, or where a part could not be added, it leaves what stood there.

    Parameters
    ----------
    check : does the tasks of reading back; one after the other in this process if left out.
    progress, cancelled : of reading back.

    Raises
    ------
    app.errors.SessionError : a part is damaged, or the session cannot be written.
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    from_outside: BaseException | None = None
    joining: Joining | None = None

    def verify(written: Path) -> None:
        assert joining is not None
        tasks = joining.tasks(written)
        for number, differs in enumerate((check or _one_after_the_other)(tasks)):
            if cancelled is not None and cancelled():
                raise CancelledError("saving was cancelled")
            if differs is not None:
                raise SessionError(differs)
            if progress is not None:
                progress((number + 1) / len(tasks))

    try:
        with replacement(path, verify) as made, TreeFile(made.file) as out:
            joining = Joining(path, out)
            try:
                yield joining
            except BaseException as error:
                from_outside = error
                raise
            joining.finish()
    except SessionError as error:
        if error is from_outside:
            raise
        raise SessionError(f"{path}: the session was not saved: {error}") from error
    except OSError as error:
        if error is from_outside:
            raise
        raise not_saved(path, error) from error


def join_sessions(
    path: Path,
    parts: Sequence[Path],
    *,
    progress: Progress | None = None,
    cancelled: Cancelled | None = None,
) -> None:
    """Write the captures and decodes of ``parts``, one of each in every part, as one session to ``path``.

    As with `app.files.session.write_session` the file is read back before it takes the place of an old one.

    Raises
    ------
    app.errors.SessionError : a part is damaged, or the session cannot be written; what was there before stays.
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """

    def checking(fraction: float) -> None:
        if progress is not None:
            progress(1 - _CHECKING_SHARE * (1 - fraction))

    with joined_session(path, progress=checking, cancelled=cancelled) as joining:
        for number, part in enumerate(parts):
            if cancelled is not None and cancelled():
                raise CancelledError("saving was cancelled")
            summed = joining.sum_of(part)
            if summed is not None:
                joining.add(part, summed)
            if progress is not None:
                progress((1 - _CHECKING_SHARE) * (number + 1) / len(parts))


def check_range(task: CheckTask, cancelled: Cancelled | None = None) -> str | None:
    """Read back what was written, group by group, and hold it against the digests; where it differs, else None."""
    try:
        with h5py.File(task.path, "r", locking="best-effort") as file:
            for number, summed in enumerate(task.sums, task.first):
                if cancelled is not None and cancelled():
                    raise CancelledError("saving was cancelled")
                where = _differing(file, number, summed, task.folder)
                if where is not None:
                    return f"reading it back gave something else in {where}"
    except (SessionError, CancelledError):
        raise
    except Exception as error:  # the library raises almost anything
        return f"it cannot be read back ({error})"
    return None


def _differing(file: h5py.File, number: int, summed: PartSum, folder: Path) -> str | None:
    size = os.stat(file.filename).st_size
    for kind, attributes in _changed(summed, number, folder).items():
        where = f"{kind}/{number}"
        node = GroupLoader(size).group(h5o.open(file.id, where.encode()), 2, None)
        names = _CAPTURE if kind == "captures" else _DECODE
        wanted = summed.capture if kind == "captures" else summed.decode
        if {name: node.attributes.get(name) for name in attributes} != attributes:
            return where
        if tree_digest(_without(node, names)) != wanted:
            return where
    return None


_CAPTURE = ("link",)
_DECODE = ("capture", "key")


def _changed(summed: PartSum, number: int, folder: Path) -> dict[str, dict[str, Value]]:
    """The attributes that are other in the session than in the part."""
    capture: dict[str, Value] = {}
    if summed.link is not None:
        capture["link"] = Path(os.path.relpath(summed.link, folder.resolve())).as_posix()
    return {"captures": capture, "decodes": {"capture": number, "key": number + 1}}


def _without(node: Node, names: Sequence[str]) -> Node:
    return replace(node, attributes={k: v for k, v in node.attributes.items() if k not in names})


def _one_after_the_other(tasks: Sequence[CheckTask]) -> Iterator[str | None]:
    return map(check_range, tasks)
