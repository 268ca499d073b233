"""``halfturn info``: what captures hold."""

from __future__ import annotations

import argparse
import sys
from functools import partial
from pathlib import Path

from app.cli import status
from app.cli.arguments import read_options
from app.cli.batch import each_capture, open_told
from app.cli.failures import guarded
from app.cli.output import STANDARD_OUTPUT, check_targets, say, write_text
from app.cli.progress import ProgressLine
from app.cli.tables import info_text
from app.files.capture_options import ReadOptions
from app.jobs.contract import Json, error_entry, info_document, info_entry, to_text
from app.jobs.inspecting import CaptureFacts, inspect_capture
from app.version import program_version


def run(given: argparse.Namespace) -> int:
    """Look at every file; the exit status is the highest of all.

    Raises
    ------
    app.errors.UsageError : a place that cannot be written to, or options no file could be read with.
    """
    check_targets([given.json], given.files)
    reading = read_options(given)
    captures: list[Json] = []
    errors: list[Json] = []
    worst = status.DONE
    for path in each_capture(given.files):
        answer = guarded(path, partial(_facts, path, reading))
        if isinstance(answer, CaptureFacts):
            captures.append(info_entry(str(path), answer))
            if given.json != STANDARD_OUTPUT:
                say(info_text(str(path), answer))
        else:
            errors.append(error_entry(str(path), answer.text))
            worst = max(worst, answer.status)
            sys.stderr.write(f"halfturn: {answer.text}\n")
    if given.json is not None and (captures or worst != status.WRONG_USAGE):
        write_text(given.json, to_text(info_document(program_version(), captures, errors)))
    return worst


def _facts(path: Path, reading: ReadOptions) -> CaptureFacts:
    with ProgressLine(f"reading {path.name}") as progress:
        return inspect_capture(open_told(path, reading, progress=progress, whole=True))
