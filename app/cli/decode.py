"""``halfturn decode``: files in; table, JSON, rows or a session out."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path

from app.cli import status
from app.cli.arguments import read_options
from app.cli.batch import FileReport, FileTask, decode_files, each_capture, worker_count
from app.cli.collected import Collected
from app.cli.failures import Failure, guarded
from app.cli.output import STANDARD_OUTPUT, check_targets, write_pieces
from app.cli.parts import folder_for, make_folder, part_of, remove_folder, remove_if_empty
from app.cli.progress import ProgressLine
from app.cli.settings_file import settings_of
from app.cli.tables import decode_text
from app.errors import SessionError, UsageError
from app.files.inputs import by_hand, file_of
from app.jobs.verify_words import counted
from app.version import program_version


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
    parts: list[Path] = field(default_factory=list)
    unkept: int = 0
    single: FileReport | None = None
    any_done: bool = False

    def add(self, report: FileReport) -> None:
        self.statuses.append(report.status)
        self.any_done |= report.outcome is not None
        if report.part is not None:
            self.parts.append(report.part)
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
    try:
        _decode_and_tell(tasks, workers, given, collected, told)
    except KeyboardInterrupt:
        if told.parts:
            sys.stderr.write(
                f"halfturn: {len(told.parts)} of {len(tasks)} files are done and kept in "
                f"{folder_for(given.session)}; the same command goes on from there\n"
            )
        raise
    worst = max(told.statuses)
    if told.any_done or worst != status.WRONG_USAGE:
        if given.json is not None:
            write_pieces(given.json, collected.json_pieces(program_version()))
        if given.csv is not None:
            write_pieces(given.csv, collected.csv_pieces())
    if given.session is not None:
        _save(given.session, told, link=given.link)
    return worst


def _save(session: Path, told: _Told, *, link: bool) -> None:
    """The session of one capture, or of all parts, whose folder then goes."""
    # h5py is needed here only, and takes a tenth of a second to import
    if told.single is not None:
        from app.cli.saving import save

        save(session, [told.single], link=link)
    elif told.unkept:
        remove_if_empty(session)
        raise UsageError(
            f"{session}: the session was not saved: {told.unkept} of its files could not be kept beside it; free space, "
            "and the same command goes on with what is there"
        )
    elif told.parts:
        from app.files.session_join import join_sessions

        try:
            with ProgressLine("putting the session together") as progress:
                join_sessions(session, told.parts, progress=progress)
        except SessionError as error:
            # nothing is wrong with the input; another place has to be named
            raise UsageError(str(error)) from error
    remove_folder(session)


def _decode_and_tell(
    tasks: Sequence[FileTask], workers: int, given: argparse.Namespace, collected: Collected, told: _Told
) -> None:
    """Every report, told as it comes: the table on standard output, what went wrong on standard error."""
    quiet = STANDARD_OUTPUT in (given.json, given.csv)
    with ProgressLine("decoding") as progress, closing(decode_files(tasks, workers, progress)) as running:
        for report in running:
            told.add(report)
            collected.add(report)
            progress.clear()
            if report.outcome is not None and not quiet:
                sys.stdout.write(decode_text(str(report.path), report.outcome))
                sys.stdout.write("\n" if len(told.statuses) < len(tasks) else "")
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
