"""Functions that a fresh process can import, for tests of work in other processes."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

LONGEST_WAIT_S = 20.0


def later_tasks_first(number: int, cancelled: Callable[[], bool]) -> tuple[int, int]:
    """The task and the process, after a wait that is longest for task 0."""
    time.sleep(0.1 if number == 0 else 0.0)
    return number, os.getpid()


def until_told_to_stop(folder: Path, cancelled: Callable[[], bool]) -> None:
    """Waits to be cancelled and leaves a file as witness; the first task ends at once."""
    if folder.name == "first":
        return
    (folder / "begun").touch()
    end = time.monotonic() + LONGEST_WAIT_S
    while not cancelled() and time.monotonic() < end:
        time.sleep(0.01)
    (folder / "stopped").write_text(str(cancelled()))


def fail(number: int, cancelled: Callable[[], bool]) -> None:
    raise ValueError(f"task {number}")


def die(number: int, cancelled: Callable[[], bool]) -> None:
    os._exit(1)
