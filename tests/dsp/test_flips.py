"""When each flip happened, against the posterior over every place between two samples."""

from __future__ import annotations

import numpy as np
import pytest
from benchmarks.bounds import clopper_pearson
from generators.truths import RATE_HZ, capture, true_fit

from dsp.flips import flip_times
from dsp.track import run_of


def naive_flips(fit, noise: float) -> list[tuple[float, float, float]]:
    """Mean and 95 % interval of each flip: each gap between samples, half a symbol before to half after."""
    x, v = fit.region.samples, fit.region.variance * noise
    y = fit.turned_symbols().real
    out = []
    for k in range(1, fit.count):
        if (y[k] > 0) == (y[k - 1] > 0):
            continue
        edge = fit.start + k * fit.period
        low, high = int(np.ceil(edge - fit.period / 2)), int(np.floor(edge + fit.period / 2))
        m = np.arange(low, high)
        wave = np.sign(y[k - 1]) * fit.amplitude * np.cos(fit.omega * m + fit.phase)
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
    made = capture((40,), 1, cycles=cycles, esn0_db=esn0_db, lead_symbols=3.0)
    fit = true_fit(made)
    where, interval = flip_times(run_of(fit), noise)
    naive = np.array(naive_flips(fit, noise))
    assert where.shape == (len(naive),)
    assert interval.shape == (len(naive), 2)
    np.testing.assert_allclose(where, naive[:, 0], atol=0.02)
    np.testing.assert_allclose(interval, naive[:, 1:], atol=0.05)


@pytest.mark.parametrize("esn0_db", [8.0, 14.0, 24.0])
def test_intervals_hold_the_flip_as_often_as_they_say(esn0_db):
    inside = total = 0
    for draw in range(10):
        made = capture((80,), 20 + draw, cycles=5.0, carrier_hz=151_000.0 + 531.0 * draw, esn0_db=esn0_db)
        run = run_of(true_fit(made))
        _, interval = flip_times(run, 1.0)
        y = run.symbols.real
        for k, (low, high) in zip(np.flatnonzero(y[1:] * y[:-1] < 0) + 1, interval, strict=True):
            inside += low <= run.edges[k] <= high
            total += 1
    low, high = clopper_pearson(inside, total, 0.999)
    assert total > 300
    assert low < 0.95 < high


def test_flips_have_no_bias():
    errors = []
    for draw in range(8):
        made = capture((80,), 40 + draw, cycles=5.0, carrier_hz=151_000.0 + 531.0 * draw, esn0_db=18.0)
        run = run_of(true_fit(made))
        where, _ = flip_times(run, 1.0)
        sent = np.array(made.bursts[0].flips_s) * RATE_HZ
        errors.extend(where - sent)
    spread = float(np.std(errors))
    # a flip is anywhere between two samples: half a sample at most where noise hardly matters
    assert spread < 1.5
    assert abs(np.mean(errors)) < 4.0 * spread / np.sqrt(len(errors))


def test_intervals_are_in_order_around_their_flips():
    made = capture((60,), 60, esn0_db=10.0)
    where, interval = flip_times(run_of(true_fit(made)), 1.0)
    assert np.all(np.diff(where) > 0.0)
    assert np.all(interval[:, 0] < where)
    assert np.all(where < interval[:, 1])


def test_more_noise_widens_the_intervals():
    made = capture((60,), 61, esn0_db=12.0)
    run = run_of(true_fit(made))
    widths = [np.median(np.diff(flip_times(run, noise)[1], axis=1)) for noise in (0.5, 1.0, 2.0, 4.0)]
    assert widths == sorted(widths)
    assert widths[-1] > 1.5 * widths[0]


def test_no_flips_give_empty_arrays_of_the_right_shape():
    made = capture((20,), 62)
    fit = true_fit(made)
    run = run_of(fit)
    calm = type(run)(**{**vars(run), "symbols": np.abs(run.symbols.real) + 0j})
    where, interval = flip_times(calm, 1.0)
    assert where.shape == (0,)
    assert interval.shape == (0, 2)
