"""A grid laid over flips: residuals by hand arithmetic, the uncertainty of its period by Monte Carlo."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dsp.errors import BadInputError
from dsp.grid_check import check_grid, flips_that_count


def test_residuals_are_the_distances_from_the_nearest_edges():
    found = check_grid([-0.7, -0.1, 1.2, 2.0, 3.4, 4.1, 4.9], start_s=0.0, period_s=1.0, count=4)
    assert found.inside == (1, 2, 3, 4, 5)
    assert found.numbers == (0, 1, 2, 3, 4)
    assert found.residuals_s == pytest.approx((-0.1, 0.2, 0.0, 0.4, 0.1))
    assert found.off == (4,)
    assert found.on == 4
    assert found.mean_s == pytest.approx(0.05)
    assert found.rms_s == pytest.approx(math.sqrt((0.01 + 0.04 + 0.01) / 4))


def test_without_flips_nothing_is_said():
    found = check_grid([], start_s=1.0, period_s=0.1, count=10)
    assert (found.on, found.rms_s, found.mean_s, found.period_std_s) == (0, None, None, None)
    lone = check_grid([1.02, 1.21], start_s=1.0, period_s=0.1, count=10)
    assert lone.rms_s == pytest.approx(math.sqrt((0.02**2 + 0.01**2) / 2))
    assert lone.period_std_s is None


@pytest.mark.parametrize("off", [0.0, 2e-4])
def test_the_uncertainty_of_the_period_covers_scatter_and_misplacement(off):
    rng = np.random.default_rng(5)
    numbers = np.array([1, 2, 4, 7, 8, 11, 12, 15, 19, 20])
    stds = [
        check_grid(
            (numbers * 1e-2 + 1e-4 * rng.normal(size=numbers.size)).tolist(),
            start_s=0.0,
            period_s=1e-2 * (1 + off),
            count=20,
        ).period_std_s
        for _ in range(2000)
    ]
    around = numbers - numbers.mean()
    # slope by least squares, JCGM 100:2008 H.3; here it stands once for scatter and once for the place of the grid
    slope = 1e-4 / math.sqrt(float(around @ around))
    expected = math.sqrt(2 * slope**2 + (1e-2 * off) ** 2)
    assert math.sqrt(np.mean(np.square(stds))) == pytest.approx(expected, rel=0.05)


def test_the_hand_counts_and_automatic_flips_where_it_is_silent():
    assert flips_that_count([3.0, 1.0], [0.9, 2.0, 3.3, 4.0], 0.25) == [1.0, 2.0, 3.0, 3.3, 4.0]
    assert flips_that_count([], [2.0, 1.0], 0.25) == [1.0, 2.0]
    assert flips_that_count([1.0], [], 0.25) == [1.0]


@pytest.mark.parametrize(
    "given",
    [
        {"times_s": [math.nan]},
        {"period_s": 0.0},
        {"count": 0},
        {"start_s": math.inf},
    ],
)
def test_bad_grids_are_refused(given):
    good = {"times_s": [1.0], "start_s": 0.0, "period_s": 1.0, "count": 3} | given
    with pytest.raises(BadInputError):
        check_grid(good.pop("times_s"), **good)
