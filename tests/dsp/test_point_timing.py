"""The period of strong transmissions of few samples a symbol: exact at ideal points, cautious between them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from generators.truths import RATE_HZ, capture, true_fits
from scipy import stats

from dsp.fits import Fits, timing_nats
from dsp.period import pooled_period
from dsp.point_timing import are_ideal, likeliest_step, point_period

LENGTHS = (30, 44, 52, 27, 60, 33, 41, 38)


def sharp_fits(draw: int, samples_per_symbol: float, cycles: float, *, esn0_db: float = 24.0) -> Fits:
    rate_bd = RATE_HZ / samples_per_symbol
    made = capture(LENGTHS, draw, esn0_db=esn0_db, cycles=cycles, carrier_hz=cycles * rate_bd)
    return true_fits(made, sharp=True)


# just beside a whole number of samples a symbol all edges of a transmission lie nearly alike between samples
@pytest.mark.parametrize(
    ("samples_per_symbol", "cycles"), [(15.987, 4.0), (16.2179, 3.0), (9.8537, 2.5), (7.3391, 1.0)]
)
def test_period_errs_as_it_says_at_few_samples_a_symbol(samples_per_symbol, cycles):
    z = []
    for draw in range(12):
        fits = sharp_fits(draw, samples_per_symbol, cycles)
        away = replace(fits, period=fits.period * (1 + 2e-5 * (draw - 6)))
        value, std = point_period(away, 0.01)
        z.append((value - samples_per_symbol) / std)
    low, high = stats.chi2.ppf([0.0005, 0.9995], len(z)) / len(z)
    assert low < np.mean(np.square(z)) < high, np.round(z, 1)


def test_a_whole_number_of_samples_close_by_does_not_pull_the_period():
    for draw in range(4):
        fits = replace(sharp_fits(draw, 15.987, 4.0), nats=np.full(len(LENGTHS), 1e3))
        pooled = pooled_period(fits, 15.99, True)
        assert abs(pooled.value - 15.987) < 4.0 * pooled.std < 0.02


def test_the_integral_is_that_of_the_likelihood_itself():
    """Against sums over a fine grid of first edges, by the samples themselves."""
    fits = sharp_fits(3, 11.3, 2.0, esn0_db=16.0).take(np.array([0]))
    periods = 11.3 + np.array([-0.01, 0.0, 0.013])
    from dsp.point_timing import _integrated, _steps

    steps = _steps(fits)
    ours = np.array([_integrated(steps, p) for p in periods])
    starts = fits.middle[0] - 0.5 * fits.count[0] * periods[:, None] + np.linspace(-1.5, 1.5, 6001)
    omega, edges = float(fits.omega[0]), fits.edges()[0]
    signs = np.sign((fits.turned.between(fits.edges()) * np.exp(-1j * fits.angles(fits.edges()))).real)[0]
    m = np.arange(fits.turned.length)
    x = np.diff(fits.turned.sums) * np.exp(1j * fits.turned.omega * m)
    model = fits.amplitude[0] * np.cos(omega * m + fits.phase[0] - fits.detune[0] * fits.centre[0])
    told = np.concatenate(([0], np.cumsum(x.real * model))) / fits.variance
    energy = np.concatenate(([0], np.cumsum(model**2))) / (2 * fits.variance)
    grid = []
    for period, row in zip(periods, starts, strict=True):
        at = np.ceil(row[:, None] + np.arange(edges.size) * period).astype(int)
        nats = (np.diff(told[at], axis=1) * signs).sum(axis=1) - (energy[at[:, -1]] - energy[at[:, 0]])
        grid.append(np.logaddexp.reduce(nats))
    assert np.diff(ours) == pytest.approx(np.diff(grid), abs=0.05)


@pytest.mark.parametrize("draw", range(4))
def test_no_first_edge_of_a_fine_grid_is_likelier_than_the_highest_step(draw):
    fits = sharp_fits(draw, 11.3137 + 3.7071 * draw, 2.0, esn0_db=18.0)
    rough = replace(fits, start=fits.start + np.linspace(-0.4, 0.4, len(fits)))
    found = likeliest_step(rough, 0.6)
    assert (np.abs(found - rough.start) < 0.6).all()
    best = timing_nats(fits, found[:, None])[:, 0]
    every = timing_nats(fits, rough.start[:, None] + np.linspace(-0.6, 0.6, 2401)).max(axis=1)
    # single precision leaves a few hundredths
    assert (best >= every - 0.05).all(), best - every


def later(fits_of: object, part: float) -> Fits:
    made = fits_of
    turn = np.exp(-2j * np.pi * part * np.fft.rfftfreq(made.samples.size))
    shifted = replace(made, samples=np.fft.irfft(np.fft.rfft(made.samples) * turn, made.samples.size))
    fits = true_fits(shifted, sharp=True)
    return replace(fits, start=fits.start + part, phase=fits.phase - part * fits.omega)


def test_ideal_points_are_told_from_samples_between_them():
    """Half a sample later on the band-limited curve through the samples none belongs to one symbol alone."""
    for draw in range(8):
        made = capture((30, 40), draw, esn0_db=22.0, carrier_hz=173_011.0 + 37.0 * draw)
        assert are_ideal(true_fits(made, sharp=True))
        assert not are_ideal(later(made, 0.5))


@pytest.mark.parametrize("esn0_db", [6.0, 10.0, 14.0, 20.0, 26.0])
def test_noise_does_not_look_like_samples_between_points(esn0_db):
    ideal = [are_ideal(sharp_fits(draw, 7.0 + 1.3 * draw, 2.0, esn0_db=esn0_db)) for draw in range(10)]
    assert all(ideal)
