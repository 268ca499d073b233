"""Work on many items by two processors, results in the order of the items.

Short calls into numpy give up and take back the interpreter's lock so often that two threads of them get no further
than one. A forked process shares what is in memory and has an interpreter of its own; it is made only
where nothing can go wrong with it: no other thread may hold a lock, and samples must be plain memory or a map,
since an open file would have one place for both.
"""

from __future__ import annotations

import os
import pickle
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar

from dsp.source import Watch

Item = TypeVar("Item")
Result = TypeVar("Result")


def in_halves(
    work: Callable[[Item], Result], items: Sequence[Item], shareable: bool, watch: Watch
) -> Iterator[Result]:
    """``work(item)`` of each item, told to ``watch`` as they get done; what that raises ends the work.

    ``shareable`` says that ``work`` reads nothing but memory and maps.
    """
    if len(items) > 1 and shareable and _may_fork():
        yield from _forked(work, items, watch)
        return
    for number, item in enumerate(items):
        watch.at(number / len(items))
        yield work(item)


def _may_fork() -> bool:
    """Whether a child would find every lock open: on Linux, with a second processor and no second thread."""
    return (
        sys.platform == "linux"
        and threading.current_thread() is threading.main_thread()
        and threading.active_count() == 1
        and len(os.sched_getaffinity(0)) > 1
    )


def _forked(work: Callable[[Item], Result], items: Sequence[Item], watch: Watch) -> Iterator[Result]:
    """Every second item in a child; what the child cannot do is done here."""
    mine, theirs = items[::2], items[1::2]
    _give_back()
    reading, writing = os.pipe()
    try:
        with warnings.catch_warnings():
            # threads of numpy's own libraries, which see to forks themselves
            warnings.simplefilter("ignore", DeprecationWarning)
            child = os.fork()
    except OSError:
        # no process or memory left for a second one
        os.close(reading)
        os.close(writing)
        for number, item in enumerate(items):
            yield work(item)
            watch.at(number / len(items))
        return
    if child == 0:
        _work_and_leave(work, theirs, reading, writing)
    os.close(writing)
    try:
        with os.fdopen(reading, "rb") as pipe:
            done = []
            for number, item in enumerate(mine):
                done.append(work(item))
                watch.at(number / len(mine))
            try:
                others = pickle.load(pipe)
            except (EOFError, pickle.UnpicklingError):
                others = [work(item) for item in theirs]
    finally:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
    for number in range(len(items)):
        yield others[number // 2] if number % 2 else done[number // 2]


def _give_back() -> None:
    """Return memory that is free to the system, where the C library can (glibc).

    What it keeps for later, a hundred megabytes after some large arrays, a child would keep as well, and writing to it
    would copy it page by page.
    """
    import ctypes

    try:
        trim = ctypes.CDLL(None).malloc_trim
    except (OSError, AttributeError):
        return
    trim(0)


def _work_and_leave(
    work: Callable[[Item], Result], items: Sequence[Item], reading: int, writing: int
) -> None:
    """In the child: nothing of the parent's (handlers, buffers of its files, exits) is to run here.

    An error ends it without a word; the parent then does the same work, and meets the error itself.
    """
    status = 1
    try:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        os.close(reading)
        result = pickle.dumps([work(item) for item in items], pickle.HIGHEST_PROTOCOL)
        with os.fdopen(writing, "wb") as pipe:
            pipe.write(result)
        status = 0
    finally:
        os._exit(status)
