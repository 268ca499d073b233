"""Runs against every run there is, and what they cost."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp.correlate import log_cosh
from dsp.on_off import best_run, change_nats, on_runs, on_runs_within, path_through, strongest_runs, turns_of

SCORES = st.lists(st.integers(-9, 9), min_size=1, max_size=12)


@given(st.lists(st.tuples(*[st.integers(-9, 9)] * 4), min_size=1, max_size=5))
def test_best_run_is_the_best_of_all_pairs(rows):
    value, first, last = best_run(np.array(rows, float))
    for row, v, a, b in zip(rows, value, first, last, strict=True):
        sums = [sum(row[i:j]) for i, j in combinations(range(len(row) + 1), 2)]
        assert v == max([0, *sums])
        assert 0 <= a <= b <= len(row)
        assert sum(row[a:b]) == v


@given(SCORES)
def test_best_run_of_long_rows(row):
    value, first, last = best_run(np.array([row, row[::-1]], float))
    best = max([0, *(sum(row[i:j]) for i, j in combinations(range(len(row) + 1), 2))])
    assert value.tolist() == [best, best]
    assert sum(row[first[0] : last[0]]) == best


def viterbi(nats: list[float], change: float) -> float:
    """Score of the best path of a chain that is off before and after, by dynamic programming."""
    off, on = 0.0, -np.inf
    for value in nats:
        off, on = max(off, on - change), max(on, off - change) + value
    return max(off, on - change)


def score_of(runs: list[tuple[int, int]], nats: list[float], change: float) -> float:
    return sum(sum(nats[a:b]) - 2.0 * change for a, b in runs)


@given(st.lists(st.integers(-8, 8), max_size=40), st.sampled_from([0.5, 2.0, 5.0]))
def test_runs_are_the_best_path_of_two_states(nats, change):
    runs = on_runs(np.array(nats, float), change)
    assert score_of(runs, nats, change) == viterbi(nats, change)
    flat = [edge for run in runs for edge in run]
    assert flat == sorted(set(flat))


def test_runs_are_the_best_path_on_real_scores_too():
    rng = np.random.default_rng(5)
    for _ in range(50):
        level = np.repeat(rng.choice([-1.0, 1.0], 12), rng.integers(1, 30, 12))
        nats = (level + rng.normal(0, 2, level.size)).tolist()
        runs = on_runs(np.array(nats), 3.0)
        assert score_of(runs, nats, 3.0) == pytest.approx(viterbi(nats, 3.0))


@pytest.mark.parametrize("whole", [False, True])
def test_long_rows_are_thinned_without_changing_the_best_path(whole):
    """Rows with hundreds of turns, whole numbers among them so that sums are often equal."""
    rng = np.random.default_rng(6)
    for _ in range(20):
        count = int(rng.integers(400, 900))
        nats = rng.normal(0.3 * np.sin(np.arange(count) / rng.uniform(5, 60)), rng.uniform(0.5, 3.0))
        nats = np.rint(nats) if whole else nats
        change = float(rng.uniform(0.5, 6.0))
        runs = on_runs(nats, change)
        assert score_of(runs, nats.tolist(), change) == pytest.approx(viterbi(nats.tolist(), change))


def test_a_row_of_equal_values_has_no_turns_but_its_ends():
    assert turns_of(np.ones(5, bool)).tolist() == [0, 5]
    assert turns_of(np.array([True, False, False, True])).tolist() == [0, 1, 3, 4]
    assert path_through(np.array([0, 5]), np.array([0.0, 10.0]), 1.0) == [(0, 5)]


def rated(runs: list[tuple[int, int]], row: list[float]) -> tuple[int, int, float]:
    a, b = max(runs, key=lambda run: sum(row[run[0] : run[1]]))
    return a, b, sum(row[a:b])


@given(
    st.lists(st.lists(st.integers(-8, 8), min_size=25, max_size=25), min_size=1, max_size=4),
    st.sampled_from([0.5, 2.0, 5.0]),
)
def test_strongest_runs_are_the_likeliest_of_those_on(rows, change):
    """Where a chain of two states is never on, the best single run."""
    first, last, value = strongest_runs(np.array(rows, float), np.full(len(rows), change))
    for row, a, b, v in zip(rows, first, last, value, strict=True):
        assert sum(row[a:b]) == v
        runs = on_runs(np.array(row, float), change)
        if runs:
            assert v == rated(runs, row)[2]
        else:
            single, _, _ = best_run(np.array([row], float))
            assert v == single[0]


def test_each_row_has_its_own_cost_of_a_change():
    row = [5.0] * 4 + [-4.0] * 2 + [5.0] * 3
    first, last, value = strongest_runs(np.array([row, row]), np.array([3.0, 5.0]))
    assert (first.tolist(), last.tolist(), value.tolist()) == ([0, 0], [4, 9], [20.0, 27.0])


@pytest.mark.parametrize("gain", [4.0, 6.0, 10.0, 40.0])
def test_cost_of_a_change_bridges_a_weak_symbol_and_not_two_silent_ones(gain):
    """A symbol of length ``g`` has log-likelihood ratio ln cosh(g y) - g^2 / 2 against silence."""
    cost = float(change_nats(gain))
    # 4.9 standard deviations short of its length: once in two million symbols
    lengths = np.array([0.0] * 3 + [gain] * 9 + [max(0.0, gain - 4.9)] + [gain] * 9)
    assert on_runs(log_cosh(gain * lengths) - gain * gain / 2.0, cost) == [(3, 22)]
    lengths = np.array([gain] * 9 + [0.0] * 2 + [gain] * 9)
    assert on_runs(log_cosh(gain * lengths) - gain * gain / 2.0, cost) == [(0, 9), (11, 20)]


def test_weak_symbols_change_rarely():
    # a pair of changes by chance: odds of e^-8 at most
    assert change_nats(0.5) >= 4.0
    assert np.all(change_nats(np.array([0.3, 2.0, 6.0, 40.0])) >= 4.0)
    assert change_nats(np.array([0.3, 6.0])).tolist() == [change_nats(0.3), change_nats(6.0)]


@pytest.mark.parametrize("seed", range(20))
def test_rows_one_after_the_other_have_the_runs_that_each_has_by_itself(seed):
    rng = np.random.default_rng(seed)
    rows = [rng.normal(rng.choice([-2.0, 0.0, 2.0]), 3.0, int(size)) for size in rng.integers(1, 400, 30)]
    rows = [row * np.repeat(rng.choice([-1.0, 1.0], row.size // 9 + 1), 9)[: row.size] for row in rows]
    offset = np.concatenate(([0], np.cumsum([row.size for row in rows])))
    change = rng.uniform(1.0, 12.0, len(rows))
    alone = [
        (at + a, at + b)
        for row, at, cost in zip(rows, offset, change, strict=False)
        for a, b in on_runs(row, float(cost))
    ]
    assert on_runs_within(np.concatenate(rows), offset, change).tolist() == [list(run) for run in alone]
    assert len(alone) > 10
