"""The slow part of the level: what is taken off, what is left, and that it does not matter how a record is read."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from generators.truths import record_of

from dsp.baseline import CELL, cell_length


def wandering(samples: np.ndarray, segments: tuple | None = None):
    return replace(record_of(samples, segments=segments), wanders=True)


@pytest.mark.parametrize("count", [256, 1_000, 2_047, 2_048, 7_433, 100_003, 3_000_017])
def test_cells_fill_a_stretch(count):
    length = cell_length(count)
    assert count // length >= 4
    assert length < 2 * CELL
    assert count % length < 8  # of 512 and more


def test_a_few_samples_have_no_cells():
    assert cell_length(255) == 0
    values = np.linspace(0.0, 5.0, 200)
    assert np.ptp(wandering(values).read_centred(0, 200)) == pytest.approx(5.0, abs=1e-5)


@pytest.mark.parametrize("power", [0, 1, 2])
def test_a_parabola_is_taken_off_whole(power):
    values = 40.0 * np.linspace(-1.0, 1.0, 9_001) ** power
    assert np.max(np.abs(wandering(values).read_centred(0, 9_001))) < 1e-4


def test_hum_is_left_by_the_third_power_of_cell_over_period():
    """Third differences of cell means over 60: a little over (2 pi / 40)^3 / 60, four times that at the ends."""
    for cells, bound in ((40, 3e-4), (80, 4e-5)):
        turns = 2.0 * np.pi * np.arange(40 * CELL) / (cells * CELL)
        left = wandering(np.sin(turns + 0.7)).read_centred(0, turns.size)
        assert np.max(np.abs(left[2 * CELL : -2 * CELL])) < bound
        assert np.max(np.abs(left)) < 4.0 * bound


def test_a_carrier_of_a_hundredth_of_the_rate_is_left_alone():
    """The mean of 5.12 cycles is at most 1 / (5.12 pi) of the carrier."""
    carrier = np.sin(2.0 * np.pi * np.arange(50_000) / 100.0 + 0.3)
    left = wandering(carrier).read_centred(0, carrier.size)
    assert np.max(np.abs(left - carrier)) < 0.1
    assert abs(np.vdot(carrier, left) / np.vdot(carrier, carrier) - 1.0) < 0.003


def test_it_does_not_matter_how_a_record_is_read():
    rng = np.random.default_rng(1)
    record = wandering(np.cumsum(rng.normal(size=50_003)))
    whole = record.read_centred(0, 50_003)
    for start, stop in (
        (0, 100),
        (37, 1_000),
        (511, 513),
        (20_000, 20_064),
        (30_001, 41_007),
        (49_999, 50_003),
    ):
        np.testing.assert_allclose(record.read_centred(start, stop), whole[start:stop], atol=1e-3)


def test_stretches_have_levels_of_their_own():
    values = np.concatenate((np.linspace(0.0, 9.0, 5_000), np.linspace(100.0, 90.0, 6_000)))
    record = wandering(values, ((0, 5_000, 0.0), (5_000, 11_000, 1.0)))
    for start, stop in ((0, 5_000), (5_000, 11_000), (4_000, 5_000), (5_000, 5_300)):
        assert np.max(np.abs(record.read_centred(start, stop))) < 1e-3
