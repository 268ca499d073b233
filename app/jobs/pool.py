"""The same function over several tasks in worker processes, results in the order of the tasks.

Workers are spawned, not forked: HDF5 and window libraries do not survive a fork. So the function must be
importable and tasks must be small: paths and settings, never samples.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
import warnings
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing.synchronize import Event
from typing import TypeVar

Task = TypeVar("Task")
Result = TypeVar("Result")
Cancelled = Callable[[], bool]

_IN_ADVANCE = 8

_stop: Event | None = None
"""Set once in each worker as it starts; the parent's way to ask it to stop."""


def usable_processors() -> int:
    """Processors that this process may run on."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def run_in_processes(
    function: Callable[[Task, Cancelled], Result], tasks: Sequence[Task], workers: int
) -> Iterator[Result]:
    """Yield ``function(task, cancelled)`` for each task, in order, while later ones are still worked on.

    Leaving the iteration early, by an interrupt too, asks the workers to stop and waits until they have.

    Raises
    ------
    concurrent.futures.process.BrokenProcessPool : a worker ended by itself, for lack of memory for example.
    """
    with Workers(workers) as pool:
        yield from pool.map(function, tasks)


class Workers:
    """Worker processes that are given one list of tasks after another; a context.

    Leaving it, by an interrupt too, asks them to stop and waits until they have.
    """

    def __init__(self, count: int) -> None:
        context = multiprocessing.get_context("spawn")
        self.count = count
        self._stop = context.Event()
        self._executor = ProcessPoolExecutor(
            count, context, initializer=_start_worker, initargs=(self._stop,)
        )

    def __enter__(self) -> Workers:
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._executor.shutdown(wait=True, cancel_futures=True)

    def map(
        self, function: Callable[[Task, Cancelled], Result], tasks: Iterable[Task]
    ) -> Generator[Result, None, None]:
        """Yield ``function(task, cancelled)`` for each task, in order, while later ones are still worked on.

        Raises
        ------
        concurrent.futures.process.BrokenProcessPool : a worker ended by itself, for lack of memory for example.
        """
        waiting: deque[Future[Result]] = deque()
        try:
            for task in tasks:
                # a few in advance keep the workers busy; the results of thousands would fill the memory
                if len(waiting) >= _IN_ADVANCE * self.count:
                    yield waiting.popleft().result()
                with _interrupts_later():
                    waiting.append(self._executor.submit(_call, function, task))
            while waiting:
                yield waiting.popleft().result()
        finally:
            for one in waiting:
                one.cancel()


@contextmanager
def _interrupts_later() -> Iterator[None]:
    """Workers started meanwhile do not see an interrupt until they ignore it; this process sees it afterwards.

    The terminal interrupts all processes of a group, and one that is just starting would break the pool.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _start_worker(stop: Event) -> None:
    global _stop  # noqa: PLW0603 - a worker gets it in no other way
    _stop = stop
    # an interrupt from the keyboard reaches the whole group; the parent alone answers it
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if not sys.warnoptions:
        warnings.simplefilter("ignore")
    threading.Thread(target=_leave_with_parent, daemon=True).start()


def _leave_with_parent() -> None:
    """A parent that was killed asks nobody to stop; its workers would wait for tasks for ever."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _call(function: Callable[[Task, Cancelled], Result], task: Task) -> Result:
    return function(task, _asked_to_stop)


def _asked_to_stop() -> bool:
    return _stop is not None and _stop.is_set()
