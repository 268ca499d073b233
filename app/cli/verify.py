"""``halfturn verify``: whether the decodes of a session come out again."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from app.cli import status
from app.cli.failures import Failure, guarded
from app.cli.output import STANDARD_OUTPUT, check_targets, write_text
from app.cli.progress import ProgressLine
from app.errors import CaptureError
from app.files.inputs import is_session_file, session_of
from app.jobs.contract import Json, error_entry, to_text
from app.jobs.contract_verify import verify_document, verify_entry
from app.jobs.verifying import BurstVerdict, Difference, RunVerdict, verify_run
from app.model.items import SessionData
from app.model.quantity import format_value
from app.version import program_version

_MOST_SHOWN = 64


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
    for number, decode in enumerate(answer.decodes):
        with ProgressLine(f"decoding again, {number + 1} of {len(answer.decodes)}") as progress:
            verdict = verify_run(answer, decode, progress)
        entries.append(verify_entry(file, verdict))
        differing += not verdict.is_same
        bursts += len(verdict.bursts)
        if not quiet:
            sys.stdout.write(verdict_text(number, verdict))
            sys.stdout.flush()
    if given.json is not None:
        write_text(given.json, _text(entries, []))
    if not entries:
        sys.stderr.write(f"halfturn: {file}: nothing to verify: the session holds no decode\n")
        return status.NOTHING_FOUND
    total = f"{_counted(len(entries), 'decode')}, {_counted(bursts, 'burst')}"
    if differing:
        sys.stderr.write(f"halfturn: {file}: {differing} of {total} came out differently\n")
        return status.NOTHING_FOUND
    if not quiet:
        sys.stdout.write(f"The same: {total}.\n")
    return status.DONE


def verdict_text(number: int, verdict: RunVerdict) -> str:
    """What became of one decode, a line a burst."""
    where = f"{verdict.capture_name}{f' ({verdict.label})' if verdict.label else ''}"
    start, end = (format_value(limit, "s") for limit in verdict.span_s)
    lines = [
        f"decode {number}: {where}, channel {verdict.channel}, {start} to {end}, by version {verdict.program_version}"
    ]
    told = {True: "the same", False: "DIFFERENT", None: "not stated in the session"}[verdict.samples_same]
    lines.append(f"  samples: {told}")
    if verdict.failure is not None:
        lines.append(f"  DIFFERENT: it cannot be decoded again: {verdict.failure}")
    lines += [f"  DIFFERENT: {_difference(one)}" for one in verdict.differences]
    lines += [line for burst in verdict.bursts for line in _burst_lines(burst)]
    return "\n".join(lines) + "\n"


def _burst_lines(burst: BurstVerdict) -> list[str]:
    either = burst.stored or burst.again
    at = "" if either is None else f" at {format_value(either.start_s, 's', 9)}"
    word = {
        "same": "same",
        "different": "DIFFERENT",
        "missing": "NOT FOUND AGAIN",
        "new": "NOT IN THE SESSION",
    }
    bits = "" if either is None else f": {_counted(len(either.bits), 'bit')}"
    said = f" ({burst.said.text})" if burst.said.text else ""
    lines = [f"  burst {burst.number}{at}: {word[burst.verdict]}{bits}{said}"]
    lines += [f"    {_difference(one)}" for one in burst.differences]
    if burst.hand is not None:
        set_, removed = burst.hand.flips_set, burst.hand.flips_removed
        read = "no bits follow" if burst.hand.bits is None else f"with them {_shown(burst.hand.bits)}"
        lines.append(f"    by hand, not compared: {_counted(set_, 'flip')} set, {removed} removed; {read}")
    return lines


def _difference(one: Difference) -> str:
    return f"{one.field.replace('_', ' ')}: {_shown(one.stored)} in the session, {_shown(one.again)} now"


def _shown(value: object) -> str:
    text = repr(value) if isinstance(value, float) else str(value)
    return text if len(text) <= _MOST_SHOWN else f"{text[:_MOST_SHOWN]}…"


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _session(path: Path) -> SessionData:
    if path.is_file() and not is_session_file(path):
        raise CaptureError(path, "", "this is no session", "name a session that was saved by the program")
    return session_of(path)


def _text(entries: list[Json], errors: list[Json]) -> str:
    return to_text(verify_document(program_version(), entries, errors))
