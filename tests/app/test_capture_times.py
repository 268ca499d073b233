"""The time axis from a column of times: rate, its uncertainty, segments, and what is odd about it."""

from __future__ import annotations

import numpy as np
import pytest

from app.files.capture_time import TimeAxis, TimeColumnError, TimeFit

COUNT = 4000
STEP = 0.37e-6
K = np.arange(COUNT)


def fitted(times: np.ndarray, block: int = COUNT, unit_s: float = 1.0) -> TimeFit:
    axis = TimeAxis(unit_s)
    for at in range(0, len(times), block):
        axis.add(np.asarray(times[at : at + block], dtype=np.float64))
    return axis.fit()


def codes(fit: TimeFit) -> list[tuple[str, int, int | None]]:
    return [(notice.code, notice.count, notice.first_sample) for notice in fit.notices]


def lengths(fit: TimeFit) -> list[int]:
    return [segment.last - segment.first for segment in fit.segments]


def test_exact_times_give_the_rate_and_one_segment() -> None:
    fit = fitted(-1e-3 + K * STEP)
    assert fit.rate_hz == pytest.approx(1 / STEP, rel=1e-9)
    assert fit.segments[0].start_s == pytest.approx(-1e-3, abs=1e-12)
    assert (lengths(fit), codes(fit)) == ([COUNT], [])


def test_unit_of_the_column() -> None:
    fit = fitted(K * 0.5, unit_s=1e-9)
    assert fit.rate_hz == pytest.approx(2e9)
    assert fit.rate_std_hz < 1e-3 * fit.rate_hz


@pytest.mark.parametrize("digit", [1e-7, 2.5e-7, 1e-6, 5e-6])
def test_rounded_times_with_equal_neighbours_still_give_the_rate(digit: float) -> None:
    times = np.round(K * STEP / digit) * digit
    fit = fitted(times)
    assert codes(fit) == []
    assert abs(fit.rate_hz - 1 / STEP) < 4 * fit.rate_std_hz
    assert fit.rate_std_hz < 1e-3 * fit.rate_hz


def test_stated_uncertainty_covers_the_error_as_often_as_it_should() -> None:
    """Of many rounded columns the error is within two standard uncertainties in some 95 %, and not
    always far inside them."""
    rng = np.random.default_rng(5)
    pulls = []
    for _ in range(200):
        step = rng.uniform(0.2, 5.0)
        fit = fitted(np.round(rng.uniform(0, 100) + np.arange(700) * step))
        pulls.append((fit.step_s - step) / fit.step_std_s)
    inside = np.mean(np.abs(pulls) < 2)
    assert inside > 0.9
    assert np.std(pulls) > 0.2


def test_jitter_uncertainty_matches_the_scatter_of_the_fitted_steps() -> None:
    rng = np.random.default_rng(6)
    fits = [fitted(np.arange(400) + rng.normal(size=400) * 0.1) for _ in range(100)]
    scatter = np.std([fit.step_s for fit in fits])
    assert np.median([fit.step_std_s for fit in fits]) == pytest.approx(scatter, rel=0.25)


@pytest.mark.parametrize("block", [COUNT, 1000, 257, 7])
def test_a_gap_begins_a_segment_wherever_blocks_end(block: int) -> None:
    times = np.delete(K * STEP, slice(1000, 1010))
    fit = fitted(times, block)
    assert codes(fit) == [("time-gap", 1, 1000)]
    assert lengths(fit) == [1000, COUNT - 1010]
    assert fit.segments[1].start_s == pytest.approx(1010 * STEP)
    assert fit.rate_hz == pytest.approx(1 / STEP, rel=1e-6)


def test_one_lost_sample_is_a_gap_even_if_times_are_written_to_the_step() -> None:
    fit = fitted(np.delete(np.round(K * 1e-6, 6), [1000, 2500]))
    assert codes(fit) == [("time-gap", 2, 1000)]
    assert lengths(fit) == [1000, 1499, COUNT - 2501]


def test_records_that_start_anew_are_laid_end_to_end() -> None:
    fit = fitted(np.tile(K[:500] * STEP, 3), 700)
    assert codes(fit) == [("time-restart", 2, 500)]
    assert lengths(fit) == [500, 500, 500]
    starts = [segment.start_s for segment in fit.segments]
    np.testing.assert_allclose(starts, np.array([0, 500, 1000]) * STEP, rtol=1e-9)


def test_records_of_a_few_samples() -> None:
    fit = fitted(np.tile(np.arange(6) * 1e-6, 4))
    assert lengths(fit) == [6, 6, 6, 6]
    assert fit.rate_hz == pytest.approx(1e6)


def test_records_with_their_own_times_keep_them() -> None:
    fit = fitted(np.concatenate([K[:500] * STEP + at for at in (0.0, 0.5, 2.0)]))
    assert codes(fit) == [("time-gap", 2, 500)]
    np.testing.assert_allclose([segment.start_s for segment in fit.segments], [0.0, 0.5, 2.0])


@pytest.mark.parametrize("shift", [3.0, -2.0, 0.2])
def test_one_stray_time_is_counted_and_breaks_nothing(shift: float) -> None:
    times = K * STEP
    times[777] += shift * STEP
    fit = fitted(times)
    assert lengths(fit) == [COUNT]
    assert [code for code, _, _ in codes(fit)] == ["time-jitter"]
    assert fit.notices[0].first_sample in (777, 778)


@pytest.mark.parametrize("spread", [0.02, 0.1, 0.4])
def test_jitter_is_counted_and_breaks_nothing(spread: float) -> None:
    rng = np.random.default_rng(7)
    fit = fitted((K + rng.normal(size=COUNT) * spread) * STEP, 1024)
    assert lengths(fit) == [COUNT]
    assert [notice.code for notice in fit.notices] == ["time-jitter"]
    assert fit.notices[0].count > COUNT / 3
    assert abs(fit.rate_hz - 1 / STEP) < 4 * fit.rate_std_hz


def test_a_rate_that_drifts_is_said() -> None:
    fit = fitted(K * STEP * (1 + 0.005 * K / COUNT), 512)
    assert [notice.code for notice in fit.notices] == ["time-drift"]


def test_missing_times_are_counted_and_do_not_move_the_others() -> None:
    times = K * STEP
    times[[0, 1, 1500, COUNT - 1]] = np.nan
    fit = fitted(times, 1000)
    assert codes(fit) == [("time-missing", 4, 0)]
    assert fit.rate_hz == pytest.approx(1 / STEP, rel=1e-6)
    assert fit.segments[0].start_s == pytest.approx(0.0, abs=1e-3 * STEP)


def test_seconds_since_an_epoch_keep_their_rate() -> None:
    fit = fitted(1.7e9 + K * 1e-4)
    assert (codes(fit), lengths(fit)) == ([], [COUNT])
    assert fit.rate_hz == pytest.approx(1e4, rel=1e-6)


@pytest.mark.parametrize(
    "times", [np.zeros(100), -K[:100] * 1.0, np.full(100, np.nan), np.array([1.0]), np.array([])]
)
def test_times_that_make_no_axis_are_refused(times: np.ndarray) -> None:
    with pytest.raises(TimeColumnError, match="time column"):
        fitted(times)


def test_two_samples_are_enough() -> None:
    assert fitted(np.array([0.0, 1e-6])).rate_hz == pytest.approx(1e6)
