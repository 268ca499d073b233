"""Captures without a decodable signal: no symbols, and a kind or a refusal that says why."""

from __future__ import annotations

import numpy as np
import pytest
from generators.files import write_wav
from generators.long_runs import long_but
from generators.quiet import CASES, RATE_HZ
from generators.running import halfturn_decode

HONEST_KINDS = {
    "noise": {"none"},
    "coloured noise": {"none", "undecided"},
    "bare tone": {"tone"},
    "tone bursts": {"tone", "undecided"},
    "ripple": {"none", "tone", "undecided", "multi-carrier"},
    "flat": {"none"},
    "flat with last digit": {"none", "undecided"},
    "step": {"none", "undecided"},
    "wandering level": {"none", "undecided"},
    "chirp": {"chirp", "undecided"},
    "many carriers": {"multi-carrier", "undecided"},
    "speech-like": {"none", "undecided", "multi-carrier"},
}


# of each of these a draw takes ten seconds and more; `tests/benchmarks/accuracy.py quiet` counts as many as asked for
SLOW = ("speech-like", "flat with last digit", "ripple", "chirp", "coloured noise")
_EACH_TIME = [number for number, name in enumerate(CASES) if name not in ("flat with last digit", "ripple")]


@pytest.mark.parametrize("name", long_but(*_EACH_TIME, of=CASES))
def test_nothing_is_made_up(tmp_path, name):
    paths = [tmp_path / f"{draw}.wav" for draw in ((502,) if name in SLOW else (501, 502))]
    for path in paths:
        write_wav(path, CASES[name](np.random.RandomState(int(path.stem))), RATE_HZ)
    status, document = halfturn_decode(paths)
    assert status == 1
    assert len(document["results"]) == len(paths)
    for result in document["results"]:
        assert [burst["symbols"] for burst in result["bursts"] if burst["symbols"]] == []
        assert result["signalling"]["kind"] in HONEST_KINDS[name]
        assert result["refusal"]["text"]
