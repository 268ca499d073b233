"""Decode several files, each apart from the others: what fails on one is told and the rest goes on."""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from app.cli import status
from app.cli.failures import Failure, guarded
from app.cli.parts import keep, kept
from app.errors import SessionError, one_line
from app.files.capture_options import ReadOptions
from app.files.inputs import captures_in, file_of, open_input
from app.files.look_over import looked_over
from app.jobs.decoding import DecodeOutcome, DecodeRequest, run_decode
from app.jobs.digest import file_sha256
from app.jobs.pool import Workers, usable_processors
from app.jobs.spans import SpanLimits
from app.model.capture import Capture
from dsp.results import DecodeSettings

if TYPE_CHECKING:
    from app.files.session_join import PartSum

Progress = Callable[[float], None]
Cancelled = Callable[[], bool]

# below this much input the start of worker processes takes longer than the work
_WORTH_A_POOL_BYTES = 20_000_000
# of the work on one file, as the progress line counts it
_READING_SHARE = 0.2


@dataclass(frozen=True)
class FileTask:
    """One file and what is asked of it; small enough to be sent to another process.

    With ``part`` the result is kept there, and taken from there if it was kept before; with ``link`` without samples.
    """

    path: Path
    read: ReadOptions = field(default_factory=ReadOptions)
    channel: str | None = None
    span_s: SpanLimits | None = None
    settings: DecodeSettings = field(default_factory=DecodeSettings)
    timebase_ppm: float | None = None
    gain_percent: float | None = None
    hash_wanted: bool = False
    keep_capture: bool = False
    part: Path | None = None
    link: bool = False


@dataclass(frozen=True, eq=False)
class FileReport:
    """What became of one file: an outcome, or an error and the exit status that goes with it.

    ``part`` is where capture and result are kept until the session is put together, ``summed`` what it holds.
    """

    path: Path
    outcome: DecodeOutcome | None = None
    sha256: str | None = None
    error: str | None = None
    status: int = status.DONE
    capture: Capture | None = None
    part: Path | None = None
    summed: PartSum | None = None


def open_told(
    path: Path,
    read: ReadOptions,
    timebase_ppm: float | None = None,
    gain_percent: float | None = None,
    progress: Progress | None = None,
    cancelled: Cancelled | None = None,
    *,
    whole: bool = False,
) -> Capture:
    """Open a capture, maybe one of a session, and put down what is stated about its instrument.

    ``whole``: every sample is looked at for what is to be warned of, however many there are.

    Raises
    ------
    app.errors.CaptureError, app.errors.SessionError : the file cannot be read.
    app.errors.UsageError : a session of several captures of which none is named.
    """
    capture = open_input(path, read, progress=progress, cancelled=cancelled)
    if whole:
        capture = looked_over(capture, progress, cancelled)
    if timebase_ppm is not None:
        capture = replace(capture, timebase_ppm=timebase_ppm)
    if gain_percent is not None:
        capture = replace(capture, gain_percent=gain_percent)
    return capture


def each_capture(paths: Sequence[Path]) -> list[Path]:
    """``paths`` with the captures of a session of several in the place of the session.

    One that cannot be read stays as it is, so that the failure is told where it is worked on.
    """
    out: list[Path] = []
    for path in paths:
        found = guarded(path, partial(captures_in, path))
        out += [path] if isinstance(found, Failure) else found
    return out


def decode_file(task: FileTask, cancelled: Cancelled, progress: Progress | None = None) -> FileReport:
    """Open and decode one file; every failure but being cancelled comes back in the report."""
    answer = guarded(task.path, lambda: _decode_file(task, cancelled, progress))
    if isinstance(answer, Failure):
        return FileReport(task.path, error=answer.text, status=answer.status)
    return answer


def worker_count(asked: int | None, tasks: Sequence[FileTask]) -> int:
    """How many processes to use; 1 is this one."""
    most = min(asked or usable_processors(), len(tasks))
    if asked is not None or most < 2:
        return most
    size = sum(path.stat().st_size for path in {file_of(task.path) for task in tasks} if os.path.isfile(path))
    return most if size >= _WORTH_A_POOL_BYTES else 1


def decode_files(
    tasks: Sequence[FileTask], pool: Workers | None, progress: Progress | None = None
) -> Generator[FileReport, None, None]:
    """Reports in the order of the tasks, each as soon as it and those before it are done; by ``pool`` if there is one."""
    if pool is not None:
        yield from _in_processes(tasks, pool, progress)
        return
    for number, task in enumerate(tasks):
        step = None if progress is None else _share(progress, number / len(tasks), (number + 1) / len(tasks))
        yield decode_file(task, _never, step)


def _decode_file(task: FileTask, cancelled: Cancelled, progress: Progress | None) -> FileReport:
    known = kept(task.part) if task.part is not None else None
    if known is not None:
        capture, outcome, summed = known
        found = status.DONE if outcome.result.bursts else status.NOTHING_FOUND
        return FileReport(task.path, outcome, capture.sha256, status=found, part=task.part, summed=summed)
    reading = None if progress is None else _share(progress, 0.0, _READING_SHARE)
    decoding = None if progress is None else _share(progress, _READING_SHARE, 1.0)
    stated = task.timebase_ppm, task.gain_percent
    capture = open_told(task.path, task.read, *stated, reading, cancelled, whole=task.span_s is None)
    request = DecodeRequest(capture, task.channel, task.span_s, task.settings, task.hash_wanted)
    outcome = run_decode(request, decoding, cancelled)
    sha256 = file_sha256(file_of(task.path), cancelled) if task.hash_wanted else None
    found = status.DONE if outcome.result.bursts else status.NOTHING_FOUND
    if task.part is not None:
        try:
            summed = keep(task.part, replace(capture, sha256=sha256), outcome, link=task.link)
        except SessionError as error:
            # what was found is told all the same
            reason = str(error).removeprefix(f"{task.part}: the session was not saved: ")
            text = one_line(
                f"{task.path}: what was found in it could not be kept beside the session: {reason}"
            )
            return FileReport(task.path, outcome, sha256, error=text, status=status.WRONG_USAGE)
        return FileReport(task.path, outcome, sha256, status=found, part=task.part, summed=summed)
    whole = replace(capture, sha256=sha256) if task.keep_capture else None
    return FileReport(task.path, outcome, sha256, status=found, capture=whole)


def _in_processes(
    tasks: Sequence[FileTask], pool: Workers, progress: Progress | None
) -> Iterator[FileReport]:
    done = 0
    try:
        for report in pool.map(decode_file, tasks):
            done += 1
            if progress is not None:
                progress(done / len(tasks))
            yield report
    except BrokenProcessPool:
        for task in tasks[done:]:
            text = f"{task.path}: a decoding process ended by itself; try again with --jobs 1"
            yield FileReport(task.path, error=one_line(text), status=status.UNREADABLE)


def _share(progress: Progress, begin: float, end: float) -> Progress:
    """Progress of a part that runs from ``begin`` to ``end`` of the whole."""
    return lambda fraction: progress(begin + fraction * (end - begin))


def _never() -> bool:
    return False
