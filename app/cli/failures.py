"""What an error means to the user: one sentence that names the file, and an exit status."""

from __future__ import annotations

import os
import sys
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from app.cli import status
from app.errors import CancelledError, HalfturnError, UsageError, one_line

DEBUG_VARIABLE = "HALFTURN_DEBUG"

Answer = TypeVar("Answer")


@dataclass(frozen=True)
class Failure:
    text: str
    status: int


def guarded(path: Path, work: Callable[[], Answer]) -> Answer | Failure:
    """``work()``, or why it failed on ``path``; only being cancelled or interrupted comes out."""
    try:
        return work()
    except CancelledError:
        raise
    except Exception as error:
        return failure_of(error, path)


def failure_of(error: Exception, path: Path | None = None) -> Failure:
    """The sentence and the exit status for ``error``; never more than one line."""
    if isinstance(error, UsageError):
        return Failure(_naming(path, error), status.WRONG_USAGE)
    if isinstance(error, HalfturnError):
        return Failure(_naming(path, error), status.UNREADABLE)
    _print_traceback()
    if isinstance(error, OSError):
        file = path or error.filename
        problem = f"{error.strerror or error}; check the file and its permissions"
        text = f"{file}: {problem}" if file else problem
    elif isinstance(error, MemoryError):
        text = f"{path or 'this'}: there is not enough memory; raw binary and WAV are mapped and need less"
    else:
        where = f"{path}: " if path else ""
        text = (
            f"{where}a fault in the program ({type(error).__name__}: {error}); "
            f"set {DEBUG_VARIABLE}=1 to see where"
        )
    return Failure(one_line(text), status.UNREADABLE)


def _naming(path: Path | None, error: HalfturnError) -> str:
    """The error's own sentence, with the file in front unless it names it already."""
    text = str(error)
    return text if path is None or path.name in text else one_line(f"{path}: {text}")


def _print_traceback() -> None:
    if os.environ.get(DEBUG_VARIABLE):
        traceback.print_exc(file=sys.stderr)
