"""Hand against automatic flips, and what both make: a brute-force twin, and cases worked out by hand."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from dsp.errors import BadInputError
from dsp.hand import GridFit, fit_grid
from dsp.hand_flips import compare_flips, contradicts, fit_union, turning, union_symbols

PERIOD_S = 1e-3
# edges at which a pattern of 24 symbols turns over
NUMBERS = np.array([1, 2, 4, 5, 8, 9, 11, 14, 15, 17, 20, 22])


def grid_of(numbers, *, start_s=0.02, jitter=0.01, period_s=PERIOD_S):
    """Hand flips with a scatter of ``jitter`` symbols that is the same each time, and the grid fitted to them."""
    times = start_s + period_s * (np.asarray(numbers) + jitter * np.sin(5.0 * np.asarray(numbers)))
    fit = fit_grid(times)
    assert isinstance(fit, GridFit)
    assert not fit.is_ambiguous
    return times.tolist(), fit


def test_agreed_missed_extra_and_open():
    automatic = [0.0100, 0.0130, 0.0151, 0.0180]
    hand = [0.01004, 0.0120, 0.01500]
    found = compare_flips(automatic, hand, period_s=PERIOD_S, denied_s=[0.0130])
    assert found.pairs == ((0, 0), (2, 2))
    assert found.only_hand == (1,)
    assert found.denied == (1,)
    assert found.only_automatic == (3,)
    assert (found.agreed, found.missed, found.extra) == (2, 1, 1)
    # differences +40 us and -100 us
    assert found.mean_difference_s == pytest.approx(-30e-6)
    assert found.median_difference_s == pytest.approx(-30e-6)
    assert found.std_difference_s == pytest.approx(140e-6 / math.sqrt(2))
    assert found.mean_difference_std_s == pytest.approx(70e-6)


def test_pairs_beyond_the_uncertainty_of_both_are_apart():
    """Half intervals of 3 and 4 units make 5 (JCGM 100:2008, 5.1.2): a hand scatter of 4 / 1.96 beside 3."""
    automatic, hand = [0.0100, 0.0130, 0.0160], [0.0100049, 0.0130051, 0.0159949]
    intervals = [(t - 3e-6, t + 3e-6) for t in automatic]
    given = {"period_s": PERIOD_S, "automatic_interval_s": intervals}
    assert compare_flips(automatic, hand, hand_std_s=4e-6 / 1.959964, **given).apart == ((1, 1), (2, 2))
    assert len(compare_flips(automatic, hand, hand_std_s=0.0, **given).apart) == 3
    # nothing is said where either is not known
    assert compare_flips(automatic, hand, **given).apart == ()
    assert compare_flips(automatic, hand, period_s=PERIOD_S, hand_std_s=1e-9).apart == ()
    for wrong in ({"automatic_interval_s": intervals[:2]}, {"hand_std_s": -1.0}, {"hand_std_s": math.nan}):
        with pytest.raises(BadInputError):
            compare_flips(automatic, hand, **{**given, **wrong})


def test_a_complete_span_denies_every_other_automatic_flip_in_it():
    automatic = [0.0100, 0.0130, 0.0151, 0.0180]
    found = compare_flips(automatic, [0.0100], period_s=PERIOD_S, complete_s=(0.0095, 0.0180))
    assert found.denied == (1, 2)
    assert found.only_automatic == (3,)


def test_each_flip_matches_once_and_as_many_match_as_can():
    # taking the nearest first would leave one pair only
    found = compare_flips([0.0, 0.2], [0.19, 0.41], period_s=1.0)
    assert found.pairs == ((0, 0), (1, 1))
    found = compare_flips([0.0], [-0.1, 0.05, 0.2], period_s=1.0)
    assert found.pairs == ((0, 1),)
    assert found.only_hand == (0, 2)
    assert found.std_difference_s is None


def test_the_tolerance_is_a_quarter_symbol_unless_told():
    assert compare_flips([0.0], [0.26], period_s=1.0).pairs == ()
    assert compare_flips([0.0], [0.24], period_s=1.0).pairs == ((0, 0),)
    assert compare_flips([0.0], [0.26], period_s=1.0, tolerance_symbols=0.3).pairs == ((0, 0),)
    empty = compare_flips([], [], period_s=1.0)
    assert (empty.pairs, empty.mean_difference_s, empty.mean_difference_std_s) == ((), None, None)


def best_by_trying(first, second, reach):
    """Every injection of the shorter into the longer, with any of its pairs left out."""
    best = (0, 0.0)
    for size in range(min(len(first), len(second)) + 1):
        for rows in itertools.combinations(range(len(first)), size):
            for columns in itertools.permutations(range(len(second)), size):
                apart = [abs(first[a] - second[b]) for a, b in zip(rows, columns, strict=True)]
                if all(one <= reach for one in apart):
                    best = min(best, (-size, sum(apart)))
    return best


def test_matching_is_the_best_there_is():
    rng = np.random.default_rng(5)
    for _ in range(150):
        first, second = (rng.uniform(0, 1.5, rng.integers(0, 5)).tolist() for _ in range(2))
        found = compare_flips(first, second, period_s=1.0)
        apart = [abs(first[a] - second[b]) for a, b in found.pairs]
        assert len({a for a, _ in found.pairs}) == len({b for _, b in found.pairs}) == len(apart)
        assert all(one <= 0.25 for one in apart)
        size, total = best_by_trying(first, second, 0.25)
        assert (-len(apart), sum(apart)) == (size, pytest.approx(total))


@pytest.mark.parametrize(
    ("automatic", "given"),
    [
        ([math.nan], {"period_s": 1.0}),
        ([0.0], {"period_s": 0.0}),
        ([0.0], {"period_s": 1.0, "tolerance_symbols": 0.0}),
        ([0.0], {"period_s": 1.0, "denied_s": [math.inf]}),
    ],
)
def test_bad_times_and_tolerances_are_refused(automatic, given):
    with pytest.raises(BadInputError):
        compare_flips(automatic, [0.0], **given)


@pytest.mark.parametrize(
    ("first_s", "rate_bd", "expected"),
    [
        (0.02, 1000.0, False),
        # a tenth of a symbol early, and a rate that slips by a tenth over all of it
        (0.0199, 1000.0, False),
        (0.02, 1004.0, False),
        # half a symbol late; two thirds, three quarters, half of the rate; a slip of a symbol
        (0.0205, 1000.0, True),
        (0.02, 667.0, True),
        (0.02, 750.0, True),
        (0.02, 500.0, True),
        (0.02, 1045.0, True),
        # twice the rate, on which all of them lie as well
        (0.02, 2000.0, False),
    ],
)
def test_which_grids_flips_by_hand_contradict(first_s, rate_bd, expected):
    hand, fit = grid_of(NUMBERS)
    assert contradicts(fit, hand, first_symbol_s=first_s, rate_bd=rate_bd) is expected


def test_union_is_sharper_than_the_hand_alone_and_takes_no_flip_off_the_grid():
    hand, fit = grid_of(NUMBERS[:8], jitter=0.04)
    rng = np.random.default_rng(9)
    automatic = 0.02 + PERIOD_S * (np.array([17, 20, 22, 25, 26, 30, 33]) + 0.01 * rng.normal(size=7))
    automatic[3] += 0.4 * PERIOD_S
    both = fit_union(fit, hand, automatic.tolist())
    assert both.rate_std_bd < 0.4 * fit.rate_std_bd
    assert abs(both.rate_bd - 1000.0) < 3 * both.rate_std_bd
    assert both.outliers == (len(hand) + 3,)
    # automatic flips at random, or too few, leave the hand's grid as it is
    assert fit_union(fit, hand, [0.0371, 0.0402, 0.0457, 0.0523, 0.0539]) is fit
    assert fit_union(fit, hand, [0.040]) is fit


def test_symbols_of_the_hand_alone_lie_between_its_first_and_its_last_flip():
    hand, fit = grid_of(NUMBERS)
    made = union_symbols(fit, hand, span_s=(hand[0], hand[-1]))
    # turning over at edges 2 4 5 8 9 11 14 15 17 20 of 1 to 22, by hand: 1 00 1 000 1 00 111 0 11 000 11
    assert made.symbols == "100" + "1" + "000" + "1" + "00" + "111" + "0" + "11" + "000" + "11"
    assert made.first_symbol_s == pytest.approx(0.021, abs=2e-5)
    assert [flip.edge for flip in made.flips] == (NUMBERS - 1).tolist()
    assert all(flip.by_hand for flip in made.flips)


def test_symbols_follow_the_union_with_the_hand_winning():
    hand, fit = grid_of(NUMBERS)
    on = 0.02 + PERIOD_S * np.array([4, 7, 12, 18.4, 22])
    made = union_symbols(fit, hand, on.tolist(), [0.02 + 12.1 * PERIOD_S], span_s=(0.02, 0.044))
    # of the automatic ones 7 is new, 12 is denied, 18.4 is off the grid, 4 and 22 are the hand's own
    assert [flip.edge for flip in made.flips] == sorted([*NUMBERS.tolist(), 7])
    assert [flip.edge for flip in made.flips if not flip.by_hand] == [7]
    assert made.passed_over == (3,)
    assert made.off_grid == ()
    # edges 1 2 4 5 7 8 9 11 14 15 17 20 22 of 0 to 24
    runs = (1, 1, 2, 1, 2, 1, 1, 2, 3, 1, 2, 3, 2, 2)
    assert made.symbols == "".join("10"[i % 2] * run for i, run in enumerate(runs))


def test_a_flip_set_wins_over_one_denied_and_off_the_grid_is_told():
    hand, fit = grid_of(NUMBERS)
    far = 0.02 + 18.4 * PERIOD_S
    made = union_symbols(fit, [*hand, far], [], [far], span_s=(0.02, 0.044))
    assert 18 in [flip.edge for flip in made.flips]
    assert made.off_grid == (len(hand),)


@pytest.mark.parametrize(
    ("count", "edges", "expected"),
    [(6, {2, 3}, "110111"), (4, set(), "1111"), (4, {0, 4}, "1111"), (0, {1}, ""), (3, {1, 2}, "101")],
)
def test_turning_over(count, edges, expected):
    assert turning(count, edges) == expected
