"""``halfturn verify``: whether the decodes of a session come out again."""

from __future__ import annotations

import argparse
import sys
from contextlib import closing
from pathlib import Path

from app.cli import status
from app.cli.failures import Failure, guarded
from app.cli.output import STANDARD_OUTPUT, check_targets, say, write_text
from app.cli.progress import ProgressLine
from app.cli.verify_many import verdicts
from app.errors import CaptureError, one_line
from app.files.inputs import is_session_file, session_of
from app.jobs.contract import Json, error_entry, to_text
from app.jobs.contract_verify import verify_document, verify_entry
from app.jobs.verify_words import SAMPLES_WORDS, VERDICT_WORDS, counted, difference_text, hand_text
from app.jobs.verifying import BurstVerdict, RunVerdict
from app.model.items import SessionData
from app.model.quantity import format_value
from app.version import program_version


def run(given: argparse.Namespace) -> int:
    """Decode again what the session holds: 0 the same, 1 a difference or nothing to compare, 3 unreadable.

    Raises
    ------
    app.errors.UsageError : a place that cannot be written to.
    """
    check_targets([given.json], [given.session])
    file = str(given.session)
    quiet = given.json == STANDARD_OUTPUT
    answer = guarded(given.session, lambda: _session(given.session))
    if isinstance(answer, Failure):
        sys.stderr.write(f"halfturn: {answer.text}\n")
        if given.json is not None:
            write_text(given.json, _text([], [error_entry(file, answer.text)]))
        return answer.status
    entries: list[Json] = []
    differing = 0
    bursts = 0
    with (
        ProgressLine("decoding again") as progress,
        closing(verdicts(given.session, answer, progress)) as found,
    ):
        for number, verdict in enumerate(found):
            entries.append(verify_entry(file, verdict))
            differing += not verdict.is_same
            bursts += len(verdict.bursts)
            if not quiet:
                progress.clear()
                say(verdict_text(number, verdict))
                sys.stdout.flush()
    if given.json is not None:
        write_text(given.json, _text(entries, []))
    if not entries:
        sys.stderr.write(f"halfturn: {file}: nothing to verify: the session holds no decode\n")
        return status.NOTHING_FOUND
    total = f"{counted(len(entries), 'decode')}, {counted(bursts, 'burst')}"
    if differing:
        sys.stderr.write(f"halfturn: {file}: {differing} of {total} came out differently\n")
        return status.NOTHING_FOUND
    if not quiet:
        say(f"The same: {total}.\n")
    return status.DONE


def verdict_text(number: int, verdict: RunVerdict) -> str:
    """What became of one decode, a line a burst."""
    where = one_line(f"{verdict.capture_name}{f' ({verdict.label})' if verdict.label else ''}")
    start, end = (format_value(limit, "s") for limit in verdict.span_s)
    lines = [
        f"decode {number}: {where}, channel {one_line(verdict.channel)}, {start} to {end}, "
        f"by version {one_line(verdict.program_version)}"
    ]
    lines.append(f"  samples: {SAMPLES_WORDS[verdict.samples_same]}")
    if verdict.failure is not None:
        lines.append(f"  DIFFERENT: it cannot be decoded again: {verdict.failure}")
    lines += [f"  DIFFERENT: {difference_text(one)}" for one in verdict.differences]
    lines += [line for burst in verdict.bursts for line in _burst_lines(burst)]
    return "\n".join(lines) + "\n"


def _burst_lines(burst: BurstVerdict) -> list[str]:
    either = burst.stored or burst.again
    at = "" if either is None else f" at {format_value(either.start_s, 's', 9)}"
    bits = "" if either is None else f": {counted(len(either.bits), 'bit')}"
    said = f" ({one_line(burst.said.text)})" if burst.said.text else ""
    lines = [f"  burst {burst.number}{at}: {VERDICT_WORDS[burst.verdict]}{bits}{said}"]
    lines += [f"    {difference_text(one)}" for one in burst.differences]
    if burst.hand is not None:
        lines.append(f"    {hand_text(burst.hand)}")
    return lines


def _session(path: Path) -> SessionData:
    if path.is_file() and not is_session_file(path):
        raise CaptureError(path, "", "this is no session", "name a session that was saved by the program")
    return session_of(path)


def _text(entries: list[Json], errors: list[Json]) -> str:
    return to_text(verify_document(program_version(), entries, errors))
