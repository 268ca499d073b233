"""Windows of a long transmission in which the phase does not turn: known as such, and placed by the clock of the others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from generators.truths import RATE_HZ, sigma_for, signs_of

from dsp.coast import coasted, symbols_apart, tells_time, tracked
from dsp.detect import WINDOW, Parts, acquire, make_grid, windows_of
from dsp.fits import Fits, Ints
from dsp.settling import settle
from dsp.strip import strip_of
from dsp.synth import BurstSpec, random_symbols, waveform

SYMBOL_RATE = 20_000.0
PERIOD = RATE_HZ / SYMBOL_RATE
CARRIER_HZ = 137_123.0
LEAD = 40.0 * PERIOD
# a message, a rest, a message, a rest, and one more
MESSAGE, REST = 96, 230


def sent(rng: np.random.Generator) -> str:
    messages = [random_symbols(MESSAGE, rng) for _ in range(3)]
    return ("1" * REST).join(messages)


def windows(esn0_db: float, draw: int, period: float = PERIOD) -> tuple[Fits, Ints, str]:
    """Windows of a transmission as they are acquired with such a ``period``, and the symbols."""
    rng = np.random.default_rng(draw)
    symbols = sent(rng)
    spec = BurstSpec(LEAD / RATE_HZ, symbols, SYMBOL_RATE, CARRIER_HZ, 1.0, rng.uniform(0.0, 2.0 * np.pi))
    at = np.arange(int(spec.end_s * RATE_HZ + LEAD))
    inside = (at >= spec.start_s * RATE_HZ) & (at < spec.end_s * RATE_HZ)
    values = np.zeros(at.size)
    values[inside] = waveform(spec, at[inside] / RATE_HZ - spec.start_s)
    sigma = sigma_for(esn0_db, SYMBOL_RATE)
    strip = strip_of(values + sigma * rng.standard_normal(at.size), sigma**2)
    turned = strip.turned(2.0 * np.pi * CARRIER_HZ / RATE_HZ, True)
    grid = make_grid(turned, sigma**2, period, 0.0, float(at.size))
    first = round(LEAD / period)
    part = Parts(
        np.array([first]),
        np.array([first + int(len(symbols) * PERIOD / period)]),
        np.array([0.0]),
        np.array([float(at.size)]),
    )
    cut, owner = windows_of(part, grid)
    return acquire(grid, cut), owner, symbols


def turned_over(fits: Fits, symbols: str) -> np.ndarray:
    """How many symbols of each window are of its rarer sign."""
    first = np.rint((fits.start - LEAD) / PERIOD).astype(int)
    signs = signs_of(symbols)
    out = []
    for a, count in zip(first.tolist(), fits.count.tolist(), strict=True):
        mine = signs[max(0, a) : a + count]
        out.append(min(int(np.sum(mine > 0)), int(np.sum(mine < 0))))
    return np.array(out)


@pytest.mark.parametrize("esn0_db", [7.0, 10.0, 16.0])
def test_windows_that_rest_tell_no_time_and_others_do(esn0_db):
    found, _, symbols = windows(esn0_db, 1)
    told, rare = tells_time(found), turned_over(found, symbols)
    assert np.count_nonzero(rare == 0) > 10
    assert not told[rare == 0].any()
    assert told[rare >= 4].all()


@pytest.mark.parametrize(("esn0_db", "off"), [(7.0, 0.0), (14.0, 3e-4), (14.0, -4e-3), (20.0, 8e-3)])
def test_windows_that_rest_are_put_on_the_grid_of_those_that_turn(esn0_db, off):
    """With a period that is ``off``, by which a window in the middle of a rest would be off by a symbol and more."""
    found, owner, _ = windows(esn0_db, 2, PERIOD * (1.0 + off))
    told = tells_time(found)
    settled = settle(tracked(found, owner, told), ends=False, width=0.12)
    # what rests may lie anywhere
    shift = np.random.default_rng(3).uniform(-0.45, 0.45, len(settled)) * PERIOD
    moved = coasted(replace(settled, start=settled.start + np.where(told, 0.0, shift)), owner, told)
    assert np.array_equal(moved.start[told], settled.start[told])
    place = (moved.start + WINDOW // 2 * moved.period - LEAD) / PERIOD
    # each flip is known to 1.5 / g^2 of a symbol or so (Hinkley 1970), of which there are twenty in a window
    assert np.max(np.abs(place - np.rint(place))) < 0.12
    # over nine windows 24 symbols apart
    assert np.max(np.abs(moved.period[~told] / PERIOD - 1.0)) < 0.12 / (9 * WINDOW / 2)


def test_where_nothing_turns_all_stays_as_it_is():
    found, owner, _ = windows(14.0, 4)
    none = np.zeros(len(found), dtype=np.bool_)
    assert np.array_equal(tracked(found, owner, none).period, found.period)
    np.testing.assert_allclose(coasted(found, owner, none).start, found.start, rtol=1e-12)
    assert coasted(found, owner, ~none) is found


def test_one_period_counts_the_symbols_of_rests_of_several_lengths():
    """Known to 2e-4 the period leaves a rest of 2448 symbols open by half a symbol; three shorter ones tell it."""
    whole = np.array([240.0, 613.0, 1175.0, 2448.0])
    rng = np.random.default_rng(6)
    for _ in range(20):
        apart = PERIOD * (whole + 0.01 * rng.standard_normal(whole.size))
        told = PERIOD * (1.0 + 2e-4 * rng.standard_normal())
        found = symbols_apart(apart, np.full(whole.size, 0.01 * PERIOD), told, 2e-4 * PERIOD)
        assert found is not None
        assert np.array_equal(found, whole)


def test_a_rest_by_itself_that_several_periods_fit_is_not_counted():
    apart, known = PERIOD * np.array([2448.0]), np.array([0.01 * PERIOD])
    assert symbols_apart(apart, known, PERIOD, 2e-4 * PERIOD) is None
    found = symbols_apart(apart, known, PERIOD, 2e-5 * PERIOD)
    assert found is not None
    assert found.tolist() == [2448.0]


def test_rests_that_no_one_period_fits_are_not_counted():
    apart = PERIOD * np.array([240.3, 613.0, 1175.5, 2448.0])
    assert symbols_apart(apart, np.full(4, 0.01 * PERIOD), PERIOD, 1e-4 * PERIOD) is None
