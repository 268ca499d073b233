"""Where most is sent in a carrier that rests."""

from __future__ import annotations

import numpy as np
from generators.truths import RATE_HZ, record_of

from dsp.activity import Active, Box
from dsp.lively import lively_windows

COUNT, PERIOD, CARRIER = 600_000, 80, 0.06


def carrier(spans: list[tuple[int, int]], draw: int) -> np.ndarray:
    """A carrier whose phase turns at random within ``spans`` of samples only."""
    rng = np.random.default_rng(draw)
    signs = np.ones(COUNT)
    for start, stop in spans:
        signs[start:stop] = np.repeat(rng.choice((-1.0, 1.0), (stop - start) // PERIOD + 1), PERIOD)[
            : stop - start
        ]
    return signs * np.sin(2.0 * np.pi * CARRIER * np.arange(COUNT)) + 0.3 * rng.standard_normal(COUNT)


def active() -> Active:
    box = Box(0, 4096, 0.055 * RATE_HZ, 0.065 * RATE_HZ, 64, 100.0)
    return Active(0, COUNT, int(np.floor(-np.log2(2.0 * CARRIER))), box)


def test_places_with_reversals_are_found():
    spans = [(150_000, 158_000), (430_000, 437_000)]
    found = lively_windows(record_of(carrier(spans, 1)), active())
    assert found
    for window in found:
        assert any(window.start < stop and window.stop > start for start, stop in spans)
    for start, stop in spans:
        assert any(window.start < stop and window.stop > start for window in found)


def test_there_are_none_where_all_places_are_alike():
    assert lively_windows(record_of(carrier([], 2)), active()) == []
    assert lively_windows(record_of(carrier([(0, COUNT)], 3)), active()) == []


def test_a_short_stretch_is_one_place():
    short = active()
    assert lively_windows(record_of(carrier([], 4)), Active(0, 20_000, short.octave, short.best)) == []
