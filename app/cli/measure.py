"""``halfturn measure``: readings of a span."""

from __future__ import annotations

import argparse
import sys

from app.cli import status
from app.cli.arguments import read_options
from app.cli.batch import open_told
from app.cli.failures import Failure, guarded
from app.cli.output import STANDARD_OUTPUT, check_targets, say, write_text
from app.cli.progress import ProgressLine
from app.cli.settings_file import settings_of
from app.cli.tables import measure_text
from app.jobs.contract import error_entry, measure_document, measure_entry, to_text
from app.jobs.decoding import DecodeRequest
from app.jobs.measuring import MeasureOutcome, run_measure
from app.version import program_version


def run(given: argparse.Namespace) -> int:
    """Measure the span of the one file.

    Raises
    ------
    app.errors.UsageError : settings that contradict each other, or a place that cannot be written to.
    """
    check_targets([given.json], [given.file])
    file = str(given.file)
    answer = guarded(given.file, lambda: _measured(given))
    if isinstance(answer, Failure):
        sys.stderr.write(f"halfturn: {answer.text}\n")
        if given.json is not None and answer.status != status.WRONG_USAGE:
            document = measure_document(program_version(), [], [error_entry(file, answer.text)])
            write_text(given.json, to_text(document))
        return answer.status
    if given.json != STANDARD_OUTPUT:
        say(measure_text(file, answer))
    if given.json is not None:
        write_text(
            given.json, to_text(measure_document(program_version(), [measure_entry(file, answer)], []))
        )
    return status.DONE


def _measured(given: argparse.Namespace) -> MeasureOutcome:
    settings, timebase_ppm, gain_percent = settings_of(given)
    with ProgressLine("measuring") as progress:
        capture = open_told(given.file, read_options(given), timebase_ppm, gain_percent)
        return run_measure(DecodeRequest(capture, given.channel, given.span, settings), progress)
