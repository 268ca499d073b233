"""Correlations against sums over samples, runs against every run there is, logarithms against exact ones."""

from __future__ import annotations

from decimal import Decimal, localcontext
from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special

from dsp.bessel import log_bessel_quickly
from dsp.correlate import (
    SymbolSums,
    best_run,
    change_nats,
    log_cosh,
    on_runs,
    on_runs_within,
    path_through,
    strongest_runs,
    turn_back,
    turns_of,
)

OMEGAS = [0.02, 0.31, 1.0, 2.2, 2.9]


def shares(edges: np.ndarray, count: int, sharp: bool) -> np.ndarray:
    """How much of each sample (symbols, samples) lies between neighbouring edges.

    A sample stands for the interval of one sample around its instant, or (sharp) for its instant alone.
    """
    out = np.zeros((len(edges) - 1, count))
    for k, (low, high) in enumerate(pairwise(edges)):
        for m in range(count):
            if sharp:
                out[k, m] = low <= m < high
            else:
                out[k, m] = max(0.0, min(high, m + 0.5) - max(low, m - 0.5))
    return out


@pytest.mark.parametrize("omega", OMEGAS)
@pytest.mark.parametrize("sharp", [False, True])
def test_correlations_are_sums_over_samples_and_parts_of_samples(omega, sharp):
    rng = np.random.default_rng(7)
    samples = rng.normal(size=97)
    edges = np.array([-3.2, 0.0, 2.25, 2.75, 11.5, 30.0, 30.1, 96.0, 96.6, 120.0])
    plain = shares(edges, 97, sharp) @ (samples * np.exp(-1j * omega * np.arange(97)))
    np.testing.assert_allclose(turn_back(samples, omega, sharp).between(edges), plain, atol=1e-10)


def test_many_rows_of_edges_at_once():
    samples = np.random.default_rng(8).normal(size=60)
    turned = turn_back(samples, 0.7)
    edges = np.sort(np.random.default_rng(9).uniform(-5, 70, (4, 3, 6)), axis=-1)
    rows = turned.between(edges)
    assert rows.shape == (4, 3, 5)
    for i, j in np.ndindex(4, 3):
        np.testing.assert_array_equal(rows[i, j], turned.between(edges[i, j]))


def test_turning_back_in_blocks_equals_turning_back_sample_by_sample():
    # more than two blocks of the table, and an end within one
    count = 20_011
    samples = np.random.default_rng(3).normal(size=count)
    for omega in (0.0123456789, 1.7, 3.1):
        plain = np.cumsum(samples * np.exp(-1j * omega * np.arange(count, dtype=np.longdouble)))
        turned = turn_back(samples, omega)
        assert turned.length == count
        assert turned.sums[0] == 0.0
        np.testing.assert_allclose(turned.sums[1:], plain.astype(complex), atol=1e-8)


def test_sharpening_keeps_the_sums():
    turned = turn_back(np.arange(20.0), 0.3)
    sharp = turned.sharpened(True)
    assert sharp.sums is turned.sums
    # an edge at 4.5 lies between samples: shared or not, 0 to 4 come before it
    assert sharp.at(np.array([4.5]))[0] == turned.at(np.array([4.5]))[0]
    assert sharp.at(np.array([4.75]))[0] != turned.at(np.array([4.75]))[0]


