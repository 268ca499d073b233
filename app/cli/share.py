"""``halfturn share``: a copy of a session cut to chosen stretches and channels."""

from __future__ import annotations

import argparse
import sys

from app.cli import status
from app.cli.failures import Failure, guarded
from app.cli.output import check_targets, say
from app.cli.progress import ProgressLine
from app.errors import CaptureError, SessionError, UsageError
from app.files.inputs import file_of, is_session_file, session_of
from app.files.session_size import written_bytes
from app.jobs.shared_digests import with_own_digests
from app.jobs.verify_words import counted
from app.model.commands import extent_s
from app.model.items import SessionData
from app.model.sharing import Kept, sample_bytes, shared


def run(given: argparse.Namespace) -> int:
    """Tell the size, then write the copy unless only the size was asked for.

    Raises
    ------
    app.errors.UsageError : a stretch or channel that is not there, or a place that cannot be written to.
    """
    check_targets([given.output], [file_of(given.session)])
    answer = guarded(given.session, lambda: _cut(given))
    if isinstance(answer, Failure):
        sys.stderr.write(f"halfturn: {answer.text}\n")
        return answer.status
    size = written_bytes(answer)
    say(
        f"{counted(len(answer.captures), 'capture')}, {sample_bytes(answer)} bytes of samples, "
        f"about {size} bytes in the file\n"
    )
    if given.output is None:
        return status.DONE
    from app.files.session import write_session

    try:
        with ProgressLine("writing") as progress:
            write_session(given.output, with_own_digests(answer), progress=progress)
    except SessionError as error:
        raise UsageError(str(error)) from error
    say(f"{given.output}\n")
    return status.DONE


def _cut(given: argparse.Namespace) -> SessionData:
    file = file_of(given.session)
    if file.is_file() and not is_session_file(file):
        raise CaptureError(
            file, "", "this is no session", "save one first, with 'halfturn decode FILE --session PATH'"
        )
    data = session_of(file)
    asked = given.capture if given.capture is not None else list(range(len(data.captures)))
    if file != given.session:
        asked = [int(str(given.session).rpartition("#")[2])]
    kept = []
    for number in asked:
        if not 0 <= number < len(data.captures):
            raise UsageError(f"there is no capture {number}; the session holds {len(data.captures)}")
        begin, end = extent_s(data, number)
        spans = tuple((begin if a is None else a, end if b is None else b) for a, b in given.span or ())
        kept.append(Kept(number, spans, tuple(given.channel) if given.channel else None))
    return shared(data, kept)
