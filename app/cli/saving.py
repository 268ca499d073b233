"""Decoded captures as one session."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from app.cli.batch import FileReport
from app.errors import SessionError, UsageError
from app.files.session import write_session
from app.model.items import DecodeRun, SessionData
from app.version import program_version


def save(path: Path, reports: Sequence[FileReport], *, link: bool = False) -> None:
    """Write the reports that have a capture and an outcome; with ``link`` the files by path and digest.

    Raises
    ------
    app.errors.UsageError : the session cannot be written; what was there before stays.
    """
    done = [(r.capture, r.outcome) for r in reports if r.capture is not None and r.outcome is not None]
    runs = tuple(
        DecodeRun(
            key=number + 1,
            capture=number,
            channel=outcome.channel,
            span_s=outcome.span_s,
            program_version=program_version(),
            samples_sha256=outcome.samples_sha256 or "",
            result=outcome.result,
        )
        for number, (_, outcome) in enumerate(done)
    )
    data = SessionData(
        captures=tuple(capture for capture, _ in done),
        decodes=runs,
        created=datetime.now(UTC).isoformat(timespec="seconds"),
        next_key=len(runs) + 1,
    )
    try:
        write_session(path, data, link_captures=link)
    except SessionError as error:
        # nothing is wrong with the input; another place has to be named
        raise UsageError(str(error)) from error