def shares_of_a_carrier(sums: SymbolSums, phase: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Sums of cos^2, of -cos sin and of sin^2 of ``omega m + phase`` over each symbol, by double angles."""
    double = (sums.double_re + 1j * sums.double_im) * np.exp(2j * phase)
    return (sums.length + double.real) / 2.0, -double.imag / 2.0, (sums.length - double.real) / 2.0


@pytest.mark.parametrize("omega", OMEGAS)
@pytest.mark.parametrize(("sharp", "offset"), [(True, 0.0), (True, 0.3), (False, 0.5)])
def test_energies_are_those_of_a_unit_carrier(omega, sharp, offset):
    """Sums of cos^2, sin^2 and cos sin over the samples of each symbol; single precision over 70 samples."""
    edges = offset + 2.0 + np.arange(6) * 9.0
    weights = shares(edges, 70, sharp)
    sums = turn_back(np.zeros(70), omega, sharp).sums_of(edges)
    np.testing.assert_allclose(sums.length, weights.sum(axis=1), atol=1e-12)
    for phase in (0.0, 0.6, 2.4):
        theta = omega * np.arange(70) + phase
        along, lean, across = shares_of_a_carrier(sums, phase)
        # the running sum is of size 1 / |exp(2j omega) - 1|, to which rounding is relative
        near = 1e-6 * (1.0 + 1.0 / abs(np.exp(2j * omega) - 1.0))
        np.testing.assert_allclose(along, weights @ np.cos(theta) ** 2, atol=near)
        np.testing.assert_allclose(lean, -weights @ (np.cos(theta) * np.sin(theta)), atol=near)
        np.testing.assert_allclose(across, weights @ np.sin(theta) ** 2, atol=near)


@pytest.mark.parametrize("omega", OMEGAS)
def test_energies_agree_with_correlating_a_carrier_where_edges_cut_samples(omega):
    """A carrier of amplitude 1 in, what its symbols are due out."""
    period, phase = 12.3, 0.4
    samples = np.cos(omega * np.arange(90) + phase)
    edges = 3.37 + np.arange(6) * period
    sums = turn_back(samples, omega).sums_of(edges)
    along, lean, _ = shares_of_a_carrier(sums, phase)
    correlated = sums.z * np.exp(-1j * phase) / (period / 2.0)
    np.testing.assert_allclose((along + 1j * lean) / (period / 2.0), correlated, atol=0.02)


@pytest.mark.parametrize("sharp", [False, True])
def test_sums_of_symbols_are_their_correlations_for_edges_of_any_shape(sharp):
    """The same as `between`, which is checked against sums over samples."""
    rng = np.random.default_rng(10)
    turned = turn_back(rng.normal(size=80), 1.3, sharp)
    edges = np.sort(rng.uniform(-9, 95, (3, 4, 7)), axis=-1)
    kept = edges.copy()
    sums = turned.sums_of(edges)
    np.testing.assert_allclose(sums.z, turned.between(edges), atol=1e-10)
    assert sums.z.shape == sums.length.shape == sums.double_re.shape == sums.double_im.shape == (3, 4, 6)
    np.testing.assert_array_equal(edges, kept)


@pytest.mark.parametrize("omega", [0.0, np.pi, 1e-9])
def test_a_carrier_that_does_not_turn_has_even_energies(omega):
    sums = turn_back(np.ones(50), omega).sums_of(np.array([3.0, 12.0, 30.5]))
    np.testing.assert_array_equal(sums.double_re, 0.0)
    np.testing.assert_array_equal(sums.double_im, 0.0)
    np.testing.assert_allclose(sums.length, [9.0, 18.5])


def test_doubles_keep_their_digits_far_into_a_record():
    """Ten million samples on: phases are reduced before digits are cut."""
    omega, far = 1.234567, 10_000_000
    edges = far + np.array([0.0, 20.0, 41.0])
    turned = turn_back(np.zeros(far + 60), omega, True)
    sums = turned.sums_of(edges)
    m = np.arange(far, far + 41)
    due = np.exp(2j * np.remainder(omega * m, 2.0 * np.pi))
    plain = np.array([due[:20].sum(), due[20:].sum()])
    np.testing.assert_allclose(sums.double_re + 1j * sums.double_im, plain, atol=1e-5)


def test_symbols_outside_the_samples_have_no_energy():
    turned = turn_back(np.ones(50), 0.5)
    edges = np.array([-30.0, -10.0, 55.0, 70.0])
    sums = turned.sums_of(edges)
    for value in (sums.z, sums.length, sums.double_re, sums.double_im):
        np.testing.assert_allclose(value[[0, 2]], 0.0, atol=1e-12)
    np.testing.assert_allclose(turned.between(edges)[[0, 2]], 0.0, atol=1e-12)


@pytest.mark.parametrize("x", [0.0, 1e-9, 1e-3, 0.5, 1.0, 3.0, 17.0, 300.0])
def test_log_cosh_is_the_exact_one(x):
    with localcontext() as exact:
        exact.prec = 50
        d = Decimal(x)
        value = float(((d.exp() + (-d).exp()) / 2).ln())
    assert log_cosh(np.array([x, -x])) == pytest.approx([value, value], rel=1e-12, abs=1e-15)


def log_bessel(x: np.ndarray) -> np.ndarray:
    """The exact one, held against its series below."""
    return np.log(special.i0e(x)) + x


def test_logarithms_do_not_overflow():
    for x in (1e3, 1e6, 1e150):
        assert log_cosh(np.array([x]))[0] == pytest.approx(x - np.log(2.0))
        # Abramowitz and Stegun 9.7.1: I0(x) tends to e^x / sqrt(2 pi x)
        assert log_bessel(np.array([x]))[0] == pytest.approx(x - 0.5 * np.log(2 * np.pi * x), rel=1e-6)


def test_quick_log_bessel_is_the_exact_one_to_a_hundred_thousandth():
    x = np.concatenate((np.linspace(0.0, 60.0, 40_001), [1e3, 3.75]))
    np.testing.assert_allclose(log_bessel_quickly(x), log_bessel(x), rtol=2e-7, atol=1e-5)


@pytest.mark.parametrize("x", [0.0, 0.1, 1.0, 5.0, 40.0])
def test_log_bessel_is_the_sum_of_its_series(x):
    with localcontext() as exact:
        exact.prec = 60
        term = total = Decimal(1)
        for k in range(1, 200):
            term *= (Decimal(x) / 2 / k) ** 2
            total += term
        value = float(total.ln())
    assert log_bessel(np.array([x]))[0] == pytest.approx(value, rel=1e-12, abs=1e-15)


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
