"""``halfturn decode``: files in; table, JSON, rows or a session out."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from contextlib import closing

from app.cli import status
from app.cli.arguments import read_options
from app.cli.batch import FileReport, FileTask, decode_files, each_capture, worker_count
from app.cli.output import STANDARD_OUTPUT, check_targets, write_text
from app.cli.progress import ProgressLine
from app.cli.settings_file import settings_of
from app.cli.tables import decode_rows, decode_text
from app.files.inputs import file_of
from app.jobs.contract import decode_document, decode_entry, error_entry, to_text
from app.version import program_version


def run(given: argparse.Namespace) -> int:
    """Decode what `app.cli.parser` took in; the exit status is the highest of all files.

    Raises
    ------
    app.errors.UsageError : settings that contradict each other, or a place that cannot be written to.
    """
    settings, timebase_ppm, gain_percent = settings_of(given)
    reading = read_options(given)
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
        )
        for path in each_capture(given.files)
    ]
    return run_tasks(tasks, given, given.jobs)


def run_tasks(tasks: Sequence[FileTask], given: argparse.Namespace, jobs: int | None = 1) -> int:
    """Do the tasks, print and write as ``given`` asks (json, csv, session)."""
    check_targets([given.json, given.csv, given.session], [file_of(task.path) for task in tasks])
    # captures of a session stay in this process: samples do not travel between processes
    workers = 1 if given.session is not None else worker_count(jobs, tasks)
    reports = _decode_and_tell(tasks, workers, quiet=STANDARD_OUTPUT in (given.json, given.csv))
    worst = max(report.status for report in reports)
    done = [(str(r.path), r.outcome) for r in reports if r.outcome is not None]
    if not done and worst == status.WRONG_USAGE:
        return worst
    if given.json is not None:
        write_text(given.json, to_text(_document(reports)))
    if given.csv is not None:
        write_text(given.csv, decode_rows(done))
    if given.session is not None and done:
        # h5py is needed here only, and takes a tenth of a second to import
        from app.cli.saving import save

        save(given.session, reports)
    return worst


def _decode_and_tell(tasks: Sequence[FileTask], workers: int, *, quiet: bool) -> list[FileReport]:
    """Every report, told as it comes: the table on standard output, what went wrong on standard error."""
    reports: list[FileReport] = []
    with ProgressLine("decoding") as progress, closing(decode_files(tasks, workers, progress)) as running:
        for report in running:
            reports.append(report)
            progress.clear()
            if report.outcome is not None and not quiet:
                sys.stdout.write(decode_text(str(report.path), report.outcome))
                sys.stdout.write("\n" if len(reports) < len(tasks) else "")
                sys.stdout.flush()
            problem = report.error or _why_nothing(report)
            if problem:
                sys.stderr.write(f"halfturn: {problem}\n")
    return reports


def _why_nothing(report: FileReport) -> str | None:
    if report.outcome is None or report.outcome.result.bursts:
        return None
    result = report.outcome.result
    reasons = "; ".join(result.signalling.reasons) or f"signalling: {result.signalling.kind}"
    return f"{report.path}: nothing found: {result.refusal.text if result.refusal else reasons}"


def _document(reports: Sequence[FileReport]) -> dict[str, object]:
    return decode_document(
        program_version(),
        [decode_entry(str(r.path), r.sha256, r.outcome) for r in reports if r.outcome is not None],
        [error_entry(str(r.path), r.error) for r in reports if r.error is not None],
    )
