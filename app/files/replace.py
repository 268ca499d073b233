"""Put a new file in the place of an old one so that at any instant one of the two is whole."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import shutil
import stat
import time
from collections.abc import Callable
from io import FileIO
from pathlib import Path

BACKUP_SUFFIX = ".bak"
_PART_SUFFIX = ".part"
_ABANDONED_S = 3600.0
_NO_FOLDER_SYNC = {errno.EINVAL, errno.ENOTSUP, errno.EACCES, errno.EPERM}


def backup_of(path: Path) -> Path:
    """Where the version before the present one is kept."""
    return path.with_name(path.name + BACKUP_SUFFIX)


def replace_file(
    path: Path, write: Callable[[FileIO], None], verify: Callable[[Path], None], *, keep_backup: bool = True
) -> None:
    """Write beside ``path``, bring it to the disk, verify it, keep the old file as backup, then replace.

    Parameters
    ----------
    path : the file to replace or to make; a symbolic link stays one, the file it names is replaced.
    write : writes the new content into the open file.
    keep_backup : whether the file before is kept beside it.
    verify : reads the finished new file and raises if it is not what was meant.

    Raises
    ------
    OSError : and whatever ``write`` and ``verify`` raise; ``path`` is then untouched.
    """
    target = path.resolve()
    mode = _mode_of(target)
    _sweep(target)
    part = _part_name(target)
    try:
        _write_part(part, mode, write)
        verify(part)
        if mode is not None and keep_backup:
            _keep_backup(target)
        os.replace(part, target)
    except BaseException:
        with contextlib.suppress(OSError):
            part.unlink()
        raise
    _sync_folder(target.parent)


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


def _write_part(part: Path, mode: int | None, write: Callable[[FileIO], None]) -> None:
    flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    with FileIO(os.open(part, flags, 0o666), "r+") as file:
        if mode is not None and hasattr(os, "fchmod"):
            os.fchmod(file.fileno(), mode)
        write(file)
        os.fsync(file.fileno())


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
    try:
        handle = os.open(folder, os.O_RDONLY)
    except PermissionError:
        return  # some systems do not open folders; there the rename is all that can be done
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
