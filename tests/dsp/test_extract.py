"""All transmissions of a known carrier and period, and none where there is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from generators.truths import RATE_HZ, Capture, capture, model_of, same_or_opposite, strip_from

from dsp.detect import Parts, make_grid
from dsp.extract import Found, Model, _silence, extract, mark
from dsp.runs import Runs, assemble, join, runs_of
from dsp.strip import Strip, strip_of


def runs_in(found: Found) -> Runs:
    parts = [runs_of(found.fits)]
    if len(found.windows):
        parts.append(assemble(found.windows, found.owner))
    return join(parts)


def found_in(made: Capture, model: Model | None = None, covered=None) -> Found:
    model = model or model_of(made)
    return extract(strip_from(made), 2.0 * np.pi * model.carrier_hz / RATE_HZ, model, covered=covered)


def assert_all_found(found: Found, made: Capture) -> None:
    runs = runs_in(found)
    assert runs.count.tolist() == [len(b.symbols) for b in made.bursts]
    assert len(found) == len(made.bursts)
    for i, burst in enumerate(made.bursts):
        near = 0.1 * RATE_HZ / burst.symbol_rate_bd + 0.5
        assert runs.first[i] == pytest.approx(burst.start_s * RATE_HZ, abs=near)
        assert same_or_opposite(runs.take(np.array([i])).symbols.real, burst.symbols)
        assert runs.nats[i] > 0.0


@pytest.mark.parametrize(("cycles", "gap"), [(1.5, 6.0), (6.3, 3.0), (6.3, 14.0), (20.0, 5.0)])
def test_every_burst_with_its_own_length(cycles, gap):
    made = capture((12, 40, 7, 64, 25), 1, cycles=cycles, gap_symbols=gap, esn0_db=16.0)
    assert_all_found(found_in(made), made)


def test_long_bursts_are_followed_and_short_ones_fitted():
    made = capture((30, 260, 30), 2, esn0_db=16.0)
    found = found_in(made)
    assert_all_found(found, made)
    assert found.fits.count.tolist() == [30, 30]
    assert np.unique(found.owner).tolist() == [0]
    assert runs_in(found).drift.tolist() == [False, True, False]


def test_weak_talkers_beside_strong_ones():
    made = capture((24, 24, 24, 24), 3, esn0_db=28.0, amplitudes=(1.0, 0.2, 1.0, 0.2), gap_symbols=8.0)
    assert_all_found(found_in(made), made)


def test_only_what_is_not_covered_is_looked_at():
    made = capture((24, 24, 24), 4)
    second = made.bursts[1]
    low, high = second.start_s * RATE_HZ - 100.0, second.end_s * RATE_HZ + 100.0
    outer = found_in(made, covered=np.array([(low, high)]))
    assert_all_found(outer, replace(made, bursts=(made.bursts[0], made.bursts[2])))
    inner = found_in(made, covered=np.array([(0.0, low), (high, float(len(made.samples)))]))
    assert_all_found(inner, replace(made, bursts=(second,)))


def test_what_is_covered_is_not_found_again():
    made = capture((24, 24, 24), 5)
    first = made.bursts[0]
    found = found_in(made, covered=np.array([(first.start_s * RATE_HZ, first.end_s * RATE_HZ)]))
    assert_all_found(found, replace(made, bursts=made.bursts[1:]))
    assert len(found_in(made, covered=np.array([(-1e9, 1e9)]))) == 0


def test_covered_samples_are_those_of_the_record():
    """A strip of two parts out of order in no way: sample numbers are the record's, not the strip's."""
    made = capture((24, 24), 12, gap_symbols=40.0)
    second = made.bursts[1]
    edge = int((made.bursts[0].end_s + second.start_s) / 2.0 * RATE_HZ)
    late = 1_000_000
    strip = Strip(
        made.samples,
        np.array([0, edge]),
        np.array([0, edge + late]),
        np.array([True, False]),
        np.array([False, True]),
        made.sigma**2,
        len(made.samples),
    )
    model, omega = model_of(made), 2.0 * np.pi * made.bursts[0].carrier_hz / RATE_HZ
    span = np.array([(second.start_s * RATE_HZ, second.end_s * RATE_HZ)])
    assert_all_found(extract(strip, omega, model, covered=span), made)
    left = extract(strip, omega, model, covered=span + late)
    assert_all_found(left, replace(made, bursts=made.bursts[:1]))


def test_nothing_is_found_in_noise():
    """Forty strips of 220 symbols: at 22 nats none may look like a burst."""
    rng = np.random.default_rng(6)
    model = Model(173e3, 36.4, gain=6.0)
    omega = 2.0 * np.pi * 0.173
    wrong = 0
    for _ in range(40):
        wrong += len(extract(strip_of(rng.normal(size=8_000), 1.0), omega, model))
    assert wrong == 0


@pytest.mark.parametrize("count", [0, 1, 30, 60, 200])
def test_too_short_strips_hold_nothing(count):
    made = capture((24,), 7)
    found = extract(strip_of(made.samples[:count], made.sigma**2), 1.0, model_of(made))
    assert len(found) == 0
    assert len(runs_of(found.fits)) == 0


@pytest.mark.parametrize("away", [0.5, 2.0, 4.0])
def test_noise_told_wrongly_is_measured_in_the_silence(away):
    """The floor may be off by twice and more: the same bursts, and the noise that is there."""
    made = capture((24, 40, 30), 13, esn0_db=15.0)
    strip = strip_from(made)
    model, omega = model_of(made), 2.0 * np.pi * made.bursts[0].carrier_hz / RATE_HZ
    found = extract(strip.with_variance(away * strip.variance), omega, model)
    assert_all_found(found, made)
    # the median of some 120 exponentials: 1 / (ln 2 sqrt(n)) = 13 % of its value
    assert found.variance == pytest.approx(made.sigma**2, rel=0.45)
    assert found.fits.variance == found.variance


def test_silence_of_few_symbols_tells_the_noise_as_well_as_all_grids_do():
    """Median of 128 exponentials: 1 / (ln 2 sqrt(128)) = 12.7 % off; with the grids between, which share samples, 9 %.

    400 draws tell a standard deviation to 3.5 % of itself.
    """
    off = []
    for draw in range(400):
        samples = np.random.default_rng(draw).normal(size=129 * 8 + 8)
        grid = make_grid(
            strip_of(samples, 1.0).turned(np.pi / 2.0, False), 1.0, 8.0, 0.5, float(samples.size)
        )
        none = Parts(*(np.zeros(0, dtype=kind) for kind in (np.int64, np.int64, np.float64, np.float64)))
        off.append(_silence(grid, none, np.zeros(grid.count, dtype=np.bool_)))
    scale, std = np.array(off).T
    assert np.mean(scale) == pytest.approx(1.0, abs=0.03)
    assert np.std(scale) < 0.107
    assert np.std(np.log(scale)) == pytest.approx(std[0], rel=0.2)


def test_the_floor_stands_unless_silence_surely_says_otherwise():
    """Some hundred silent symbols are off by a tenth by chance; a floor twice too high they contradict."""
    # of this draw they seem 14 % quieter
    made = capture((40, 30), 2, gap_symbols=40.0, esn0_db=14.0)
    strip, model = strip_from(made), model_of(made)
    omega = 2.0 * np.pi * model.carrier_hz / RATE_HZ
    kept = [
        extract(strip.with_variance(away * strip.variance), omega, model).variance / strip.variance
        for away in (1.0, 0.95, 2.0)
    ]
    assert kept[:2] == pytest.approx([1.0, 0.95])
    assert kept[2] == pytest.approx(1.0, rel=0.3)


def test_nothing_is_found_across_a_border():
    """Two parts that met by chance: one burst's head and another's tail make no burst of both."""
    made = capture((40, 40), 14, gap_symbols=30.0, esn0_db=16.0)
    first, second = made.bursts
    period = RATE_HZ / first.symbol_rate_bd
    cut, resume = int(first.start_s * RATE_HZ + 20 * period), int(second.start_s * RATE_HZ + 12 * period)
    samples = np.concatenate((made.samples[:cut], made.samples[resume:]))
    strip = replace(
        strip_of(samples, made.sigma**2),
        begins=np.array([0, cut]),
        origins=np.array([0, resume]),
        at_first=np.array([True, False]),
        at_last=np.array([False, True]),
    )
    found = extract(strip, 2.0 * np.pi * first.carrier_hz / RATE_HZ, model_of(made))
    assert found.fits.count.tolist() == [20, 28]
    assert found.fits.stop[0] == pytest.approx(cut, abs=0.6 * period)
    assert found.fits.start[1] == pytest.approx(cut, abs=0.6 * period)


def test_marked_are_the_symbols_that_a_transmission_touches():
    made = capture((20,), 15)
    grid = make_grid(strip_from(made).turned(1.0), 1.0, 10.0, 5.0, 405.0)
    taken = np.zeros(grid.count, bool)
    mark(taken, grid, np.array([105.0, -50.0]), np.array([205.0, -40.0]))
    # symbol k of the grid's columns reaches from 5 + 10 k to almost 25 + 10 k
    touched = [k for k in range(grid.count) if 25.0 + 10.0 * k - 1.25 > 105.0 and 5.0 + 10.0 * k < 205.0]
    assert set(touched) <= set(np.flatnonzero(taken).tolist())
    assert np.sum(taken) <= len(touched) + 2
    assert not taken[:8].any()
    assert not taken[-10:].any()
