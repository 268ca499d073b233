"""The JSON document of ``verify``; described in the README."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict

from app.jobs.contract import SCHEMA, Json
from app.jobs.verifying import BurstVerdict, RunVerdict


def verify_document(version: str, verdicts: Sequence[Json], errors: Sequence[Json]) -> Json:
    """The whole of ``verify --json``; ``same`` is null where there was nothing to compare."""
    same = all(one["same"] for one in verdicts) if verdicts else None
    return {"halfturn": version, "schema": SCHEMA, "same": same, "decodes": [*verdicts], "errors": [*errors]}


def verify_entry(file: str, verdict: RunVerdict) -> Json:
    """One element of ``decodes``."""
    return {
        "file": file,
        "capture": verdict.capture,
        "name": verdict.capture_name,
        "label": verdict.label,
        "channel": verdict.channel,
        "span_s": [*verdict.span_s],
        "settings": asdict(verdict.settings),
        "program_version": verdict.program_version,
        "samples_sha256": verdict.samples_sha256 or None,
        "samples_same": verdict.samples_same,
        "same": verdict.is_same,
        "failure": verdict.failure,
        "differences": [asdict(one) for one in verdict.differences],
        "bursts": [_burst(one) for one in verdict.bursts],
    }


def _burst(one: BurstVerdict) -> Json:
    either = one.stored or one.again
    return {
        "burst": one.number,
        "start_s": None if either is None else either.start_s,
        "verdict": one.verdict,
        "bits": None if one.stored is None else one.stored.bits,
        "bits_again": None if one.again is None else one.again.bits,
        "differences": [asdict(difference) for difference in one.differences],
        "hand": None if one.hand is None else asdict(one.hand),
        **asdict(one.said),
    }
