"""Errors whose text a user can act on, each one sentence on one line.

HalfturnError
├── CaptureError    a capture file cannot be read; names file, place and remedy
├── UsageError      what was asked for cannot be done: option, expression, span
└── SessionError    a session file cannot be read or written
    ├── MissingLinkError    a capture that it links to is not there or another
    ├── DamagedSessionError    bytes of it are lost or changed
    └── ChangedSessionError    somebody else has saved it since it was looked at

CancelledError is the one of ``dsp`` and stands apart: it is an answer to the user, not a failure.
"""

from __future__ import annotations

import os

from dsp.errors import CancelledError

__all__ = [
    "CancelledError",
    "CaptureError",
    "ChangedSessionError",
    "DamagedSessionError",
    "HalfturnError",
    "MissingLinkError",
    "SessionError",
    "UsageError",
    "one_line",
]


def one_line(text: object) -> str:
    """``text`` with line ends and other control characters shown as blanks."""
    return " ".join("".join(c if c.isprintable() else " " for c in str(text)).split())


class HalfturnError(Exception):
    """Base of every error shown to the user as it stands."""

    def __init__(self, message: str) -> None:
        super().__init__(message)

    def __str__(self) -> str:
        return one_line(self.args[0])


class CaptureError(HalfturnError):
    """A capture file that cannot be read: what is wrong, where, and what would help.

    ``place`` is a row, byte or field of the file, or empty when it is the file as a whole.
    """

    def __init__(self, file: str | os.PathLike[str], place: str, problem: str, remedy: str) -> None:
        # all four stay in args, so that the error survives the way back from a worker process
        Exception.__init__(self, file, place, problem, remedy)
        self.file = os.fspath(file)
        self.place = place
        self.problem = problem
        self.remedy = remedy

    def __str__(self) -> str:
        where = f"{self.file}, {self.place}" if self.place else self.file
        return one_line(f"{where}: {self.problem}; {self.remedy}")


class UsageError(HalfturnError):
    """What was asked for cannot be done; says what can."""


class SessionError(HalfturnError):
    """A session file that cannot be read or written; the message names the file and the remedy."""


class MissingLinkError(SessionError):
    """A file that a session links to is not there or has changed; ``name`` is what it was called."""

    def __init__(self, message: str, name: str) -> None:
        Exception.__init__(self, message, name)
        self.name = name


class ChangedSessionError(SessionError):
    """A session was not saved, since another window or program has saved it meanwhile."""


class DamagedSessionError(SessionError):
    """Bytes of a session file are lost or changed, so that it was whole once."""
