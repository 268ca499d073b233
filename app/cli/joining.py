"""Many results into one session, put together while files are still being decoded."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from app.cli.batch import FileReport
from app.cli.progress import ProgressLine
from app.errors import SessionError, UsageError
from app.jobs.pool import Workers

if TYPE_CHECKING:
    from app.files.session_join import CheckTask, Joining


class NothingToJoinError(Exception):
    """No file gave anything; the session is not made, and what stood there stays."""


@contextmanager
def joining(session: Path, pool: Workers | None) -> Iterator[Joining]:
    """A session that reports are added to; what was written is read back by ``pool`` if there is one.

    Raises
    ------
    app.errors.UsageError : it cannot be written; nothing is wrong with the input, another place has to be named.
    """
    from app.files.session_join import check_range, joined_session

    def check(tasks: Sequence[CheckTask]) -> Iterator[str | None]:
        done = 0
        if pool is not None and len(tasks) > 1:
            try:
                for answer in pool.map(check_range, tasks):
                    done += 1
                    yield answer
            except BrokenProcessPool:
                pass  # this process does the rest
        yield from map(check_range, tasks[done:])

    with ProgressLine("reading the session back") as progress:
        try:
            with joined_session(session, check=check, progress=progress) as made:
                yield made
        except SessionError as error:
            raise UsageError(str(error)) from error


def add_report(made: Joining, report: FileReport) -> None:
    """What was kept of one file."""
    if report.part is not None and report.summed is not None:
        made.add(report.part, report.summed)
