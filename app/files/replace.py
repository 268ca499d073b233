"""Put a new file in the place of an old one so that at any instant one of the two is whole."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import shutil
import stat
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from io import FileIO
from pathlib import Path

try:
    import fcntl
except ImportError:  # Windows, where a file that is open cannot be replaced anyway
    fcntl = None  # type: ignore[assignment]

BACKUP_SUFFIX = ".bak"
_PART_SUFFIX = ".part"
_ABANDONED_S = 3600.0
# of what is done under the lock nothing takes longer than the copy of a backup
_LONGEST_WAIT_S = 20.0
_NO_FOLDER_SYNC = {errno.EINVAL, errno.ENOTSUP, errno.EACCES, errno.EPERM}
_NO_FOLDER_LOCK = {errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOLCK, errno.EBADF, errno.ENOSYS}

FileState = tuple[int, int, int]
"""Inode, size and time of change of a file: what differs once another has taken its place."""


class ChangedMeanwhileError(Exception):
    """Somebody else has replaced the file since it was looked at."""


def state_of(path: Path) -> FileState | None:
    """Which file stands in ``path``, and in which state; None while there is none to be seen."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_ino, found.st_size, found.st_mtime_ns


def backup_of(path: Path) -> Path:
    """Where the version before the present one is kept."""
    return path.with_name(path.name + BACKUP_SUFFIX)


def replace_file(
    path: Path,
    write: Callable[[FileIO], None],
    verify: Callable[[Path], None],
    *,
    keep_backup: bool = True,
    replaces: Sequence[FileState | None] | None = None,
) -> FileState | None:
    """Write beside ``path``, bring it to the disk, verify it, keep the old file as backup, then replace.

    Parameters
    ----------
    path : the file to replace or to make; a symbolic link stays one, the file it names is replaced.
    write : writes the new content into the open file.
    keep_backup : whether the file before is kept beside it.
    verify : reads the finished new file and raises if it is not what was meant.
    replaces : the states in which ``path`` may be replaced, None among them if it may be new; any if left out.
        Whoever else replaces files through here waits while that is looked at and done.

    Returns
    -------
    The state of the file that now stands in ``path``.

    Raises
    ------
    ChangedMeanwhileError : it is in none of the states of ``replaces``.
    OSError : and whatever ``write`` and ``verify`` raise; ``path`` is then untouched.
    """
    with replacement(path, verify, keep_backup=keep_backup, replaces=replaces) as made:
        write(made.file)
    return made.state


@dataclass
class Replacement:
    """A new file that is being written; ``state`` is told once it stands in its place."""

    file: FileIO
    state: FileState | None = None


@contextmanager
def replacement(
    path: Path,
    verify: Callable[[Path], None],
    *,
    keep_backup: bool = True,
    replaces: Sequence[FileState | None] | None = None,
) -> Iterator[Replacement]:
    """As `replace_file`, for a file that is written little by little; replaced when the context is left.

    Left by an exception it leaves ``path`` untouched.
    """
    target = path.resolve()
    mode = _mode_of(target)
    _sweep(target)
    part = _part_name(target)
    try:
        with _new_part(part, mode) as file:
            made = Replacement(file)
            yield made
            os.fsync(file.fileno())
        verify(part)
        made.state = state_of(part)
        with _alone_in(target.parent):
            if replaces is not None and state_of(target) not in replaces:
                raise ChangedMeanwhileError
            if mode is not None and keep_backup:
                _keep_backup(target)
            os.replace(part, target)
    except BaseException:
        with contextlib.suppress(OSError):
            part.unlink()
        raise
    _sync_folder(target.parent)


@contextmanager
def _alone_in(folder: Path) -> Iterator[None]:
    """Keep other processes, and threads, from replacing files of ``folder``; a killed one keeps nobody waiting.

    Where a folder cannot be locked, as on some network file systems, this does nothing.
    """
    handle = None if fcntl is None else _open_folder(folder)
    if handle is None:
        yield
        return
    try:
        _lock(handle)
        yield
    finally:
        os.close(handle)


def _lock(handle: int) -> None:
    """Wait for the lock, but not for ever: a program that stands still while it holds it keeps nobody from saving."""
    give_up = time.monotonic() + _LONGEST_WAIT_S
    while True:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() > give_up:
                return
            time.sleep(0.01)
        except OSError as error:
            if error.errno not in _NO_FOLDER_LOCK:
                raise
            return
        else:
            return


def _open_folder(folder: Path) -> int | None:
    """A handle of it; None on systems that do not open folders: there the rename is all that can be done."""
    try:
        return os.open(folder, os.O_RDONLY)
    except PermissionError:
        return None


def _mode_of(target: Path) -> int | None:
    """Permission bits of the file to replace, None if there is none yet."""
    try:
        mode = target.stat().st_mode
    except FileNotFoundError:
        return None
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(target))
    if not stat.S_ISREG(mode) or not os.access(target, os.W_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(target))
    return stat.S_IMODE(mode)


def _part_name(target: Path) -> Path:
    return target.with_name(f".{target.name[:80]}.{secrets.token_hex(6)}{_PART_SUFFIX}")


def _new_part(part: Path, mode: int | None) -> FileIO:
    flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    file = FileIO(os.open(part, flags, 0o666), "r+")
    if mode is not None and hasattr(os, "fchmod"):
        try:
            os.fchmod(file.fileno(), mode)
        except BaseException:
            file.close()
            raise
    return file


def _keep_backup(target: Path) -> None:
    """A second name for the old file; a copy where the file system knows no hard links."""
    part = _part_name(target)
    try:
        try:
            os.link(target, part)
        except (OSError, NotImplementedError):
            shutil.copy2(target, part)
            with part.open("rb+") as file:
                os.fsync(file.fileno())
        os.replace(part, backup_of(target))
    finally:
        with contextlib.suppress(OSError):
            part.unlink()


def _sync_folder(folder: Path) -> None:
    handle = _open_folder(folder)
    if handle is None:
        return
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in _NO_FOLDER_SYNC:
            raise
    finally:
        os.close(handle)


def _sweep(target: Path) -> None:
    """Remove what killed saves of this file left behind; one still being written is younger."""
    oldest = time.time() - _ABANDONED_S
    for part in target.parent.glob(f".{_literal(target.name[:80])}.*{_PART_SUFFIX}"):
        with contextlib.suppress(OSError):
            if part.lstat().st_mtime < oldest:
                part.unlink()


def _literal(name: str) -> str:
    return "".join(f"[{c}]" if c in "*?[" else c for c in name)
