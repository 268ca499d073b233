"""``halfturn decode``: files in; table, JSON, rows or a session out."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from app.cli import status
from app.cli.arguments import read_options
from app.cli.batch import FileReport, FileTask, decode_files, each_capture, worker_count
from app.cli.collected import Collected
from app.cli.failures import Failure, guarded
from app.cli.joining import NothingToJoinError, add_report, joining
from app.cli.output import STANDARD_OUTPUT, check_targets, say, write_pieces
from app.cli.parts import folder_for, make_folder, part_of, remove_folder, remove_if_empty
from app.cli.progress import ProgressLine
from app.cli.settings_file import settings_of
from app.cli.tables import decode_text
from app.errors import UsageError
from app.files.inputs import by_hand, file_of
from app.jobs.pool import Workers
from app.jobs.verify_words import counted
from app.version import program_version

if TYPE_CHECKING:
    from app.files.session_join import Joining


def run(given: argparse.Namespace) -> int:
    """Decode what `app.cli.parser` took in; the exit status is the highest of all files.

    Raises
    ------
    app.errors.UsageError : settings that contradict each other, or a place that cannot be written to.
    """
    settings, timebase_ppm, gain_percent = settings_of(given)
    reading = read_options(given)
    paths = each_capture(given.files)
    for path in paths:
        _tell_of_hand(path)
    tasks = [
        FileTask(
            path,
            reading,
            given.channel,
            given.span,
            settings,
            timebase_ppm,
            gain_percent,
            hash_wanted=given.hash or given.session is not None,
            keep_capture=given.session is not None,
            link=given.link,
        )
        for path in paths
    ]
    return run_tasks(tasks, given, given.jobs)


def _tell_of_hand(path: Path) -> None:
    """A session is decoded anew from its samples; what was said by hand in it stands elsewhere."""
    found = guarded(path, lambda: by_hand(path))
    if isinstance(found, Failure) or not any(found):
        return  # what is wrong with it is told when it is decoded
    flips, left_out = found
    said = [f"{counted(flips, 'flip')} set or taken out"] if flips else []
    said += [f"{counted(left_out, 'burst')} left out"] if left_out else []
    sys.stderr.write(
        f"halfturn: {path}: decoded anew from its samples, without what was done by hand in the session "
        f"({' and '.join(said)}); 'halfturn export --what bits' gives that\n"
    )


@dataclass
class _Told:
    """What is kept of the reports once they have been told."""

    statuses: list[int] = field(default_factory=list)
    kept: int = 0
    unkept: int = 0
    single: FileReport | None = None
    any_done: bool = False

    def add(self, report: FileReport) -> None:
        self.statuses.append(report.status)
        self.any_done |= report.outcome is not None
        if report.part is not None:
            self.kept += 1
        elif report.outcome is not None and report.error is not None:
            self.unkept += 1
        if report.capture is not None:
            self.single = report


def run_tasks(tasks: Sequence[FileTask], given: argparse.Namespace, jobs: int | None = 1) -> int:
    """Do the tasks, print and write as ``given`` asks (json, csv, session)."""
    if given.link and given.session is None:
        raise UsageError("--link says how a session keeps its captures; name one with --session PATH")
    check_targets([given.json, given.csv, given.session], [file_of(task.path) for task in tasks])
    if given.session is not None and len(tasks) > 1:
        folder = make_folder(given.session)
        tasks = [replace(task, part=part_of(folder, task)) for task in tasks]
        before = sum(task.part is not None and task.part.is_file() for task in tasks)
        if before:
            sys.stderr.write(
                f"halfturn: {before} of {len(tasks)} files were decoded before and are taken over\n"
            )
    workers = worker_count(jobs, tasks)
    with Collected(json=given.json is not None, csv=given.csv is not None) as collected:
        return _work(tasks, workers, given, collected)


def _work(tasks: Sequence[FileTask], workers: int, given: argparse.Namespace, collected: Collected) -> int:
    told = _Told()
    with suppress(NothingToJoinError), ExitStack() as stack:
        pool = stack.enter_context(Workers(workers)) if workers > 1 else None
        is_joined = given.session is not None and len(tasks) > 1
        made = stack.enter_context(joining(given.session, pool)) if is_joined else None
        try:
            _decode_and_tell(tasks, pool, given, collected, told, made)
        except KeyboardInterrupt:
            if told.kept:
                sys.stderr.write(
                    f"halfturn: {told.kept} of {len(tasks)} files are done and kept in "
                    f"{folder_for(given.session)}; the same command goes on from there\n"
                )
            raise
        if told.any_done or max(told.statuses) != status.WRONG_USAGE:
            if given.json is not None:
                write_pieces(given.json, collected.json_pieces(program_version()))
            if given.csv is not None:
                write_pieces(given.csv, collected.csv_pieces())
        if is_joined:
            _check_joined(given.session, told)
        elif told.single is not None and given.session is not None:
            # h5py is needed here only, and takes a tenth of a second to import
            from app.cli.saving import save

            save(given.session, [told.single], link=given.link)
    if given.session is not None:
        remove_folder(given.session)
    return max(told.statuses)


def _check_joined(session: Path, told: _Told) -> None:
    """Whether there is a session to be made of all that was kept."""
    if told.unkept:
        remove_if_empty(session)
        raise UsageError(
            f"{session}: the session was not saved: {told.unkept} of its files could not be kept beside it; free space, "
            "and the same command goes on with what is there"
        )
    if not told.kept:
        raise NothingToJoinError


def _decode_and_tell(
    tasks: Sequence[FileTask],
    pool: Workers | None,
    given: argparse.Namespace,
    collected: Collected,
    told: _Told,
    made: Joining | None,
) -> None:
    """Every report, told as it comes: the table on standard output, what went wrong on standard error."""
    quiet = STANDARD_OUTPUT in (given.json, given.csv)
    with ProgressLine("decoding") as progress, closing(decode_files(tasks, pool, progress)) as running:
        for report in running:
            told.add(report)
            collected.add(report)
            if made is not None:
                add_report(made, report)
            progress.clear()
            if report.outcome is not None and not quiet:
                say(decode_text(str(report.path), report.outcome))
                say("\n" if len(told.statuses) < len(tasks) else "")
                sys.stdout.flush()
            problem = report.error or _why_nothing(report)
            if problem:
                sys.stderr.write(f"halfturn: {problem}\n")


def _why_nothing(report: FileReport) -> str | None:
    if report.outcome is None or report.outcome.result.bursts:
        return None
    result = report.outcome.result
    reasons = "; ".join(result.signalling.reasons) or f"signalling: {result.signalling.kind}"
    return f"{report.path}: nothing found: {result.refusal.text if result.refusal else reasons}"
