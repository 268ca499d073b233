"""Half cycles of a carrier with flips, against where they were put."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.half_cycles import find_half_cycles, swing_level
from dsp.interpolate import find_crossings, middle_level


def keyed(symbols: str, *, cycles: float, samples_per_cycle: float, shift: float = 0.0) -> np.ndarray:
    """A carrier that begins at a rising zero crossing, turned over with its symbols, ``shift`` cycles late."""
    count = round(len(symbols) * cycles * samples_per_cycle)
    phase = np.arange(count) / samples_per_cycle
    at = np.clip(((phase - shift) // cycles).astype(int), 0, len(symbols) - 1)
    signs = np.array([1.0 if symbol == "1" else -1.0 for symbol in symbols])
    return signs[at] * np.sin(2 * np.pi * phase)


def edges(symbols: str, cycles: float, samples_per_cycle: float) -> np.ndarray:
    turned = [k for k in range(1, len(symbols)) if symbols[k] != symbols[k - 1]]
    return np.array(turned) * cycles * samples_per_cycle


SYMBOLS = "110100011101011000101101110010"


@pytest.mark.parametrize("samples_per_cycle", [7.3, 24.0, 301.7])
@pytest.mark.parametrize("cycles", [1, 4, 10, 2.5])
def test_every_flip_at_a_crossing_is_a_turn_and_nothing_else_is(cycles, samples_per_cycle):
    values = keyed(SYMBOLS, cycles=cycles, samples_per_cycle=samples_per_cycle)
    found = find_half_cycles(values, hysteresis=0.1)
    turns = found.positions[found.turned]
    truth = edges(SYMBOLS, cycles, samples_per_cycle)
    assert turns.size == truth.size
    # a sample interval at the turn itself has both signs
    assert turns == pytest.approx(truth, abs=0.02 * samples_per_cycle)
    crossings = find_crossings(values, hysteresis=0.1).positions
    assert found.positions[~found.turned] == pytest.approx(crossings)
    assert np.all(np.diff(found.positions) > 0)
    # with the turns among them, places are half a cycle apart throughout
    assert np.diff(found.positions) == pytest.approx(samples_per_cycle / 2, rel=0.1)


def test_turns_in_noise_scatter_as_crossings_do():
    rng = np.random.default_rng(20)
    noise, samples_per_cycle = 0.05, 40.0
    clean = keyed(SYMBOLS, cycles=4, samples_per_cycle=samples_per_cycle)
    truth = edges(SYMBOLS, 4, samples_per_cycle)
    errors = []
    for _ in range(60):
        found = find_half_cycles(clean + noise * rng.normal(size=clean.size), hysteresis=0.25)
        turns = found.positions[found.turned]
        assert turns.size == truth.size
        errors.append(turns - truth)
    # noise over slope is the scatter of one crossing; a turn is the mean of two, interpolation averages a little more
    one = noise / (2 * np.pi / samples_per_cycle)
    assert np.std(errors) == pytest.approx(one / np.sqrt(2), rel=0.25)
    assert abs(np.mean(errors)) < 0.1 * one


def test_a_flip_away_from_a_crossing_is_a_crossing_itself():
    values = keyed("1101", cycles=5, samples_per_cycle=40.0, shift=0.2)
    found = find_half_cycles(values, hysteresis=0.1)
    assert not found.turned.any()
    assert np.abs(found.positions - (2 * 5 + 0.2) * 40.0).min() < 1.0


def test_silence_and_other_shapes_have_no_turns():
    burst = np.sin(2 * np.pi * np.arange(400) / 20)
    apart = np.concatenate([burst, np.zeros(300), burst])
    short = np.concatenate([burst, np.zeros(45), burst])
    for values in (apart, short):
        assert not find_half_cycles(values, hysteresis=0.1).turned.any()
    square = np.repeat([1.0, -1.0, 1.0, 1.0, -1.0, 1.0, -1.0, -1.0, 1.0, -1.0], 50)
    assert not find_half_cycles(square, hysteresis=0.1).turned.any()
    assert len(find_half_cycles(np.zeros(50))) == 0
    assert not find_half_cycles(burst[:25], hysteresis=0.1).turned.any()


def test_nothing_is_said_across_a_gap():
    values = keyed("10", cycles=10, samples_per_cycle=20.0)
    values[195:206] = np.nan
    assert not find_half_cycles(values, hysteresis=0.1).turned.any()
    # but a gap elsewhere hides no turn
    values = keyed("1011", cycles=10, samples_per_cycle=20.0)
    values[30:34] = np.nan
    found = find_half_cycles(values, hysteresis=0.1)
    assert found.positions[found.turned] == pytest.approx([200, 400], abs=0.5)


def test_flips_do_not_shift_the_level():
    rng = np.random.default_rng(3)
    errors, plain = [], []
    for _ in range(50):
        symbols = "".join(rng.choice(["0", "1"], 12))
        values = 24 + keyed(symbols, cycles=3, samples_per_cycle=33.3) + 0.02 * rng.normal(size=1199)
        errors.append(swing_level(values, hysteresis=0.1) - 24)
        plain.append(middle_level(values) - 24)
    assert np.abs(errors).max() < 0.01
    # that the mean over everything is not as good is why there is another one
    assert np.std(plain) > 4 * np.std(errors)


def test_without_even_cycles_the_level_is_the_middle():
    ramp = np.linspace(0, 1, 100)
    assert swing_level(ramp) == middle_level(ramp)
    broken = np.sin(2 * np.pi * np.arange(400) / 40)
    broken[::7] = np.nan
    assert swing_level(broken, hysteresis=0.1) == middle_level(broken)


@pytest.mark.parametrize("rise_cycles", [0.5, 1.0, 2.0, 3.0])
@pytest.mark.parametrize("phase_cycles", [0.0, 0.1, 0.25, 0.4])
def test_on_a_slow_line_there_is_a_place_at_every_flip(rise_cycles, phase_cycles):
    """Flips anywhere in the cycle, the sign going over linearly, as an average over some cycles makes it."""
    samples_per_cycle, cycles = 30.0, 8
    count = round(len(SYMBOLS) * cycles * samples_per_cycle)
    signs = np.repeat([1.0 if symbol == "1" else -1.0 for symbol in SYMBOLS], count // len(SYMBOLS))
    width = round(rise_cycles * samples_per_cycle)
    slow = np.convolve(np.pad(signs, width, mode="edge"), np.ones(width) / width, "same")[width:-width]
    values = slow * np.sin(2 * np.pi * (np.arange(count) / samples_per_cycle + phase_cycles))
    found = find_half_cycles(values, hysteresis=0.1)
    for edge in edges(SYMBOLS, cycles, samples_per_cycle):
        assert np.abs(found.positions - edge).min() < samples_per_cycle / 8
    assert np.diff(found.positions).max() < 1.2 * samples_per_cycle


@pytest.mark.parametrize(("samples_per_cycle", "ratio"), [(12.3, 5.0), (40.7, 3.0), (201.0, 1.0)])
def test_noise_that_hides_every_crossing_is_averaged_away(samples_per_cycle, ratio):
    rng = np.random.default_rng(12)
    noise = 1 / ratio
    truth = edges(SYMBOLS, 5, samples_per_cycle)
    told = false = 0
    for _ in range(20):
        clean = keyed(SYMBOLS, cycles=5, samples_per_cycle=samples_per_cycle)
        found = find_half_cycles(
            clean + noise * rng.normal(size=clean.size), hysteresis=min(noise, 0.2), noise=noise
        )
        turns = found.positions[found.turned]
        hits = sum(bool(np.abs(turns - edge).min() < samples_per_cycle / 8) for edge in truth)
        told, false = told + hits, false + turns.size - hits
    assert told >= 0.97 * 20 * truth.size
    assert false <= 0.01 * 20 * truth.size


def test_averaging_shifts_no_crossing():
    phase = np.arange(4000) / 61.3
    rng = np.random.default_rng(4)
    errors = []
    for _ in range(100):
        values = np.sin(2 * np.pi * phase) + 0.3 * rng.normal(size=phase.size)
        positions = find_half_cycles(values, hysteresis=0.2, noise=0.3).positions
        assert positions.size in (129, 130, 131)
        errors.append(positions - 61.3 / 2 * np.rint(positions / (61.3 / 2)))
    scatter = np.concatenate(errors)
    # noise of one sample over the slope is 2.9 samples; averaged it is less
    assert np.sqrt(np.mean(scatter**2)) < 1.5
    assert abs(scatter.mean()) < 0.1
