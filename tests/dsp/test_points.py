"""First edges among sample points against every start of a fine grid; whole captures of few samples a symbol."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from benchmarks.trials import Shape, trial
from generators.truths import capture, true_fits

from dsp.fits import timing_nats
from dsp.points import are_points, likeliest_start


@pytest.mark.parametrize("draw", range(5))
def test_no_start_of_a_fine_grid_is_likelier(draw):
    made = capture((40, 40), draw, cycles=2.0, carrier_hz=380_465.0, esn0_db=14.0)
    fits = true_fits(made)
    rough = fits.start + np.array([0.21, -0.17])
    found = likeliest_start(rough, fits.period, 40, partial(timing_nats, fits))
    best = timing_nats(fits, found[:, None])[:, 0]
    every = timing_nats(fits, rough[:, None] + np.linspace(-0.6, 0.6, 6001)).max(axis=1)
    # the first grid may lead to the neighbour of a narrow top
    assert (best >= every - 8.0).all()
    assert np.count_nonzero(best >= every - 1e-6) >= 1
    # noise moves the top itself by a part of a sample
    assert np.abs(found - fits.start).max() < 0.4


def test_points_are_only_where_samples_tell_much():
    fits = true_fits(capture((40,), 1, cycles=2.0, carrier_hz=380_465.0, esn0_db=14.0))
    assert are_points(fits.turned, fits.gain, fits.period)
    assert not are_points(fits.turned.sharpened(False), fits.gain, fits.period)
    slow = true_fits(capture((40,), 1, cycles=40.0, esn0_db=14.0))
    assert not are_points(slow.turned, slow.gain, slow.period)


@pytest.mark.parametrize("draw", [3003, 3012])
def test_no_end_is_wrong_of_five_to_nine_samples_a_symbol(draw):
    """110 bursts at 16 dB each: an ideal receiver has one such end wrong in 80,000."""
    done = trial(Shape(esn0_db=16.0), draw)
    assert (done.score.missed, done.score.extra, done.score.wrong_symbols) == ((), (), 0)
    assert [p for p in done.score.pairs if abs(p.start_error) > 0.5 or abs(p.end_error) > 0.5] == []


def test_timing_does_not_settle_half_a_symbol_off():
    """One cycle and 2.75 samples a symbol: across the edges of two there is as much energy as in one."""
    shape = Shape(samples_per_cycle=2.75, samples_per_symbol_most=1000.0, esn0_db=10.0)
    done = trial(shape, 1729)
    assert (done.score.missed, done.score.extra) == ((), ())
    assert done.score.wrong_symbols <= 3
