"""Correlations against sums over samples, runs against every run there is, logarithms against exact ones."""

from __future__ import annotations

from decimal import Decimal, localcontext
from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp.correlate import best_run, change_nats, log_bessel, log_cosh, on_runs, turn_back

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


@pytest.mark.parametrize("omega", OMEGAS)
@pytest.mark.parametrize(("sharp", "offset"), [(True, 0.0), (True, 0.3), (False, 0.5)])
def test_templates_are_what_a_unit_carrier_correlates_to(omega, sharp, offset):
    """Sums of cos^2, sin^2 and cos sin over the samples of each symbol, over half the period."""
    period = 9.0
    edges = offset + 2.0 + np.arange(6) * period
    for phase in (0.0, 0.6, 2.4):
        theta = omega * np.arange(70) + phase
        weights = shares(edges, 70, sharp) / (period / 2.0)
        turned = turn_back(np.zeros(70), omega, sharp)
        found = turned.templates(edges, phase, period)
        np.testing.assert_allclose(found.real, weights @ np.cos(theta) ** 2, atol=1e-9)
        np.testing.assert_allclose(found.imag, -weights @ (np.cos(theta) * np.sin(theta)), atol=1e-9)
        np.testing.assert_allclose(turned.energies(edges, phase, period), found.real, atol=1e-12)
        across = turned.across(edges, phase, period)
        np.testing.assert_allclose(across, weights @ np.sin(theta) ** 2, atol=1e-9)


@pytest.mark.parametrize("omega", OMEGAS)
def test_templates_agree_with_correlating_a_carrier_where_edges_cut_samples(omega):
    """The same through `between`: a carrier of amplitude 1 in, its templates out."""
    period, phase = 12.3, 0.4
    samples = np.cos(omega * np.arange(90) + phase)
    edges = 3.37 + np.arange(6) * period
    turned = turn_back(samples, omega)
    correlated = turned.between(edges) * np.exp(-1j * phase) / (period / 2.0)
    np.testing.assert_allclose(turned.templates(edges, phase, period), correlated, atol=0.02)


def test_symbols_outside_the_samples_have_no_energy():
    turned = turn_back(np.ones(50), 0.5)
    edges = np.array([-30.0, -10.0, 55.0, 70.0])
    np.testing.assert_allclose(turned.energies(edges, 0.3, 20.0)[[0, 2]], 0.0, atol=1e-12)
    np.testing.assert_allclose(turned.between(edges)[[0, 2]], 0.0, atol=1e-12)


@pytest.mark.parametrize("x", [0.0, 1e-9, 1e-3, 0.5, 1.0, 3.0, 17.0, 300.0])
def test_log_cosh_is_the_exact_one(x):
    with localcontext() as exact:
        exact.prec = 50
        d = Decimal(x)
        value = float(((d.exp() + (-d).exp()) / 2).ln())
    assert log_cosh(np.array([x, -x])) == pytest.approx([value, value], rel=1e-12, abs=1e-15)


def test_logarithms_do_not_overflow():
    for x in (1e3, 1e6, 1e150):
        assert log_cosh(np.array([x]))[0] == pytest.approx(x - np.log(2.0))
        # Abramowitz and Stegun 9.7.1: I0(x) tends to e^x / sqrt(2 pi x)
        assert log_bessel(np.array([x]))[0] == pytest.approx(x - 0.5 * np.log(2 * np.pi * x), rel=1e-6)


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


@pytest.mark.parametrize("gain", [4.0, 6.0, 10.0, 40.0])
def test_cost_of_a_change_bridges_a_weak_symbol_and_not_two_silent_ones(gain):
    """A symbol of length ``g`` has log-likelihood ratio ln cosh(g y) - g^2 / 2 against silence."""
    cost = change_nats(gain)
    # 4.9 standard deviations short of its length: once in two million symbols
    lengths = np.array([0.0] * 3 + [gain] * 9 + [max(0.0, gain - 4.9)] + [gain] * 9)
    assert on_runs(log_cosh(gain * lengths) - gain * gain / 2.0, cost) == [(3, 22)]
    lengths = np.array([gain] * 9 + [0.0] * 2 + [gain] * 9)
    assert on_runs(log_cosh(gain * lengths) - gain * gain / 2.0, cost) == [(0, 9), (11, 20)]


def test_weak_symbols_change_rarely():
    # a pair of changes by chance: odds of e^-8 at most
    assert change_nats(0.5) >= 4.0
