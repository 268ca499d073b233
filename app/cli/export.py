"""``halfturn export``: what a session or a capture holds, for other programs."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from app.cli import status
from app.cli.arguments import read_options
from app.cli.batch import open_told
from app.cli.failures import Failure, guarded
from app.cli.output import check_targets, say
from app.cli.progress import ProgressLine
from app.errors import UsageError
from app.files.inputs import file_of, is_session_file, session_of
from app.model.items import SessionData
from app.report.exports import ExportRequest, export
from app.version import program_version


def run(given: argparse.Namespace) -> int:
    """Write one export.

    Raises
    ------
    app.errors.UsageError : it cannot be written, or there is nothing of that kind.
    """
    check_targets([given.output], [file_of(given.file)])
    answer = guarded(given.file, lambda: _session(given))
    if isinstance(answer, Failure):
        sys.stderr.write(f"halfturn: {answer.text}\n")
        return answer.status
    data, capture = answer
    if given.what in ("bits", "bursts") and not data.decodes:
        raise UsageError(
            f"{given.file}: nothing has been decoded in it; use 'halfturn decode', or name a session"
        )
    request = ExportRequest(given.what, Path(given.output), capture, given.channel, given.span)
    with ProgressLine("exporting") as progress:
        written = export(data, request, program_version(), progress)
    for path in written:
        say(f"{path}\n")
    return status.DONE


def _session(given: argparse.Namespace) -> tuple[SessionData, int | None]:
    """The session, and the number of the capture that was named."""
    file = file_of(given.file)
    if is_session_file(file):
        data = session_of(file)
        number = int(str(given.file).rpartition("#")[2]) if file != given.file else None
        if number is not None and number >= len(data.captures):
            raise UsageError(f"{given.file}: the session holds {len(data.captures)} captures, counted from 0")
        return data, number
    return SessionData(captures=(open_told(given.file, read_options(given)),)), 0
