"""Where symbols are sent: the grid against sums over samples, parts against the bursts, rough fits near them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from generators.truths import RATE_HZ, Capture, capture, model_of, strip_from, true_fits

from dsp.correlate import turn_back
from dsp.detect import LONG, PHASES, Grid, Parts, acquire, find_parts, make_grid, windows_of

NOWHERE = np.zeros(0)


def grid_of(made: Capture, *, off: float = 0.0) -> Grid:
    """Over the whole capture, the carrier ``off`` by so many cycles a symbol."""
    strip, model = strip_from(made), model_of(made)
    omega = 2.0 * np.pi * (model.carrier_hz / RATE_HZ + off / model.period)
    return make_grid(strip.turned(omega), strip.variance, model.period, 0.0, float(strip.size))


def test_grid_is_the_correlation_with_the_turned_carrier():
    """Each sample shared out between the symbols that its interval lies in."""
    made = capture((12,), 1, cycles=2.3)
    strip, period, omega = strip_from(made), 31.7, 1.1
    grid = make_grid(strip.turned(omega), strip.variance, period, 4.5, 500.0)
    assert grid.u.shape == (grid.count, PHASES)
    place = np.arange(strip.size)
    for k in range(grid.count):
        for p in range(PHASES):
            low = 4.5 + (k + p / PHASES) * period
            share = np.clip(np.minimum(low + period, place + 0.5) - np.maximum(low, place - 0.5), 0.0, None)
            u = np.sum(share * strip.samples * np.exp(-1j * omega * place))
            u /= np.sqrt(strip.variance * period / 2.0)
            assert grid.u[k, p] == pytest.approx(u, abs=1e-4)
            assert grid.energy[k, p] == pytest.approx(abs(u) ** 2, rel=1e-4, abs=1e-3)
    # all grids end within the stretch
    assert 4.5 + (grid.count + (PHASES - 1) / PHASES) * period <= 500.0


@pytest.mark.parametrize("scale", [0.25, 1.0, 3.0])
def test_scaled_grid_is_that_of_the_other_noise(scale):
    made = capture((12,), 2)
    strip = strip_from(made)
    turned = strip.turned(1.0)
    found = make_grid(turned, strip.variance, 30.0, 0.0, 900.0).scaled(scale)
    due = make_grid(turned, scale * strip.variance, 30.0, 0.0, 900.0)
    assert found.variance == pytest.approx(due.variance)
    np.testing.assert_allclose(found.u, due.u, rtol=1e-5, atol=1e-6)
    np.testing.assert_allclose(found.energy, due.energy, rtol=1e-5, atol=1e-6)


@pytest.mark.parametrize("cycles", [1.5, 6.3, 20.0])
@pytest.mark.parametrize("gap", [6.0, 14.0])
def test_parts_are_the_bursts(cycles, gap):
    made = capture((12, 40, 7, 64), 3, cycles=cycles, gap_symbols=gap, esn0_db=16.0)
    grid, truth = grid_of(made), true_fits(made)
    parts = find_parts(grid, NOWHERE)
    assert len(parts) == 4
    # to the symbol that either end cuts
    assert np.all(np.abs(grid.begin + parts.first * grid.period - truth.start) < 2.0 * grid.period)
    assert np.all(np.abs(grid.begin + parts.last * grid.period - truth.stop) < 2.0 * grid.period)
    # each may move, but not into its neighbour's room by more than the half symbol that fits may overlap
    assert np.all(parts.low <= truth.start)
    assert np.all(parts.high >= truth.stop)
    assert np.all(parts.high[:-1] <= parts.low[1:] + 0.5 * grid.period + 1e-6)


def test_a_burst_of_five_symbols_is_a_part():
    """16 dB: a symbol is nine times as long as its noise."""
    found = 0
    for draw in range(20):
        made = capture((5,), 100 + draw, esn0_db=16.0)
        parts, truth = find_parts(grid_of(made), NOWHERE), true_fits(made)
        found += np.sum((parts.low <= truth.start) & (parts.high >= truth.stop)) == 1
    assert found == 20


def test_silence_has_no_parts():
    quiet = turn_back(np.zeros(4_000), 1.0)
    grid = make_grid(quiet, 1.0, 36.0, 0.0, 4_000.0)
    assert len(find_parts(grid, NOWHERE)) == 0
    assert len(acquire(grid, find_parts(grid, NOWHERE))) == 0
    nothing = make_grid(quiet, 1.0, 36.0, 0.0, 10.0)
    assert nothing.count == 0
    assert len(find_parts(nothing, NOWHERE)) == 0


def test_noise_has_few_parts_and_short_ones():
    """Of 40 strips of 200 symbols: what is looked at for nothing must stay cheap."""
    rng = np.random.default_rng(4)
    lengths = []
    for _ in range(40):
        grid = make_grid(turn_back(rng.normal(size=8_000), 1.0), 1.0, 40.0, 0.0, 8_000.0)
        parts = find_parts(grid, NOWHERE)
        lengths.extend((parts.last - parts.first).tolist())
    assert len(lengths) < 40
    assert sum(lengths) < 40 * 200 / 50


@pytest.mark.parametrize("symbol", [10, 20, 33])
def test_no_part_crosses_a_border(symbol):
    made = capture((40,), 5)
    grid, truth = grid_of(made), true_fits(made)
    border = float(truth.start[0] + symbol * truth.period[0])
    parts = find_parts(grid, np.array([border]))
    assert len(parts) == 2
    assert parts.high[0] <= border <= parts.low[1]
    assert grid.begin + parts.last[0] * grid.period <= border + grid.period
    assert grid.begin + parts.first[1] * grid.period >= border - grid.period
    assert parts.low[0] <= truth.start[0]
    assert parts.high[1] >= truth.stop[0]


@pytest.mark.parametrize("symbol", [10, 20, 33])
def test_room_reaches_up_to_a_border_from_both_sides(symbol):
    """Of a burst that a border cuts between two symbols, none of them need be lost."""
    made = capture((40,), 5)
    grid, truth = grid_of(made), true_fits(made)
    border = float(truth.start[0] + symbol * truth.period[0])
    parts = find_parts(grid, np.array([border]))
    assert border - parts.high[0] < 0.1 * grid.period
    assert parts.low[1] - border < 0.1 * grid.period


def test_what_is_taken_is_neither_found_nor_moved_into():
    made = capture((24, 30, 24), 6, gap_symbols=8.0)
    grid, truth = grid_of(made), true_fits(made)
    k = np.arange(grid.count)
    taken = (k * grid.period > truth.start[1] - 2 * grid.period) & (k * grid.period < truth.stop[1])
    parts = find_parts(grid, NOWHERE, taken)
    assert len(parts) == 2
    walls = np.flatnonzero(taken)[[0, -1]] + np.array([0, 1])
    assert parts.high[0] <= walls[0] * grid.period + 1e-6
    assert parts.low[1] >= walls[1] * grid.period - 1e-6
    assert len(find_parts(grid, NOWHERE, np.ones(grid.count, bool))) == 0


@pytest.mark.parametrize("off", [-0.1, -0.03, 0.0, 0.1])
@pytest.mark.parametrize("cycles", [6.3, 20.0])
def test_acquired_are_timing_and_carrier_about_right(off, cycles):
    """``off`` is by how many cycles a symbol the carrier turned back differs."""
    made = capture((24, 40, 12), 7, cycles=cycles, esn0_db=16.0)
    grid, truth = grid_of(made, off=off), true_fits(made)
    fits = acquire(grid, find_parts(grid, NOWHERE))
    assert len(fits) == 3
    assert np.all(np.abs(fits.count - truth.count) <= 1)
    # a sixteenth of a symbol of the best of eight grids, and what noise adds
    shift = (fits.start - truth.start) / truth.period
    assert np.max(np.abs(shift - np.rint(shift))) < 0.13
    assert np.max(np.abs(shift)) < 1.2
    # a quarter of each one's own resolution
    away = (fits.omega - truth.omega) / (2.0 * np.pi) * truth.count * truth.period
    assert np.max(np.abs(away)) < 0.25
    assert fits.amplitude == pytest.approx(np.ones(3), rel=0.25)
    phase = fits.phase + fits.detune * (truth.middle - fits.centre) + grid.turned.omega * truth.middle
    phase -= truth.phase + truth.omega * truth.middle
    assert np.max(np.abs(np.angle(np.exp(2j * phase)) / 2.0)) < 0.6


def test_the_stronger_of_several_has_its_own_amplitude():
    made = capture((24, 24, 24), 9, amplitudes=(1.0, 1.6, 1.0), gap_symbols=20.0)
    grid, truth = grid_of(made), true_fits(made)
    fits = acquire(grid, find_parts(grid, NOWHERE))
    assert fits.start == pytest.approx(truth.start, abs=truth.period[0])
    assert np.all(np.abs(fits.count - 24) <= 1)
    assert fits.amplitude == pytest.approx(np.array([1.0, 1.6, 1.0]), rel=0.2)


@pytest.mark.parametrize("length", [1, LONG // 2, LONG + 1, 1_000])
def test_windows_cover_any_length(length):
    made = capture((12,), 10)
    grid = grid_of(made)
    part = Parts(np.array([7]), np.array([7 + length]), np.array([0.0]), np.array([1e9]))
    windows, owner = windows_of(part, grid)
    assert not owner.any()
    covered = np.zeros(7 + length, bool)
    for a, b in zip(windows.first, windows.last, strict=True):
        assert 7 <= a < b <= 7 + length
        covered[a:b] = True
    assert covered[7:].all()


def test_weak_and_strong_within_one_part_are_seen_apart():
    """14 dB between two talkers that follow each other by six symbols."""
    made = capture((30, 30), 11, esn0_db=28.0, amplitudes=(1.0, 0.2), gap_symbols=6.0)
    grid, truth = grid_of(made), true_fits(made)
    parts = find_parts(grid, NOWHERE)
    assert len(parts) == 2
    fits = acquire(grid, replace(parts))
    assert fits.amplitude == pytest.approx(truth.amplitude, rel=0.25)
