"""What a command line names as input: a capture, a session, or one capture of a session.

``greenhouse.h5#2`` is the third capture of a session, as the results name it. A session of one capture is
named by its path alone.
"""

from __future__ import annotations

import os
import re
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from app.errors import SessionError, UsageError
from app.files.capture_options import Cancelled, Progress, ReadOptions
from app.files.captures import open_capture
from app.model.capture import Capture, NamedSpan

if TYPE_CHECKING:
    from app.model.items import SessionData

_SIGNATURE = b"\x89HDF\r\n\x1a\n"
_MEMBER = re.compile(r"(?P<path>.+)#(?P<number>\d{1,6})", re.DOTALL)


def is_session_file(path: Path) -> bool:
    """Whether ``path`` is to be opened as a session; loads the HDF5 library only for an HDF5 file."""
    try:
        with path.open("rb") as file:
            if file.read(len(_SIGNATURE)) != _SIGNATURE:
                return False
    except (OSError, ValueError):
        return False
    from app.files.session import is_session

    return is_session(path)


def session_of(path: Path) -> SessionData:
    """The session in ``path``; the one read last is kept, as its captures are asked for one after the other.

    Raises
    ------
    app.errors.SessionError : it cannot be read.
    """
    try:
        status = path.stat()
    except OSError:
        return _read(path, (0, 0, 0))
    return _read(path, (status.st_ino, status.st_mtime_ns, status.st_size))


def captures_in(path: Path) -> list[Path]:
    """Names of the captures in a session of several, else the path itself.

    Raises
    ------
    app.errors.SessionError : a session that cannot be read.
    """
    if not is_session_file(path):
        return [path]
    count = len(session_of(path).captures)
    return [path] if count == 1 else [Path(f"{path}#{n}") for n in range(count)]


def file_of(path: Path) -> Path:
    """The file that holds what ``path`` names."""
    return _member(path)[0]


def open_input(
    path: Path,
    options: ReadOptions,
    *,
    progress: Progress | None = None,
    cancelled: Cancelled | None = None,
) -> Capture:
    """The capture that ``path`` names, from a file of its own or from a session.

    Raises
    ------
    app.errors.CaptureError, app.errors.SessionError : it cannot be read.
    app.errors.UsageError : reading options for a session, or a session of which one capture is to be named.
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    file, number = _member(path)
    if not is_session_file(file):
        return open_capture(path, options, progress=progress, cancelled=cancelled)
    if options != ReadOptions():
        raise UsageError(
            f"{path}: a session tells rate, type and scale of its samples itself; leave out the options for reading"
        )
    captures = session_of(file).captures
    if not captures:
        raise SessionError(f"{path}: the session holds no captures; give one that does")
    if number is None and len(captures) == 1:
        number = 0
    if number is None or number >= len(captures):
        last = f"{file}#{len(captures) - 1}"
        raise UsageError(
            f"{path}: the session holds {len(captures)} captures; name one of them, {file}#0 to {last}"
        )
    # what the user marked in the session counts with what the capture's file said
    marked = [NamedSpan(s.name, s.start_s, s.end_s) for s in session_of(file).spans if s.capture == number]
    return replace(captures[number], spans=(*captures[number].spans, *marked))


def by_hand(path: Path) -> tuple[int, int]:
    """How many flips were set or taken out by hand, and how many bursts left out, on the capture that ``path`` names.

    Raises
    ------
    app.errors.SessionError : a session that cannot be read.
    """
    file, number = _member(path)
    if not is_session_file(file):
        return 0, 0
    data, at = session_of(file), number or 0
    left_out = sum(one.excluded for one in data.burst_marks if one.capture == at)
    return sum(one.capture == at for one in data.flips), left_out


def _member(path: Path) -> tuple[Path, int | None]:
    if not os.path.exists(path):
        match = _MEMBER.fullmatch(str(path))
        if match is not None and os.path.isfile(match["path"]):
            return Path(match["path"]), int(match["number"])
    return path, None


@lru_cache(maxsize=1)
def _read(path: Path, _state: tuple[int, int, int]) -> SessionData:
    from app.files.session import read_session

    return read_session(path)
