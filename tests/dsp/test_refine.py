"""From the best of many periods to the top of the likelihood."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from generators.truths import Capture, capture, same_or_opposite, true_fits

from dsp.fits import Fits, scored
from dsp.rate import Timings, period_grid, search_period
from dsp.refine import first_fits, polish
from dsp.runs import runs_of

CARRIER_HZ, CYCLES = 151_003.0, 4.3


def a_burst(draw: int, *, count: int = 24, esn0_db: float = 14.0) -> Capture:
    return capture((count,), draw, carrier_hz=CARRIER_HZ, cycles=CYCLES, esn0_db=esn0_db, lead_symbols=3.0)


def timings_of(*rows: tuple[float, float]) -> Timings:
    """Of periods with their likelihoods; each a transmission of twenty symbols."""
    period, nats = np.array(rows).T
    count = np.full(period.size, 20)
    return Timings(period, np.zeros(period.size), count, np.zeros(period.size), nats)


def kept(*rows: tuple[float, float], rival_nats: float = 0.0) -> list[float]:
    turned = true_fits(a_burst(1)).turned
    return first_fits(timings_of(*rows), turned, 1.0, 1.0, rival_nats).period.tolist()


def test_the_best_clearly_different_periods_are_kept():
    assert kept((30.0, 80.0), (30.3, 100.0), (29.9, 90.0), (20.0, 95.0)) == [30.3, 20.0]
    # at most two of an octave, each octave its own
    assert kept((17.0, 99.0), (20.0, 98.0), (25.0, 97.0), (40.0, 60.0), (9.0, 55.0)) == [
        17.0,
        20.0,
        40.0,
        9.0,
    ]
    # less than half the best says nothing
    assert kept((17.0, 99.0), (40.0, 49.0)) == [17.0]
    # nor does less than half of what others came to
    assert kept((17.0, 99.0), (40.0, 60.0), rival_nats=130.0) == [17.0]
    assert kept((17.0, 99.0), (40.0, 60.0), rival_nats=200.0) == []
    # seven in all
    octaves = [(2.2 * 2.0**k * f, 90.0 - k) for k in range(5) for f in (1.0, 1.5)]
    assert len(kept(*octaves)) == 7


def test_too_few_symbols_are_no_transmission():
    turned = true_fits(a_burst(1)).turned
    few = replace(timings_of((20.0, 50.0)), count=np.array([3]))
    assert len(first_fits(few, turned, 1.0, 1.0)) == 0
    assert len(polish(first_fits(few, turned, 1.0, 1.0))) == 0


@pytest.mark.parametrize(("period", "start"), [(-0.3, 0.1), (0.0, 0.0), (0.25, -0.15), (0.1, 0.3)])
def test_polished_is_at_the_top(period, start):
    """``period`` is off by so many symbols over the burst, ``start`` by so many symbols."""
    made = a_burst(2, count=40)
    truth = scored(true_fits(made, sharp=False))
    rough = replace(
        truth,
        period=truth.period * (1.0 + period / 40),
        start=truth.start + (start - period / 2.0) * truth.period,
        phase=truth.phase + 0.3,
        amplitude=0.8 * truth.amplitude,
    )
    found = polish(rough)
    assert found.count.tolist() == [40]
    assert found.nats[0] > truth.nats[0] - 1.0
    # a flip is anywhere between two samples, an end of the burst within a small part of a symbol
    assert found.start[0] == pytest.approx(truth.start[0], abs=0.5 + 0.05 * truth.period[0])
    assert found.stop[0] == pytest.approx(truth.stop[0], abs=0.5 + 0.05 * truth.period[0])
    assert same_or_opposite(runs_of(found).symbols.real, made.bursts[0].symbols)


def test_rows_are_polished_as_each_alone():
    made = a_burst(3, count=32)
    truth = true_fits(made, sharp=False)
    rough: Fits = replace(truth, period=truth.period * 1.004).take(np.array([0, 0, 0]))
    rough = replace(rough, period=rough.period * np.array([1.0, 0.5, 1.001]), count=np.array([32, 64, 32]))
    together = polish(rough)
    for i in range(3):
        alone = polish(rough.take(np.array([i])))
        assert together.period[i] == pytest.approx(alone.period[0], rel=1e-4)
        assert together.nats[i] == pytest.approx(alone.nats[0], abs=0.5)


def test_search_and_polish_find_the_period_told_nothing():
    """Or, on its coarse grid, a part of it: whether symbols belong together is for what comes after."""
    for draw in range(8):
        made = a_burst(20 + draw, count=28)
        truth = true_fits(made, sharp=False)
        grid = period_grid(8.0, 120.0, len(made.samples))
        timings = search_period(truth.turned, grid, made.sigma**2, 1.0)
        found = polish(first_fits(timings, truth.turned, made.sigma**2, 1.0))
        ratio = truth.period[0] / found.period
        parts = np.rint(ratio)
        # a tenth of a symbol over the burst
        near = (parts >= 1) & (np.abs(ratio / np.maximum(parts, 1) - 1.0) < 0.1 / 28)
        assert near.any()
        assert found.nats[near].max() > found.nats.max() - 2.0
        assert np.any(near & (parts == 1))
