"""What a long batch has done so far: one small session a file, in a folder beside the session to be made.

Workers write them, so samples do not travel between processes and nothing is held in memory; a batch that was
broken off finds them again and goes on from there. The folder goes when the session is complete.
"""

from __future__ import annotations

import contextlib
import hashlib
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from app.errors import SessionError, UsageError
from app.files.inputs import file_of
from app.jobs.decoding import DecodeOutcome
from app.model.capture import Capture
from app.model.expressions import channel_source
from app.model.items import DecodeRun, SessionData
from app.model.tolerance import tolerance_of
from app.version import program_version

if TYPE_CHECKING:
    from app.cli.batch import FileTask
    from app.files.session_join import PartSum


def folder_for(session: Path) -> Path:
    """Where the parts of ``session`` are kept."""
    return session.with_name(f".{session.name}.parts")


def make_folder(session: Path) -> Path:
    """The folder of the parts, made if there is none yet.

    Raises
    ------
    app.errors.UsageError : it cannot be made.
    """
    folder = folder_for(session)
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise UsageError(
            f"{session} cannot be written ({error.strerror or error}); choose another place"
        ) from error
    return folder


def remove_folder(session: Path) -> None:
    shutil.rmtree(folder_for(session), ignore_errors=True)


def remove_if_empty(session: Path) -> None:
    """Leave nothing behind where nothing could be kept."""
    with contextlib.suppress(OSError):
        folder_for(session).rmdir()


def part_of(folder: Path, task: FileTask) -> Path:
    """Where the result of ``task`` is kept; another file, setting or version of the program is another place."""
    file = file_of(task.path)
    try:
        status = file.stat()
        state = (status.st_size, status.st_mtime_ns)
    except (OSError, ValueError):
        state = (0, 0)
    asked = (
        task.read,
        task.channel,
        task.span_s,
        task.settings,
        task.timebase_ppm,
        task.gain_percent,
        task.link,
    )
    told = repr((str(task.path.absolute()), state, asked, program_version()))
    return folder / f"{hashlib.sha256(told.encode('utf-8', 'surrogateescape')).hexdigest()[:32]}.h5"


def keep(part: Path, capture: Capture, outcome: DecodeOutcome, *, link: bool = False) -> PartSum:
    """Write the result of one file, with its samples unless they are to be linked; what the part then holds.

    Raises
    ------
    app.errors.SessionError : it cannot be written.
    """
    from app.files.session import not_saved, write_session
    from app.files.session_join import read_part

    run = DecodeRun(
        key=1,
        capture=0,
        channel=outcome.channel,
        span_s=outcome.span_s,
        program_version=program_version(),
        samples_sha256=outcome.samples_sha256 or "",
        result=outcome.result,
    )
    now = datetime.now(UTC).isoformat(timespec="seconds")
    data = SessionData(captures=(capture,), decodes=(run,), created=now, next_key=2)
    write_session(part, data, link_captures=link)
    try:
        return read_part(part)
    except OSError as error:
        raise not_saved(part, error) from error


def kept(part: Path) -> tuple[Capture, DecodeOutcome, PartSum] | None:
    """The result that is kept in ``part``, None if there is none or it is no use."""
    if not part.is_file():
        return None
    from app.files.session import read_session
    from app.files.session_join import read_part

    try:
        data = read_session(part)
        (capture,), (run,) = data.captures, data.decodes
        source = channel_source(capture, run.channel)
        summed = read_part(part)
    except (SessionError, UsageError, ValueError, OSError):
        return None
    outcome = DecodeOutcome(
        channel=run.channel,
        unit=source.unit,
        sample_rate_hz=capture.rate_hz,
        start_s=capture.start_s,
        samples=capture.samples,
        span_s=run.span_s,
        tolerance=tolerance_of(capture),
        result=run.result,
        samples_sha256=run.samples_sha256 or None,
    )
    return capture, outcome, summed
