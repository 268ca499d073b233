"""The program run on files, inside this process, and the decoder called directly."""

from __future__ import annotations

import contextlib
import io
import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from dsp.decoder import decode
from dsp.results import DecodeSettings


def halfturn_decode(paths: list[Path], *options: str) -> tuple[int, dict[str, Any]]:
    """``halfturn decode PATHS --json -``: exit status and the document on standard output."""
    from app.__main__ import main

    shown = io.StringIO()
    with contextlib.redirect_stdout(shown):
        try:
            status = main(["decode", *map(str, paths), "--json", "-", *options])
        except SystemExit as stop:
            status = stop.code
    return int(status or 0), json.loads(shown.getvalue())


def decoded(values: np.ndarray, rate_hz: float, **told: Any) -> dict[str, Any]:
    """The decoder's result for the samples, as plain dictionaries and lists."""
    return asdict(decode(values, rate_hz, settings=DecodeSettings(**told)))
