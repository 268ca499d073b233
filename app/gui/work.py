"""Long work off the window's thread: a pure call goes out, its answer comes back with the same number.

The calls run in a small pool of threads and touch nothing of the window. Each report travels through one
queued signal to a slot of a QObject of the window's thread, so that every callback given here runs there.
An answer whose number is no longer known (cancelled, or overtaken by newer work on the same topic) is
dropped.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import count
from typing import Any, Literal

from PySide6.QtCore import QObject, Qt, Signal, Slot

from app.errors import CancelledError

Call = Callable[[Callable[[float], None], Callable[[], bool]], Any]
"""The work: called with ``progress(fraction)`` and ``cancelled()``, gives its answer or raises."""

_REPORT_EVERY_S = 0.05


@dataclass(frozen=True)
class Job:
    """Work under way."""

    number: int
    title: str
    topic: str | None
    on_done: Callable[[Any], None]
    on_failed: Callable[[BaseException], None]
    stop: threading.Event = field(default_factory=threading.Event)


@dataclass(frozen=True)
class _Report:
    number: int
    what: Literal["progress", "done", "failed", "stopped"]
    value: Any = None


class JobRunner(QObject):
    """Starts work, and tells what is under way.

    ``changed`` is emitted when work starts, ends or gets on; `current` says what to show.
    """

    changed = Signal()
    _reported = Signal(object)

    def __init__(self, parent: QObject | None = None, *, threads: int = 2) -> None:
        super().__init__(parent)
        self._pool = ThreadPoolExecutor(threads, thread_name_prefix="halfturn-work")
        self._numbers = count(1)
        self._jobs: dict[int, Job] = {}
        self._done: dict[int, float] = {}
        self._reported.connect(self._receive, Qt.ConnectionType.QueuedConnection)

    def start(
        self,
        title: str,
        call: Call,
        on_done: Callable[[Any], None],
        on_failed: Callable[[BaseException], None],
        *,
        topic: str | None = None,
    ) -> int:
        """Run ``call`` in another thread; newer work on the same ``topic`` overtakes older.

        Raises
        ------
        RuntimeError : the runner has been closed.
        """
        if topic is not None:
            for old in [job for job in self._jobs.values() if job.topic == topic]:
                self._drop(old)
        job = Job(next(self._numbers), title, topic, on_done, on_failed)
        self._jobs[job.number] = job
        self._pool.submit(self._run, job, call)
        self.changed.emit()
        return job.number

    def cancel(self) -> None:
        """Stop all work; its answers will not come."""
        for job in list(self._jobs.values()):
            self._drop(job)
        self.changed.emit()

    def current(self) -> tuple[Job, float | None] | None:
        """The oldest work under way, and the fraction of it that is done, None while unknown."""
        for job in self._jobs.values():
            return job, self._done.get(job.number)
        return None

    @property
    def waiting(self) -> int:
        """How many pieces of work are under way."""
        return len(self._jobs)

    def is_busy(self, topic: str) -> bool:
        return any(job.topic == topic for job in self._jobs.values())

    def close(self) -> None:
        """Cancel everything, wait until no thread is left."""
        for job in list(self._jobs.values()):
            self._drop(job)
        self._pool.shutdown(wait=True, cancel_futures=True)
        self.changed.emit()

    def _drop(self, job: Job) -> None:
        job.stop.set()
        self._jobs.pop(job.number, None)
        self._done.pop(job.number, None)

    def _run(self, job: Job, call: Call) -> None:
        """In a thread of the pool: nothing here may touch the window."""
        last = 0.0

        def progress(fraction: float) -> None:
            nonlocal last
            now = time.monotonic()
            if now - last >= _REPORT_EVERY_S:
                last = now
                self._reported.emit(_Report(job.number, "progress", fraction))

        if job.stop.is_set():
            return
        try:
            answer = call(progress, job.stop.is_set)
        except CancelledError:
            self._reported.emit(_Report(job.number, "stopped"))
        except BaseException as error:
            self._reported.emit(_Report(job.number, "failed", error))
        else:
            self._reported.emit(_Report(job.number, "done", answer))

    @Slot(object)
    def _receive(self, report: _Report) -> None:
        job = self._jobs.get(report.number)
        if job is None:
            return
        if report.what == "progress":
            self._done[job.number] = report.value
            self.changed.emit()
            return
        self._jobs.pop(job.number)
        self._done.pop(job.number, None)
        self.changed.emit()
        if report.what == "done":
            job.on_done(report.value)
        elif report.what == "failed":
            job.on_failed(report.value)
