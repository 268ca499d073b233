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
from typing import Any, TypeVar

from dsp.source import Watch

# bytes that tell whose turn it is, and how many of them a pipe surely holds
_TURN = 4
_MOST_TURNS = 1000

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
        and hasattr(os, "memfd_create")
    )


def _forked(work: Callable[[Item], Result], items: Sequence[Item], watch: Watch) -> Iterator[Result]:
    """Items by whoever is free, this process or a child; what the child cannot do is done here."""
    give_back()
    turns, given = os.pipe()
    # a file in memory holds any number of results, which nobody needs to wait for
    into = os.memfd_create("results")
    try:
        # so few that a pipe holds them, and each is read as a whole
        each = -(-len(items) // _MOST_TURNS)
        os.write(given, b"".join(n.to_bytes(_TURN, "little") for n in range(0, len(items), each)))
        os.close(given)
        with warnings.catch_warnings():
            # threads of numpy's own libraries, which see to forks themselves
            warnings.simplefilter("ignore", DeprecationWarning)
            try:
                child = os.fork()
            except OSError:
                # no process or memory left for a second one
                child = None
        if child == 0:
            _work_and_leave(work, items, turns, each, into)
        try:
            done: dict[int, Result] = {}
            watch.at(0.0)
            for number in _taken(turns, each, len(items)):
                done[number] = work(items[number])
                watch.at(len(done) / len(items))
            if child is not None:
                _, failed = os.waitpid(child, 0)
                child = None
                done |= {} if failed else _told(into)
        finally:
            if child is not None:
                os.kill(child, signal.SIGKILL)
                os.waitpid(child, 0)
    finally:
        os.close(turns)
        os.close(into)
    for number, item in enumerate(items):
        yield done[number] if number in done else work(item)


def _taken(turns: int, each: int, count: int) -> Iterator[int]:
    """Numbers of items that are this process's to do, until there are no more."""
    while turn := os.read(turns, _TURN):
        first = int.from_bytes(turn, "little")
        yield from range(first, min(count, first + each))


def _told(results: int) -> dict[int, Any]:
    """What a child wrote."""
    os.lseek(results, 0, os.SEEK_SET)
    out: dict[int, Any] = {}
    with os.fdopen(os.dup(results), "rb") as file:
        try:
            while True:
                out |= pickle.load(file)
        except EOFError:
            return out


def give_back() -> None:
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
    work: Callable[[Item], Result], items: Sequence[Item], turns: int, each: int, results: int
) -> None:
    """In the child: nothing of the parent's (handlers, buffers of its files, exits) is to run here.

    An error ends it without a word; the parent then does the same work, and meets the error itself.
    """
    status = 1
    try:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        with os.fdopen(results, "wb", closefd=False) as file:
            for number in _taken(turns, each, len(items)):
                pickle.dump({number: work(items[number])}, file, pickle.HIGHEST_PROTOCOL)
        status = 0
    finally:
        os._exit(status)
