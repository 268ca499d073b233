"""Decode settings from options and from a JSON file kept from an earlier capture."""

from __future__ import annotations

import argparse
import json
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from app.errors import UsageError
from app.jobs.settings import check_settings
from dsp.results import DecodeSettings

_NUMBERS = ("carrier_hz", "symbol_rate_bd", "timebase_ppm", "gain_percent")
_KNOWN = (*(field.name for field in fields(DecodeSettings)), "timebase_ppm", "gain_percent")


def settings_of(given: argparse.Namespace) -> tuple[DecodeSettings, float | None, float | None]:
    """Settings, time base in ppm and gain in percent; an option goes before the same entry of the file.

    Raises
    ------
    app.errors.UsageError : the file cannot be used, or the settings contradict each other.
    """
    kept = _read(given.settings) if given.settings is not None else {}
    told = {
        "carrier_hz": given.carrier,
        "symbol_rate_bd": given.symbol_rate,
        "modulation": given.modulation,
        "line_code": given.line_code,
        "polarity": given.polarity,
        "timebase_ppm": given.timebase_ppm,
        "gain_percent": given.gain_percent,
    }
    merged = kept | {name: value for name, value in told.items() if value is not None}
    timebase_ppm, gain_percent = merged.pop("timebase_ppm", None), merged.pop("gain_percent", None)
    settings = replace(DecodeSettings(), **merged)
    check_settings(settings)
    return settings, timebase_ppm, gain_percent


def _read(path: Path) -> dict[str, Any]:
    """The entries of the file that are not null."""
    try:
        document = json.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise UsageError(
            f"{path}: the settings cannot be read ({error.strerror or error}); give a JSON file"
        ) from error
    except (ValueError, RecursionError) as error:
        raise UsageError(f"{path}: this is no JSON ({error}); give a file of decode settings") from error
    entries = _settings_in(document, path)
    for name, value in entries.items():
        _check_entry(path, name, value)
    return {name: value for name, value in entries.items() if value is not None}


def _settings_in(document: object, path: Path) -> dict[str, Any]:
    """The settings themselves, or those of the only result in what ``decode --json`` wrote."""
    if isinstance(document, dict) and "results" in document:
        results = document["results"]
        if not (isinstance(results, list) and len(results) == 1 and isinstance(results[0], dict)):
            raise UsageError(f"{path}: this holds not exactly one result; keep only the settings of one")
        document = results[0].get("settings")
    if not isinstance(document, dict):
        raise UsageError(f"{path}: this holds no settings; give a JSON object with {', '.join(_KNOWN)}")
    return document


def _check_entry(path: Path, name: str, value: object) -> None:
    if name not in _KNOWN:
        raise UsageError(f"{path}: {name!r} is no setting; choose from {', '.join(_KNOWN)}")
    if value is None:
        return
    if name in _NUMBERS:
        # the comparison refuses NaN and what no float can hold
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1e300:
            raise UsageError(f"{path}: {name} is {value!r}; give a number that is not negative, or null")
    elif not isinstance(value, str):
        raise UsageError(f"{path}: {name} is {value!r}; give a text or null")
