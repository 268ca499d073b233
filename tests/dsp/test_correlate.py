"""Correlations against sums over samples, logarithms against exact ones."""

from __future__ import annotations

from decimal import Decimal, localcontext
from itertools import pairwise

import numpy as np
import pytest
from scipy import special

from dsp.bessel import log_bessel_quickly
from dsp.correlate import SymbolSums, log_cosh, turn_back

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


def test_log_cosh_in_single_precision_rounds_no_more_than_its_digits():
    x = np.linspace(-40.0, 40.0, 8001)
    found = log_cosh(x.astype(np.float32))
    assert found.dtype == np.float32
    # ln 2 comes off, whose digits are rounded at 6e-8
    np.testing.assert_allclose(found, log_cosh(x), rtol=2e-7, atol=2e-7)


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
