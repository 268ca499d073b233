"""The grid fitted to flips by hand: against numpy's least squares, Monte Carlo, chance, and cases worked by hand."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest

from dsp.errors import BadInputError
from dsp.hand import GridFit, fit_grid, marks_nats
from dsp.results import Refusal

PERIOD_S = 1e-3
ORIGIN_S = 0.0123


def flips_of(rng, symbols, jitter, *, kept=1.0, wild=0):
    """Flips of random symbols, times with normal jitter (in symbols), a share ``kept``, then wild marks."""
    bits = rng.integers(0, 2, symbols)
    numbers = np.flatnonzero(np.diff(bits)) + 1
    numbers = numbers[rng.random(numbers.size) < kept]
    times = ORIGIN_S + PERIOD_S * (numbers + jitter * rng.normal(size=numbers.size))
    return np.append(times, ORIGIN_S + PERIOD_S * rng.uniform(0, symbols, wild))


@dataclass
class Tally:
    """What became of many draws. Squares are of errors over standard uncertainties."""

    sure: int = 0
    ambiguous: int = 0
    refused: int = 0
    wrong: int = 0
    listed: int = 0
    squares: tuple[list[float], ...] = ((), (), ())
    covered: tuple[list[bool], ...] = ((), ())

    def count(self, fit, symbols):
        if isinstance(fit, Refusal):
            self.refused += 1
            return
        slips = [abs(rate * PERIOD_S - 1) * symbols for rate in (fit.rate_bd, *fit.alternatives_bd)]
        if fit.is_ambiguous:
            self.ambiguous += 1
            self.listed += min(slips) < 0.5 * max(1.0, 5 * fit.period_std_s / PERIOD_S * symbols)
            return
        if abs(fit.rate_bd * PERIOD_S - 1) > 0.1:
            self.wrong += 1
            return
        self.sure += 1
        origin = ORIGIN_S + round((fit.origin_s - ORIGIN_S) / PERIOD_S) * PERIOD_S
        off = np.array([fit.origin_s - origin, fit.period_s - PERIOD_S])
        covariance = np.array(
            [[fit.origin_std_s**2, fit.covariance_s2], [fit.covariance_s2, fit.period_std_s**2]]
        )
        both = float(off @ np.linalg.solve(covariance, off)) / 2
        for squares, one in zip(self.squares, (*(off**2 / np.diag(covariance)).tolist(), both), strict=True):
            squares.append(one)
        low, high = fit.rate_interval_bd
        self.covered[0].append(low <= 1 / PERIOD_S <= high)
        low, high = fit.origin_interval_s
        self.covered[1].append(low <= origin <= high)


def tally(draw, symbols, count):
    found = Tally(squares=([], [], []), covered=([], []))
    for _ in range(count):
        found.count(draw(), symbols)
    return found


def assert_honest(found: Tally) -> None:
    """Normalised errors squared average one and 95 in 100 intervals hold the truth, within what chance allows."""
    count = found.sure
    for squares in found.squares:
        # a chi-squared of one degree has the variance 2; Student's t somewhat more
        assert abs(np.mean(squares) - 1.0) < 4.0 * math.sqrt(2.5 / count)
    for covered in found.covered:
        assert np.mean(covered) > 0.95 - 3.5 * math.sqrt(0.95 * 0.05 / count)


@pytest.mark.parametrize(
    ("symbols", "jitter", "kept", "wild"),
    [
        (40, 0.01, 1.0, 0),
        (40, 0.05, 1.0, 0),
        (90, 0.10, 1.0, 0),
        # half of the flips missing; one mark wild
        (90, 0.05, 0.5, 0),
        (40, 0.05, 1.0, 1),
    ],
)
def test_errors_are_as_large_as_said(symbols, jitter, kept, wild):
    rng = np.random.default_rng(11)
    found = tally(lambda: fit_grid(flips_of(rng, symbols, jitter, kept=kept, wild=wild)), symbols, 150)
    assert found.sure >= 140
    assert found.wrong == 0
    assert_honest(found)


def test_errors_are_as_large_as_said_where_the_scatter_is_known():
    rng = np.random.default_rng(12)
    found = tally(lambda: fit_grid(flips_of(rng, 30, 0.04), std_s=0.04 * PERIOD_S), 30, 200)
    assert found.sure >= 190
    assert found.wrong == 0
    assert_honest(found)


def test_a_dozen_flips_are_honest_over_all_sizes_of_the_scatter():
    # where many draws are refused, those that are not have smaller residuals than usual; over the sizes that are
    # supposed beforehand this evens out
    rng = np.random.default_rng(13)

    def draw():
        return fit_grid(flips_of(rng, 20, 10 ** rng.uniform(-3.7, math.log10(0.2))))

    found = tally(draw, 20, 400)
    assert found.sure >= 200
    assert found.wrong <= 0.02 * 400
    assert_honest(found)


@pytest.mark.parametrize("jitter", [0.001, 0.03])
def test_few_flips_are_not_taken_for_sure_wrongly(jitter):
    rng = np.random.default_rng(14)

    def draw(count):
        numbers = np.cumsum(rng.geometric(0.5, count))
        return fit_grid(ORIGIN_S + PERIOD_S * (numbers + jitter * rng.normal(size=count)))

    found = {count: tally(lambda n=count: draw(n), 12, 100) for count in (3, 4, 5, 6)}
    # three flips have one distance too many; that it is a simple part of the other happens by chance
    assert found[3].sure == 0
    # all distances of five flips are whole multiples of two or of three symbols in about one of sixty cases
    assert all(one.wrong <= 3 for one in found.values())
    assert all(found[count].sure < 10 for count in (4, 5))
    ambiguous = sum(one.ambiguous for one in found.values())
    assert ambiguous > (40 if jitter == 0.001 else 5)
    # the true rate is among those named
    assert sum(one.listed for one in found.values()) >= 0.9 * ambiguous


@pytest.mark.parametrize("count", [4, 6, 10, 20, 60])
def test_flips_at_random_are_refused(count):
    rng = np.random.default_rng(15)
    found = [fit_grid(rng.uniform(0.0, 0.1, count)) for _ in range(100)]
    refused = [one for one in found if isinstance(one, Refusal)]
    # the bound that is claimed: one in twenty
    assert len(refused) >= 95
    assert {one.code for one in refused} == {"no-common-period"}


def test_a_wild_mark_is_named_and_moves_nothing():
    numbers = np.array([0, 1, 3, 4, 6, 9, 10, 12, 15, 16, 17, 20])
    times = ORIGIN_S + PERIOD_S * (numbers + 0.01 * np.cos(7.0 * numbers))
    without = fit_grid(times)
    found = fit_grid(np.insert(times, 5, ORIGIN_S + 7.45 * PERIOD_S))
    assert isinstance(without, GridFit)
    assert isinstance(found, GridFit)
    assert found.outliers == (5,)
    assert found.freedom == without.freedom == 10
    assert found.rate_bd == pytest.approx(without.rate_bd, rel=1e-4)
    assert found.residual_rms_s == pytest.approx(without.residual_rms_s, rel=0.02)
    assert abs(found.residuals_s[5]) > 0.4 * PERIOD_S


def test_numbers_and_order_of_marks_are_those_given():
    numbers = np.array([6, 0, 4, 1, 3, 9, 14, 12, 10])
    found = fit_grid(ORIGIN_S + PERIOD_S * numbers)
    assert isinstance(found, GridFit)
    assert found.numbers == tuple(numbers)
    assert found.origin_s == pytest.approx(ORIGIN_S, abs=1e-9)
    assert found.edge_s(4) == pytest.approx(ORIGIN_S + 4 * PERIOD_S)
    assert found.outliers == ()


def test_least_squares_as_numpy_does_them():
    rng = np.random.default_rng(16)
    numbers = np.array([0, 1, 2, 5, 7, 8, 11, 13, 14, 17, 20])
    stds = PERIOD_S * rng.uniform(0.005, 0.02, numbers.size)
    times = ORIGIN_S + PERIOD_S * numbers + stds * rng.normal(size=numbers.size).clip(-1.5, 1.5)
    found = fit_grid(times, std_s=stds)
    assert isinstance(found, GridFit)
    (slope, start), covariance = np.polyfit(numbers, times, 1, w=1 / stds, cov="unscaled")
    # weights are those of belonging to the grid, which is never quite certain
    assert found.period_s == pytest.approx(slope, abs=0.1 * found.period_std_s)
    assert found.origin_s == pytest.approx(start, abs=0.1 * found.origin_std_s)
    assert found.period_std_s == pytest.approx(math.sqrt(covariance[0, 0]), rel=0.03)
    assert found.origin_std_s == pytest.approx(math.sqrt(covariance[1, 1]), rel=0.03)
    assert found.covariance_s2 == pytest.approx(covariance[0, 1], rel=0.05)
    at = np.array([1.0, 13.0])[::-1]
    assert found.edge_std_s(13) == pytest.approx(math.sqrt(at @ covariance @ at), rel=0.03)


def test_intervals_are_those_of_student_where_the_scatter_is_found():
    # 8 marks, residuals of 2 %: 95 % of Student's t of 6 degrees lie within 2.447 (JCGM 100:2008, table G.2), and its
    # standard deviation is sqrt(6 / 4)
    numbers = np.array([0, 1, 2, 4, 5, 8, 10, 11])
    design = np.stack([np.ones(8), numbers], axis=1)
    raw = np.array([1.0, -1.0, 0.5, -0.8, 1.1, 0.3, -1.2, 0.4])
    left = raw - design @ np.linalg.lstsq(design, raw, rcond=None)[0]
    left *= 0.02 * PERIOD_S / math.sqrt(left @ left / 6)
    found = fit_grid(ORIGIN_S + PERIOD_S * numbers + left)
    assert isinstance(found, GridFit)
    plain = 0.02 * PERIOD_S / math.sqrt(np.sum((numbers - numbers.mean()) ** 2))
    assert found.period_s == pytest.approx(PERIOD_S, abs=0.05 * plain)
    assert found.period_std_s == pytest.approx(plain * math.sqrt(6 / 4), rel=0.06)
    high = 1 / found.rate_interval_bd[0] - found.period_s
    assert high == pytest.approx(2.447 * plain, rel=0.06)
    assert found.freedom == 6


@pytest.mark.parametrize("times", [2, 3])
def test_the_longest_common_period_is_taken(times):
    numbers = times * np.array([0, 1, 3, 4, 6, 9, 10, 12, 15])
    found = fit_grid(ORIGIN_S + PERIOD_S * numbers)
    assert isinstance(found, GridFit)
    assert found.rate_bd == pytest.approx(1000.0 / times, rel=1e-3)
    assert not found.is_ambiguous


def test_flips_at_one_distance_only_leave_the_multiples_of_the_rate_open():
    found = fit_grid(ORIGIN_S + PERIOD_S * np.arange(8))
    assert isinstance(found, GridFit)
    assert found.rate_bd == pytest.approx(1000.0, rel=1e-3)
    assert found.alternatives_bd == pytest.approx((2000.0, 3000.0), rel=1e-3)


def test_a_rate_known_beforehand_sharpens_and_decides():
    numbers = np.array([0, 2, 3, 5, 9, 10, 13])
    times = ORIGIN_S + PERIOD_S * (numbers + 0.02 * np.array([1, -1, 1, 1, -1, 0, 1]))
    alone = fit_grid(times)
    told = fit_grid(times, rate_bd=1000.0, rate_std_bd=0.5)
    assert isinstance(alone, GridFit)
    assert isinstance(told, GridFit)
    assert told.nats > alone.nats
    assert told.rate_std_bd <= 0.5
    # inverse variances add (JCGM 100:2008, 4.3, and the weighted mean)
    assert told.rate_std_bd == pytest.approx(1 / math.hypot(1 / alone.rate_std_bd, 1 / 0.5), rel=0.05)
    # what fits no grid of that rate is not bent to fit it
    refused = fit_grid(times, rate_bd=815.0, rate_std_bd=0.5)
    assert isinstance(refused, Refusal)
    assert refused.code == "no-common-period"


def test_a_rate_known_beforehand_helps_few_flips():
    times = ORIGIN_S + PERIOD_S * np.array([0.0, 3.004, 7.998, 9.0])
    told = fit_grid(times, rate_bd=1000.0, rate_std_bd=2.0)
    assert isinstance(told, GridFit)
    assert told.numbers == (0, 3, 8, 9)


@pytest.mark.parametrize("count", [2, 3, 4])
@pytest.mark.parametrize("shape", ["normal", "uniform"])
def test_intervals_of_few_flips_at_a_known_rate_hold_the_truth(count, shape):
    rng = np.random.default_rng([20, count, len(shape)])
    scatter, relative_std, draws = 0.03, 1e-3, 100
    held = np.zeros(2, np.int64)
    for _ in range(draws):
        errors = rng.normal(size=count) if shape == "normal" else rng.uniform(-1, 1, count) * math.sqrt(3)
        times = ORIGIN_S + PERIOD_S * (np.cumsum(rng.geometric(0.5, count)) + scatter * errors)
        told = 1000.0 * (1.0 + relative_std * rng.normal())
        fit = fit_grid(times, rate_bd=told, rate_std_bd=1000.0 * relative_std)
        # none is left out for lying farther from the grid than others do
        assert isinstance(fit, GridFit)
        assert not fit.is_ambiguous
        origin = ORIGIN_S + round((fit.origin_s - ORIGIN_S) / PERIOD_S) * PERIOD_S
        intervals = (fit.origin_interval_s, fit.rate_interval_bd)
        held += [low <= at <= high for (low, high), at in zip(intervals, (origin, 1000.0), strict=True)]
        # nor is an interval open where no two marks seem to lie on the grid
        assert intervals[0][1] - intervals[0][0] < PERIOD_S
    # 95 %, or 93 of uniform scatter, as far as so few draws tell
    least = 0.95 if shape == "normal" else 0.93
    assert (held > draws * least - 2.5 * math.sqrt(draws * least * (1 - least))).all()


def test_flips_that_speak_against_a_known_rate_are_refused():
    # amid the symbols of that rate, from end to end
    found = fit_grid(
        PERIOD_S * np.array([0.0, 1.45, 3.0, 4.5, 5.93, 7.48, 9.02, 10.5]), rate_bd=1e3, rate_std_bd=1.0
    )
    assert isinstance(found, Refusal)
    assert found.code == "no-common-period"


def test_hundreds_of_flips_on_a_long_line():
    rng = np.random.default_rng(17)
    found = fit_grid(flips_of(rng, 1500, 0.05, kept=0.7, wild=3))
    assert isinstance(found, GridFit)
    assert abs(found.rate_bd - 1000.0) < 4 * found.rate_std_bd
    # Cramer-Rao for 500 or so flips evenly over 1500 symbols: sqrt(12 / 525) * 0.05 / 1500
    assert found.rate_std_bd == pytest.approx(1000 * math.sqrt(12 / 525) * 0.05 / 1500, rel=0.2)


def test_shifted_and_stretched_times_give_the_same_grid():
    rng = np.random.default_rng(18)
    times = flips_of(rng, 40, 0.03)
    one, other = fit_grid(times), fit_grid(5.0 + 40.0 * times)
    assert isinstance(one, GridFit)
    assert isinstance(other, GridFit)
    assert other.numbers == one.numbers
    assert other.period_s == pytest.approx(40 * one.period_s)
    assert other.period_std_s == pytest.approx(40 * one.period_std_s, rel=1e-4)
    assert other.origin_s == pytest.approx(5 + 40 * one.origin_s)
    assert other.probability == pytest.approx(one.probability, abs=1e-6)


def test_a_flip_given_twice_counts_once():
    times = flips_of(np.random.default_rng(19), 40, 0.03)
    one, other = fit_grid(times), fit_grid(np.append(times, times[:5]))
    assert isinstance(one, GridFit)
    assert isinstance(other, GridFit)
    assert other.period_std_s == pytest.approx(one.period_std_s)
    assert other.numbers[-5:] == one.numbers[:5]


@pytest.mark.parametrize(
    "times",
    [
        [0.0, 1e-12, 2e-12, 3e-12, 4e-12, 1e3],
        [1e9, 1e9 + 1.0, 1e9 + 1e-6, 1e9 + 2e-6],
        [-1e-300, 0.0, 1e-300],
        [0.0, 1e50, -1e50],
        [*(1e-9 * n for n in range(40)), 5e5],
    ],
)
def test_times_of_any_size_are_answered(times):
    found = fit_grid(times)
    if isinstance(found, GridFit):
        assert all(math.isfinite(one) for one in (found.rate_bd, found.rate_std_bd, found.origin_std_s))
    else:
        assert found.code in ("no-common-period", "too-few-flips")


@pytest.mark.parametrize("times", [[], [0.1], [0.1, 0.2], [0.1, 0.1, 0.2]])
def test_too_few_flips_are_refused(times):
    found = fit_grid(times)
    assert isinstance(found, Refusal)
    assert found.code == "too-few-flips"


def test_a_scatter_as_wide_as_the_symbols_is_refused():
    found = fit_grid(PERIOD_S * np.array([0.0, 1, 2, 4, 5, 7, 8]), std_s=0.6 * PERIOD_S)
    assert isinstance(found, Refusal)
    assert found.code == "no-common-period"


@pytest.mark.parametrize(
    "given",
    [
        {"times_s": [0.1, math.nan, 0.2]},
        {"times_s": [[0.1, 0.2]]},
        {"times_s": [0.1, 0.2, 0.3], "std_s": 0.0},
        {"times_s": [0.1, 0.2, 0.3], "std_s": [0.1, 0.1]},
        {"times_s": [0.1, 0.2, 0.3], "rate_bd": 10.0},
        {"times_s": [0.1, 0.2, 0.3], "rate_std_bd": 10.0},
        {"times_s": [0.1, 0.2, 0.3], "rate_bd": -10.0, "rate_std_bd": 1.0},
        {"times_s": [0.1, 0.2, 0.3], "search_bd": (20.0, 10.0)},
    ],
)
def test_bad_input_is_refused(given):
    with pytest.raises(BadInputError):
        fit_grid(**given)


def test_likelihood_on_a_given_grid():
    numbers = np.array([0, 1, 3, 4, 7])
    there = marks_nats(PERIOD_S * numbers, origin_s=0.0, period_s=PERIOD_S, std_s=0.05 * PERIOD_S)
    # five marks at the middle of a normal distribution of which one in twenty is anywhere
    each = math.log(0.95 / (0.05 * math.sqrt(2 * math.pi)) + 0.05)
    assert there == pytest.approx(5 * each)
    beside = marks_nats(PERIOD_S * numbers, origin_s=0.5 * PERIOD_S, period_s=PERIOD_S, std_s=0.05 * PERIOD_S)
    assert beside == pytest.approx(5 * math.log(0.05), rel=1e-6)
    with pytest.raises(BadInputError):
        marks_nats([0.0], origin_s=0.0, period_s=0.0, std_s=1.0)
