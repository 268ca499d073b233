"""What is told at once where the answer is plain is what the long way tells."""

from __future__ import annotations

import numpy as np
import pytest
from generators.truths import capture, true_fits

from dsp.flips import flip_times
from dsp.own_period import with_own_period
from dsp.pool import group_talkers
from dsp.runs import runs_of


@pytest.mark.parametrize("apart", [0.0, 0.02, 0.2])
def test_bursts_that_all_agree_are_grouped_as_one_by_one(apart, monkeypatch):
    """Two talkers whose amplitudes differ by this share, and one."""
    for draw in range(30):
        rng = np.random.default_rng([draw, 17])
        talker = rng.integers(0, 2, 25)
        amplitude = (1.0 + apart * talker) * (1.0 + 0.03 * rng.standard_normal(25))
        carrier = 0.8 * (1.0 + 0.01 * apart * talker) + 3e-5 * rng.standard_normal(25)
        told = (amplitude, np.full(25, 0.03), carrier, np.full(25, 3e-5))
        found = group_talkers(*told)
        with monkeypatch.context() as patch:
            patch.setattr("dsp.pool._are_one", lambda *_: False)
            assert found == group_talkers(*told)
        if apart == 0.2:
            assert max(found) > 0


@pytest.mark.parametrize("off", [0.0, 3e-4, 2e-3, 8e-3])
def test_flips_that_line_up_tell_the_period_that_all_ratios_do(off, monkeypatch):
    """The period that the fits have is off by this share."""
    made = capture((24, 37, 64, 31), 3, cycles=5.3, esn0_db=14.0)
    fits = true_fits(made)
    shared = float(fits.period[0]) * (1.0 + off)
    runs = runs_of(fits)
    flips = flip_times(runs, 1.0)
    quick, period = with_own_period(fits, shared, runs, flips)
    with monkeypatch.context() as patch:
        patch.setattr("dsp.own_period._LINED_UP", 2.0)
        slow, other = with_own_period(fits, shared, runs, flips)
    assert (period is None) == (other is None)
    assert (period is None) == (off < 1e-3)
    if period is not None and other is not None:
        assert period.value == pytest.approx(other.value, rel=1e-9)
    np.testing.assert_allclose(quick.start, slow.start)
