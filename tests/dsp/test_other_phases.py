"""What takes neither one phase nor two is told before any model is tried; what takes two, or may, is not."""

from __future__ import annotations

import numpy as np
import pytest
from generators.truths import record_of
from scipy.ndimage import gaussian_filter1d

from dsp import decode
from dsp.other_phases import moments, of_other_phases
from dsp.segment import Piece

RATE_HZ = 1e6
# samples and cycles a symbol, and symbols of a burst
SPAN, CYCLES, COUNT = 20.0, 4.3, 300
SIGMA = 0.35


def burst(kind: str, rng: np.random.Generator, count: int = COUNT) -> np.ndarray:
    """A burst of random symbols of one kind, amplitude 1."""
    at = np.arange(int(count * SPAN))
    number = np.minimum((at / SPAN).astype(int), count - 1)
    turns = CYCLES / SPAN * at + rng.uniform()
    symbols = rng.integers(0, 8, count)
    signs = 1.0 - 2.0 * (symbols % 2)
    if kind == "two":
        return signs[number] * np.cos(2 * np.pi * turns)
    if kind == "smooth":
        return gaussian_filter1d(signs[number], 0.25 * SPAN) * np.cos(2 * np.pi * turns)
    if kind == "tone":
        return np.cos(2 * np.pi * turns)
    if kind in ("four", "eight"):
        steps = {"four": 4, "eight": 8}[kind]
        return np.cos(2 * np.pi * (turns + (symbols % steps)[number] / steps))
    shift = {
        "minimum": 0.25 * signs[number],
        "gaussian": 0.25 * gaussian_filter1d(signs[number], 0.4 * SPAN),
        "frequencies": 0.35 * (2.0 * (symbols % 4)[number] - 3.0),
    }[kind]
    return np.cos(2 * np.pi * (turns + np.cumsum(shift) / SPAN))


def bursts(kind: str, draw: int, sigma: float = SIGMA) -> tuple[np.ndarray, list[Piece]]:
    rng = np.random.default_rng(draw)
    samples, pieces = [np.zeros(2000)], []
    begin = 2000
    for _ in range(3):
        some = burst(kind, rng)
        middle = CYCLES / SPAN * RATE_HZ
        pieces.append(Piece(begin, begin + some.size, middle - 9e4, middle + 9e4, 32, 9.0))
        samples += [some, np.zeros(1500)]
        begin += some.size + 1500
    whole = np.concatenate(samples)
    return whole + rng.normal(0.0, sigma, whole.size), pieces


@pytest.mark.parametrize("kind", ["four", "eight", "minimum", "gaussian", "frequencies"])
def test_other_phases_are_told(kind):
    for draw in range(10):
        samples, pieces = bursts(kind, draw)
        keyed = of_other_phases(record_of(samples), pieces)
        assert keyed is not None, draw
        assert abs(keyed.carrier_hz - CYCLES / SPAN * RATE_HZ) < 0.2 * RATE_HZ / SPAN
        # a carrier of amplitude 1, and what noise there is in the band
        assert 0.45 < keyed.power < 0.62


@pytest.mark.parametrize("kind", ["two", "smooth", "tone"])
@pytest.mark.parametrize("sigma", [0.01, SIGMA, 1.0])
def test_one_phase_and_two_may_be_what_is_sought(kind, sigma):
    for draw in range(10):
        samples, pieces = bursts(kind, draw, sigma)
        assert of_other_phases(record_of(samples), pieces) is None


def test_the_line_of_the_square_is_no_weaker_than_what_is_even():
    """``2 S^2 - E[a^4]`` is at most the line's S^2, in whatever noise; of other phases hardly any of it is a line."""
    for draw in range(10):
        for sigma in (0.01, SIGMA, 0.7):
            for kind, least, most in (("two", 0.9, 2.0), ("smooth", 0.9, 9.0), ("eight", 0.0, 0.35)):
                samples, pieces = bursts(kind, draw, sigma)
                seen = moments(record_of(samples), pieces)
                assert seen is not None
                assert least * seen.even < seen.two < most * seen.even, (kind, sigma, seen)


