"""When each flip happened, against the posterior over every place between two samples."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.bounds import clopper_pearson
from generators.truths import RATE_HZ, Capture, capture, true_fits

from dsp.fits import Fits
from dsp.flips import flip_times
from dsp.runs import Runs, runs_of


def naive_flips(made: Capture, fits: Fits, runs: Runs, noise: float) -> list[tuple[float, float, float]]:
    """Mean and 95 % interval of each flip: each gap between samples, half a symbol before to half after."""
    x, v = made.samples, fits.variance * noise
    out = []
    for i in range(len(fits)):
        y = runs.symbols.real[runs.offset[i] : runs.offset[i + 1]]
        out.extend(_of_one(x, v, y, fits, i))
    return out


def _of_one(x: np.ndarray, v: float, y: np.ndarray, fits: Fits, i: int) -> list[tuple[float, float, float]]:
    start, period, amplitude, omega, phase = (
        float(getattr(fits, name)[i]) for name in ("start", "period", "amplitude", "omega", "phase")
    )
    out = []
    for k in range(1, y.size):
        if (y[k] > 0) == (y[k - 1] > 0):
            continue
        edge = start + k * period
        low, high = int(np.ceil(edge - period / 2)), int(np.floor(edge + period / 2))
        m = np.arange(low, high)
        wave = np.sign(y[k - 1]) * amplitude * np.cos(omega * m + phase)
        logs = []
        for cut in range(low, high + 1):
            sent = np.where(m < cut, wave, -wave)
            logs.append(-float(np.sum((x[m] - sent) ** 2)) / (2.0 * v))
        weight = np.exp(np.array(logs) - max(logs))
        weight /= weight.sum()
        # cut c stands for all instants from sample c - 1 to sample c
        cells = np.arange(low, high + 1) - 0.5
        borders = np.arange(low - 1, high + 1)
        below = np.concatenate(([0.0], np.cumsum(weight)))
        first, last = np.interp([0.025, 0.975], below, borders)
        out.append((float(np.sum(weight * cells)), float(first), float(last)))
    return out


@pytest.mark.parametrize(("cycles", "esn0_db"), [(1.5, 16.0), (6.3, 9.0), (6.3, 16.0), (20.0, 12.0)])
@pytest.mark.parametrize("noise", [1.0, 2.0])
def test_flips_are_those_of_the_posterior(cycles, esn0_db, noise):
    made = capture((40, 13, 27), 1, cycles=cycles, esn0_db=esn0_db, lead_symbols=3.0)
    fits = true_fits(made)
    runs = runs_of(fits)
    flips = flip_times(runs, noise)
    naive = np.array(naive_flips(made, fits, runs, noise))
    assert flips.where.shape == flips.low.shape == flips.high.shape == (len(naive),)
    np.testing.assert_allclose(flips.where, naive[:, 0], atol=0.02)
    np.testing.assert_allclose(flips.low, naive[:, 1], atol=0.05)
    np.testing.assert_allclose(flips.high, naive[:, 2], atol=0.05)
    # those of each run lie within it
    for i in range(3):
        mine = flips.where[flips.offset[i] : flips.offset[i + 1]]
        y = np.sign(runs.take(np.array([i])).symbols.real)
        assert mine.size == np.sum(y[1:] != y[:-1])
        assert np.all((mine > runs.first[i]) & (mine < runs.last[i]))


@pytest.mark.parametrize("esn0_db", [8.0, 14.0, 24.0])
def test_intervals_hold_the_flip_as_often_as_they_say(esn0_db):
    inside = total = 0
    for draw in range(10):
        made = capture((80,), 20 + draw, cycles=5.0, carrier_hz=151_000.0 + 531.0 * draw, esn0_db=esn0_db)
        runs = runs_of(true_fits(made))
        flips = flip_times(runs, 1.0)
        y = runs.symbols.real
        at = np.flatnonzero(y[1:] * y[:-1] < 0) + 1
        for k, low, high in zip(at, flips.low, flips.high, strict=True):
            inside += low <= runs.starts[k] <= high
            total += 1
    low, high = clopper_pearson(inside, total, 0.999)
    assert total > 300
    assert low < 0.95 < high


def test_flips_have_no_bias():
    errors = []
    for draw in range(8):
        made = capture((80,), 40 + draw, cycles=5.0, carrier_hz=151_000.0 + 531.0 * draw, esn0_db=18.0)
        sent = np.array(made.bursts[0].flips_s) * RATE_HZ
        errors.extend(flip_times(runs_of(true_fits(made)), 1.0).where - sent)
    spread = float(np.std(errors))
    # a flip is anywhere between two samples: half a sample at most where noise hardly matters
    assert spread < 1.5
    assert abs(np.mean(errors)) < 4.0 * spread / np.sqrt(len(errors))


def test_intervals_are_in_order_around_their_flips():
    made = capture((60, 40), 60, esn0_db=10.0)
    flips = flip_times(runs_of(true_fits(made)), 1.0)
    assert np.all(np.diff(flips.where) > 0.0)
    assert np.all(flips.low < flips.where)
    assert np.all(flips.where < flips.high)


def test_more_noise_widens_the_intervals():
    runs = runs_of(true_fits(capture((60,), 61, esn0_db=12.0)))
    found = [flip_times(runs, noise) for noise in (0.5, 1.0, 2.0, 4.0)]
    widths = [float(np.median(flips.high - flips.low)) for flips in found]
    assert widths == sorted(widths)
    assert widths[-1] > 1.5 * widths[0]


def test_no_flips_give_empty_arrays_of_the_right_shape():
    runs = runs_of(true_fits(capture((20, 30), 62)))
    calm = replace(runs, symbols=np.abs(runs.symbols.real) + 0j)
    flips = flip_times(calm, 1.0)
    assert flips.where.shape == flips.low.shape == flips.high.shape == (0,)
    assert flips.offset.tolist() == [0, 0, 0]


def test_a_turn_from_one_run_to_the_next_is_no_flip():
    """Alone or with others, a run has the flips that it has."""
    runs = runs_of(true_fits(capture((12, 1, 9), 63)))
    one_way = np.concatenate((np.full(12, 3.0), [-3.0], np.full(9, 3.0)))
    flips = flip_times(replace(runs, symbols=one_way + 0j), 1.0)
    assert flips.offset.tolist() == [0, 0, 0, 0]
    mixed = replace(runs, symbols=np.concatenate((np.full(11, 3.0), [-3.0, -3.0], np.full(9, 3.0))) + 0j)
    flips = flip_times(mixed, 1.0)
    assert flips.offset.tolist() == [0, 1, 1, 1]
