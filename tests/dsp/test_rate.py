"""The search for the symbol period: its grid, its score against a naive twin, its choice."""

from __future__ import annotations

import numpy as np
import pytest
from generators.truths import RATE_HZ, Capture, capture, true_fits

from dsp.correlate import turn_back
from dsp.on_off import best_run
from dsp.rate import PHASES, Timings, _most, period_grid, search_period

CYCLES = 4.3
CARRIER_HZ = 151_003.0
PERIOD = RATE_HZ * CYCLES / CARRIER_HZ


def a_burst(draw: int, *, count: int = 24, esn0_db: float = 14.0) -> Capture:
    return capture((count,), draw, carrier_hz=CARRIER_HZ, cycles=CYCLES, esn0_db=esn0_db, lead_symbols=3.0)


@pytest.mark.parametrize("span", [100.0, 5_000.0, 200_000.0])
@pytest.mark.parametrize("step", [0.1, 0.25])
def test_no_edge_moves_further_than_a_step_between_periods(span, step):
    grid = period_grid(5.0, 80.0, span, step)
    assert grid[0] == 5.0
    assert grid[-1] >= 80.0
    shift = np.diff(grid) / grid[:-1] * (span / grid[:-1])
    assert np.all(np.diff(grid) > 0.0)
    assert shift.max() <= step * (1.0 + 1e-9)
    # and no finer than asked for, but that four symbols are supposed at least
    assert np.all(np.diff(grid) >= 0.999 * step * grid[:-1] / np.maximum(4.0, span / grid[:-1]))


def naive_score(samples, omega, period, variance, amplitude, starts, detune_steps=2):
    """Every start and detuning by sums over samples, every run of symbols, in plain loops.

    Last comes what the terms of the likelihood sum up to, to which rounding is relative.
    """
    best = (-1.0, 0.0, 0, 0.0, 0.0)
    count = max(1, int((len(samples) - period) / period) + 1)
    gain = amplitude * np.sqrt(period / (2.0 * variance))
    place = np.arange(len(samples))
    turned = samples * np.exp(-1j * omega * place)
    for start in starts:
        u = []
        for k in range(count):
            low, high = start + k * period, start + (k + 1) * period
            share = np.clip(np.minimum(high, place + 0.5) - np.maximum(low, place - 0.5), 0.0, None)
            u.append(complex(np.sum(share * turned)) / np.sqrt(variance * period / 2.0))
        middles = [(k - (count - 1) / 2.0) * period for k in range(count)]
        tried = []
        for step in range(-detune_steps, detune_steps + 1):
            detune = step / (4.0 * count * period)
            total = sum(v * v * np.exp(-4j * np.pi * detune * m) for v, m in zip(u, middles, strict=True))
            tried.append((abs(total), detune, 0.5 * np.angle(total)))
        _, detune, phase = max(tried, key=lambda t: t[0])
        score, size = [], 0.0
        for v, m in zip(u, middles, strict=True):
            y = (v * np.exp(-1j * (phase + 2.0 * np.pi * detune * m))).real
            score.append(np.logaddexp(gain * y, -gain * y) - np.log(2.0) - gain * gain / 2.0)
            size += gain * abs(v) + gain * gain / 2.0
        for a in range(count):
            for b in range(a + 1, count + 1):
                if sum(score[a:b]) > best[0]:
                    best = (sum(score[a:b]), start + a * period, b - a, detune, size)
    return best


def test_scores_are_those_of_a_naive_search():
    """Of periods in any order, each as if it were alone; in single precision, some ten roundings of 2^-24."""
    made = a_burst(1, count=10)
    omega = 2 * np.pi * CARRIER_HZ / RATE_HZ
    periods = np.array([1.0, 0.5, 1.37, 0.31, 2.2]) * PERIOD
    found = search_period(turn_back(made.samples, omega), periods, made.sigma**2, 1.0)
    np.testing.assert_array_equal(found.period, periods)
    for i, period in enumerate(periods.tolist()):
        starts = np.arange(PHASES) / PHASES * period
        nats, start, count, detune, size = naive_score(
            made.samples, omega, period, made.sigma**2, 1.0, starts
        )
        assert found.nats[i] == pytest.approx(nats, rel=0.0, abs=10 * 2.0**-24 * size)
        due = pytest.approx((count, start, detune))
        assert (found.count[i], found.start[i], found.detune[i]) == due


def from_edge(made: Capture, edges: int) -> np.ndarray:
    """The samples from so many symbols before the burst on: the grid's first start puts an edge on each flip."""
    first = float(true_fits(made).start[0]) - edges * PERIOD
    return made.samples[round(first) :]


def test_the_true_period_wins_over_its_half_and_its_double():
    """Each symbol that the data do not ask for costs ln 2 (MacKay 2003, chapter 28)."""
    omega = 2 * np.pi * CARRIER_HZ / RATE_HZ
    factors = np.array([0.5, 1.0, 1.5, 2.0])
    for draw in range(3, 9):
        made = a_burst(draw)
        # every start that puts an edge on the true one
        tried = [
            search_period(turn_back(from_edge(made, k), omega), factors * PERIOD, made.sigma**2, 1.0).nats
            for k in range(3)
        ]
        half, whole, more, twice = np.max(tried, axis=0)
        assert whole > half + 5.0
        assert whole > max(more, twice) + 20.0


@pytest.mark.parametrize("offset", [-0.15, 0.0, 0.2])
def test_search_finds_period_start_and_what_is_left_of_the_carrier(offset):
    """``offset`` is by how much of the burst's resolution the carrier is off."""
    made = a_burst(10, count=32)
    burst = made.bursts[0]
    detune = offset / (32 * PERIOD)
    turned = turn_back(made.samples, 2 * np.pi * (CARRIER_HZ / RATE_HZ + detune))
    grid = period_grid(8.0, 120.0, len(made.samples))
    search = search_period(turned, grid, made.sigma**2, 1.0)
    assert search.nats.shape == search.start.shape == search.count.shape == search.detune.shape == grid.shape
    top = int(np.argmax(search.nats))
    best = Timings(*(value[top] for value in vars(search).values()))
    # on so coarse a grid a part of the period may win, its edges falling nearer to the flips
    parts = round(PERIOD / best.period)
    assert parts in (1, 2, 3)
    assert best.period * parts == pytest.approx(PERIOD, rel=0.5 / 32)
    assert best.start == pytest.approx(burst.start_s * RATE_HZ, abs=0.5 * PERIOD)
    assert abs(best.count - 32 * parts) <= parts
    assert best.detune == pytest.approx(-detune, abs=0.2 / (32 * PERIOD))


def test_noise_scores_little():
    samples = np.random.default_rng(11).normal(size=800)
    search = search_period(turn_back(samples, 0.9), period_grid(8.0, 120.0, 800.0), 1.0, 1.0)
    assert search.nats.max() < 20.0


@pytest.mark.parametrize(("periods", "symbols"), [(40, 6), (3, 90)])
def test_most_of_a_run_is_that_of_the_best_run(periods, symbols):
    score = np.random.default_rng(3).normal(-0.2, 1.0, (periods, PHASES, symbols)).astype(np.float32)
    # and of nothing positive there is none
    score[0, 0] = -1.0
    value, _, _ = best_run(score.reshape(-1, symbols))
    np.testing.assert_allclose(_most(score).ravel(), value, rtol=0.0, atol=1e-4)
    assert _most(score)[0, 0] == 0.0
