"""The likelihood of many timings of weak transmissions from tables, against that of each by itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from generators.truths import RATE_HZ, capture, true_fits

from dsp import weak
from dsp.fits import timing_nats
from dsp.weak import WeakTiming

LENGTHS = (24, 37, 64)
SHAPES = [(1.0, 9.3), (2.37, 4.4), (6.5, 25.0), (12.71, 7.0), (48.0, 3.1)]


def made_weak(cycles, samples_per_cycle, draw, *, sharp=False):
    made = capture(
        LENGTHS, draw, carrier_hz=RATE_HZ / samples_per_cycle, cycles=cycles, esn0_db=6.0, lead_symbols=3.0
    )
    fits = true_fits(made)
    return replace(fits, turned=fits.turned.sharpened(sharp))


def one_by_one(fits, periods, steps):
    first = fits.middle - 0.5 * fits.count * periods[:, None]
    return np.array(
        [
            timing_nats(fits, a[:, None] + steps, np.full(len(fits), p))
            for a, p in zip(first, periods, strict=True)
        ]
    )


def grid(fits, apart, periods=31, starts=33):
    period = float(fits.period[0])
    reach = np.minimum(0.5, 4.0 / (1.0 + fits.gain**2)) * fits.period
    return (
        period * (1.0 + np.linspace(-apart, apart, periods)),
        reach[:, None] * np.linspace(-1.0, 1.0, starts) + 0.0137,
    )


@pytest.mark.parametrize("sharp", [False, True])
@pytest.mark.parametrize("apart", [1e-4, 3e-3, 2e-2])
@pytest.mark.parametrize(("cycles", "samples_per_cycle"), SHAPES)
def test_tables_say_what_each_timing_by_itself_does(cycles, samples_per_cycle, apart, sharp):
    fits = made_weak(cycles, samples_per_cycle, 5, sharp=sharp)
    periods, steps = grid(fits, apart)
    found, due = WeakTiming(fits).over(periods, steps), one_by_one(fits, periods, steps)
    assert found.shape == (31, len(fits), 33)
    off = np.abs(found - due) > 1e-3
    # an edge within a hundred thousandth of a sample may count on the sample's other side
    assert np.count_nonzero(off) <= (0.005 * off.size if sharp else 0)


@pytest.mark.parametrize("sharp", [False, True])
@pytest.mark.parametrize(("cycles", "samples_per_cycle"), SHAPES)
def test_each_turns_with_its_own_carrier(cycles, samples_per_cycle, sharp):
    """By itself a timing is told with the angle in the middle of each symbol, here with that of each sample."""
    fits = made_weak(cycles, samples_per_cycle, 6, sharp=sharp)
    # a tenth of a radian over the longest
    fits = replace(fits, detune=0.1 / (64 * fits.period) * np.array([1.0, -1.0, 0.7]))
    periods, steps = grid(fits, 1e-3)
    found, due = WeakTiming(fits).over(periods, steps), one_by_one(fits, periods, steps)
    off = np.abs(found - due) > 0.05
    assert np.count_nonzero(off) <= (0.005 * off.size if sharp else 0)


def test_beyond_both_ends_of_the_samples_nothing_is_told():
    fits = made_weak(6.5, 25.0, 8)
    length = fits.turned.length
    moved = replace(fits, start=np.array([-40.0, fits.start[1], length - 30.0 * fits.period[2]]))
    moved = replace(moved, centre=moved.middle)
    steps = np.tile(np.linspace(-20.0, 20.0, 33), (len(fits), 1))
    periods = float(fits.period[0]) * np.linspace(0.99, 1.01, 31)
    found, due = WeakTiming(moved).over(periods, steps), one_by_one(moved, periods, steps)
    np.testing.assert_allclose(found, due, rtol=0.0, atol=2e-3)


def test_few_timings_of_long_symbols_and_of_none_at_all():
    fits = made_weak(48.0, 31.0, 9)
    fits = replace(fits, count=fits.count * np.array([1, 0, 1]))
    # a table of so many samples would be asked hardly once each
    periods, steps = grid(fits, 2e-2, periods=3, starts=5)
    found, due = WeakTiming(fits).over(periods, steps), one_by_one(fits, periods, steps)
    np.testing.assert_allclose(found, due, rtol=0.0, atol=1e-3)
    assert np.all(found[:, 1] == 0.0)
    periods, steps = grid(fits, 1e-4)
    found, due = WeakTiming(fits).over(periods, steps), one_by_one(fits, periods, steps)
    np.testing.assert_allclose(found, due, rtol=0.0, atol=1e-3)


def test_long_transmissions_are_told_one_timing_at_a_time(monkeypatch):
    fits = made_weak(6.5, 25.0, 12)
    periods, steps = grid(fits, 2e-3)
    due = WeakTiming(fits).over(periods, steps)
    # the longest alone is too long
    monkeypatch.setattr("dsp.weak._AT_ONCE", 60 * 33)
    looked_up = []
    quick = weak._looked_up
    monkeypatch.setattr(
        weak, "_looked_up", lambda some, *rest: looked_up.append(len(some)) or quick(some, *rest)
    )
    np.testing.assert_allclose(WeakTiming(fits).over(periods, steps), due, rtol=0.0, atol=1e-3)
    assert looked_up == [2]


def test_many_transmissions_are_told_in_parts_as_they_are_together(monkeypatch):
    fits = made_weak(6.5, 25.0, 11)
    many = fits.take(np.tile(np.arange(3), 150))
    periods, steps = grid(fits, 2e-3)
    parts = []
    quick = weak._looked_up
    monkeypatch.setattr(weak, "_TABLE", 1 << 14)
    monkeypatch.setattr(weak, "_looked_up", lambda some, *rest: parts.append(len(some)) or quick(some, *rest))
    found = WeakTiming(many).over(periods, np.tile(steps, (150, 1)))
    assert len(parts) > 10
    assert sum(parts) == 450
    alone = WeakTiming(fits).over(periods, steps)
    np.testing.assert_allclose(found, np.tile(alone, (1, 150, 1)), rtol=0.0, atol=1e-9)