@pytest.mark.parametrize("carriers", [2, 3, 5])
def test_several_of_two_phases_at_once_are_none_of_others(carriers):
    """Their strength is not even, or one is nearly all of it."""
    for draw in range(20):
        rng = np.random.default_rng(draw)
        count = 8000
        samples = rng.normal(0.0, 0.05, count)
        for number in range(carriers):
            span = rng.uniform(15, 30)
            signs = 1.0 - 2.0 * rng.integers(0, 2, int(count / span) + 1)
            keyed = signs[(np.arange(count) / span).astype(int)]
            turns = (0.18 + 0.014 * number) * np.arange(count) + rng.uniform()
            samples += 10.0 ** rng.uniform(-0.5, 0.0) * keyed * np.cos(2 * np.pi * turns)
        piece = Piece(0, count, 1.3e5, 3.0e5, 32, 9.0)
        assert of_other_phases(record_of(samples), [piece]) is None


def test_noise_alone_and_too_little_tell_nothing():
    for draw in range(20):
        samples = np.random.default_rng(draw).normal(size=8000)
        assert of_other_phases(record_of(samples), [Piece(0, 8000, 1.3e5, 3.0e5, 32, 9.0)]) is None
        short, pieces = bursts("eight", draw)
        begin = pieces[0].start
        few = Piece(begin, begin + 150, pieces[0].low_hz, pieces[0].high_hz, 32, 9.0)
        assert of_other_phases(record_of(short), [few]) is None


@pytest.mark.parametrize("kind", ["eight", "gaussian"])
def test_bursts_of_other_phases_are_refused_at_once(kind, monkeypatch):
    """No model is tried for them, which is what takes long."""
    tried = []
    monkeypatch.setattr("dsp.bpsk._of_model", lambda *a, **k: tried.append(a))
    samples, _ = bursts(kind, 4)
    result = decode(samples, RATE_HZ)
    assert result.bursts == ()
    assert result.refusal is not None
    assert result.signalling.kind != "bpsk"
    assert not tried


def test_four_frequencies_all_the_time_are_no_reversals_of_an_even_line():
    """Once a filter was undone for the hump that they make of the floor, 16,000 made-up symbols came out, in two minutes."""
    rng = np.random.default_rng(2)
    count, span = 40_000, 14.1
    symbols = rng.integers(0, 4, int(count / span) + 1)[(np.arange(count) / span).astype(int)]
    turns = np.cumsum(0.3 + (symbols - 1.5) * 0.7 / span)
    samples = np.cos(2 * np.pi * turns) + rng.normal(0.0, 0.05, count)
    result = decode(samples, RATE_HZ)
    assert result.bursts == ()
    assert result.signalling.kind != "bpsk"


@pytest.mark.parametrize("radians", [0.8, 0.9, 1.0, 1.1, 1.2])
def test_two_phases_about_a_rest_of_the_carrier_may_be_what_is_sought(radians):
    """Phases of one radian to either side leave little in a line, and little in that of the square."""
    for draw in range(10):
        rng = np.random.default_rng(draw)
        count, span = 12_000, 20.0
        signs = 1.0 - 2.0 * rng.integers(0, 2, 2 * int(count / span) + 2)
        number = (2.0 * np.arange(count) / span).astype(int)
        # bi-phase: each symbol has both
        signs[1::2] = -signs[::2]
        turned = 2 * np.pi * 0.21 * np.arange(count) + radians * signs[number]
        samples = np.cos(turned) + rng.normal(0.0, SIGMA, count)
        assert of_other_phases(record_of(samples), [Piece(0, count, 1.0e5, 3.2e5, 32, 9.0)]) is None


def test_one_side_of_a_carrier_is_not_taken_for_all_of_it():
    """At about a cycle a symbol a band may hold the lower side only: even as it is, its square has hardly a line."""
    asked = False
    for draw in range(10):
        rng = np.random.default_rng(draw)
        count, span = 24_000, 40.0
        signs = 1.0 - 2.0 * rng.integers(0, 2, int(count / span) + 1)
        keyed = signs[(np.arange(count) / span).astype(int)]
        samples = keyed * np.cos(2 * np.pi * 0.0264 * np.arange(count)) + rng.normal(0.0, 0.2, count)
        record, piece = record_of(samples), Piece(0, count, 6_000.0, 24_000.0, 64, 9.0)
        seen = moments(record, [piece])
        assert seen is not None
        asked = asked or (seen.even > 0.5 and seen.two < 0.5 * seen.even)
        assert of_other_phases(record, [piece]) is None
    assert asked
