"""The JSON documents that the program writes; their fields are a contract, described in the README.

Strict JSON: a value that is not finite is null.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from app.jobs.decoding import DecodeOutcome
from app.jobs.inspecting import CaptureFacts
from app.jobs.measuring import MeasureOutcome
from dsp.results import Burst, Notice, Signalling

SCHEMA = 1

BURST_FIELDS = (
    "start_s",
    "end_s",
    "start_probability",
    "end_probability",
    "cut_at_start",
    "cut_at_end",
    "talker",
    "amplitude",
    "amplitude_std",
    "carrier_hz",
    "carrier_std_hz",
    "symbol_rate_bd",
    "symbol_rate_std_bd",
    "symbol_rate_alternatives_bd",
    "cycles_per_symbol",
    "esn0_db",
    "esn0_std_db",
    "first_symbol_s",
    "flips_s",
    "flips_interval_s",
    "bits_per_symbol",
    "symbols",
    "confidence",
    "line_code",
    "bits",
    "characters",
    "warnings",
)
"""In the order of the contract; each is the attribute of `dsp.results.Burst` with that name."""

Json = dict[str, Any]


def decode_document(version: str, results: Sequence[Json], errors: Sequence[Json]) -> Json:
    """The whole of ``decode --json``."""
    return {"halfturn": version, "schema": SCHEMA, "results": [*results], "errors": [*errors]}


def info_document(version: str, captures: Sequence[Json], errors: Sequence[Json]) -> Json:
    """The whole of ``info --json``."""
    return {"halfturn": version, "schema": SCHEMA, "captures": [*captures], "errors": [*errors]}


def measure_document(version: str, measurements: Sequence[Json], errors: Sequence[Json]) -> Json:
    """The whole of ``measure --json``."""
    return {"halfturn": version, "schema": SCHEMA, "measurements": [*measurements], "errors": [*errors]}


def error_entry(file: str, error: object) -> Json:
    return {"file": file, "error": str(error)}


def decode_entry(file: str, sha256: str | None, outcome: DecodeOutcome) -> Json:
    """One element of ``results``; uncertainties are combined with the instrument's tolerance."""
    result = outcome.result
    return {
        "file": file,
        "sha256": sha256,
        "sample_rate_hz": outcome.sample_rate_hz,
        "start_s": outcome.start_s,
        "samples": outcome.samples,
        "channel": outcome.channel,
        "unit": outcome.unit,
        "span_s": [*outcome.span_s],
        "settings": _settings_entry(outcome),
        "warnings": [notice_entry(notice) for notice in result.warnings],
        "refusal": None if result.refusal is None else asdict(result.refusal),
        "signalling": _signalling_entry(result.signalling),
        "bursts": [_burst_entry(outcome.tolerance.burst(burst)) for burst in result.bursts],
    }


def measure_entry(file: str, outcome: MeasureOutcome) -> Json:
    """One element of ``measurements``; ``std`` is the statistical and the instrument's part together."""
    decoded = outcome.decoded
    return {
        "file": file,
        "sample_rate_hz": decoded.sample_rate_hz,
        "start_s": decoded.start_s,
        "samples": decoded.samples,
        "channel": decoded.channel,
        "unit": decoded.unit,
        "span_s": [*decoded.span_s],
        "settings": _settings_entry(decoded),
        "warnings": [notice_entry(notice) for notice in decoded.result.warnings],
        "signalling": _signalling_entry(decoded.result.signalling),
        "readings": [
            {
                "name": named.name,
                "value": named.reading.value,
                "std": named.reading.combined_std,
                "unit": named.reading.unit,
                "statistical_std": named.reading.std,
                "tolerance_std": named.reading.tolerance_std,
                "count": named.reading.count,
            }
            for named in outcome.readings
        ],
    }


def info_entry(file: str, facts: CaptureFacts) -> Json:
    """One element of ``captures``; ``spans`` is there where the file names some."""
    named = [{"name": s.name, "start_s": s.start_s, "end_s": s.end_s} for s in facts.spans]
    entry = {
        "file": file,
        "format": facts.format,
        "sample_rate_hz": facts.sample_rate_hz,
        "sample_rate_std_hz": facts.sample_rate_std_hz,
        "start_s": facts.start_s,
        "samples": facts.samples,
        "segments": facts.segments,
        "channels": [
            {"name": c.name, "unit": c.unit, "min": c.lowest, "max": c.highest} for c in facts.channels
        ],
        "warnings": [notice_entry(notice) for notice in facts.warnings],
    }
    return entry | {"spans": named} if named else entry


def notice_entry(notice: Notice) -> Json:
    return {
        "code": notice.code,
        "count": notice.count,
        "first_sample": notice.first_sample,
        "text": notice.text,
    }


def to_text(document: Json) -> str:
    """Strict JSON on one line with a line end; numbers keep all their digits."""
    return json.dumps(_finite(document), allow_nan=False, ensure_ascii=False) + "\n"


def _settings_entry(outcome: DecodeOutcome) -> Json:
    tolerance = {name: getattr(outcome.tolerance, name) for name in ("timebase_ppm", "gain_percent")}
    return asdict(outcome.result.settings) | tolerance


def _signalling_entry(signalling: Signalling) -> Json:
    return {
        "kind": signalling.kind,
        "probability": signalling.probability,
        "alternatives": [asdict(alternative) for alternative in signalling.alternatives],
        "reasons": [*signalling.reasons],
    }


def _burst_entry(burst: Burst) -> Json:
    entry = {name: getattr(burst, name) for name in BURST_FIELDS}
    if burst.characters is not None:
        entry["characters"] = [asdict(character) for character in burst.characters]
    return entry


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _finite(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(inner) for inner in value]
    if isinstance(value, str | bool | int) or value is None:
        return value
    # numpy scalars as well
    if hasattr(value, "item"):
        return _finite(value.item())
    return float(value) if math.isfinite(value) else None
