"""``halfturn report``: one self-contained page about a capture or a session."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from datetime import UTC, datetime

from app.cli import status
from app.cli.arguments import read_options
from app.cli.batch import open_told
from app.cli.failures import Failure, guarded
from app.cli.output import check_targets, write_text
from app.cli.progress import ProgressLine
from app.cli.settings_file import settings_of
from app.errors import UsageError
from app.files.capture_options import ReadOptions
from app.files.inputs import file_of, is_session_file, session_of
from app.jobs.decoding import DecodeRequest, run_decode
from app.jobs.digest import file_sha256
from app.model.items import DecodeRun, SessionData
from app.report.page import report_html
from app.version import program_version
from dsp.results import DecodeSettings


def run(given: argparse.Namespace) -> int:
    """Write the page; 1 when there is nothing in it but a refusal.

    Raises
    ------
    app.errors.UsageError : settings that contradict each other, or a place that cannot be written to.
    """
    check_targets([given.output], [file_of(given.file)])
    answer = guarded(given.file, lambda: _session(given))
    if isinstance(answer, Failure):
        sys.stderr.write(f"halfturn: {answer.text}\n")
        return answer.status
    with ProgressLine("writing the report") as progress:
        text = guarded(
            given.file,
            lambda: report_html(
                answer, given.file.name, program_version=program_version(), progress=progress
            ),
        )
    if isinstance(text, Failure):
        sys.stderr.write(f"halfturn: {text.text}\n")
        return text.status
    write_text(given.output, text)
    if any(decode.result.bursts for decode in answer.decodes) or answer.flips:
        return status.DONE
    refusals = [decode.result.refusal.text for decode in answer.decodes if decode.result.refusal]
    why = refusals[0] if refusals else "no bursts"
    sys.stderr.write(f"halfturn: {given.file}: nothing found: {why}\n")
    return status.NOTHING_FOUND


def _session(given: argparse.Namespace) -> SessionData:
    """The session as it is, or one made of a capture; what has no decode yet is decoded."""
    settings, timebase_ppm, gain_percent = settings_of(given)
    told = given.channel is not None or given.span is not None or settings != DecodeSettings()
    if is_session_file(given.file):
        data = session_of(given.file)
        if data.decodes:
            if told or read_options(given) != ReadOptions():
                raise UsageError(
                    f"{given.file}: a session is reported with the decodes in it; leave out the options"
                )
            return data
    else:
        capture = open_told(given.file, read_options(given), timebase_ppm, gain_percent)
        if capture.sha256 is None and capture.path is not None:
            capture = replace(capture, sha256=file_sha256(file_of(given.file)))
        created = datetime.now(UTC).isoformat(timespec="seconds")
        data = SessionData(captures=(capture,), created=created)
    decodes = tuple(_decoded(given, data, n, settings) for n in range(len(data.captures)))
    return replace(data, decodes=decodes, next_key=data.next_key + len(decodes))


def _decoded(given: argparse.Namespace, data: SessionData, index: int, settings: DecodeSettings) -> DecodeRun:
    with ProgressLine("decoding") as progress:
        request = DecodeRequest(data.captures[index], given.channel, given.span, settings, hash_wanted=True)
        outcome = run_decode(request, progress)
    return DecodeRun(
        key=data.next_key + index,
        capture=index,
        channel=outcome.channel,
        span_s=outcome.span_s,
        program_version=program_version(),
        samples_sha256=outcome.samples_sha256 or "",
        result=outcome.result,
    )
