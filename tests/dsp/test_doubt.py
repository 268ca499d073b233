"""Odds of each sign, against a sum over all the cases that uses nothing but samples."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.bounds import poisson_interval
from generators.long_runs import long_but
from generators.truths import capture, signs_of, true_fits

from dsp.doubt import sign_odds
from dsp.runs import decided, runs_of
from dsp.settling import settle


def along(fits) -> np.ndarray:
    return runs_of(fits).symbols.real


def odds_by_samples(made, fits, starts: np.ndarray, phases: np.ndarray) -> np.ndarray:
    """ln P(+) / P(-) of each symbol (k,) given the samples, all starts and phases being alike beforehand."""
    x, variance, amplitude = made.samples, made.sigma**2, float(fits.amplitude[0])
    count, period = int(fits.count[0]), float(fits.period[0])
    weights, odds = [], []
    for start in starts:
        for phase in phases:
            each = np.empty(count)
            total = 0.0
            for k in range(count):
                m = np.arange(int(np.ceil(start + k * period)), int(np.ceil(start + (k + 1) * period)))
                wave = amplitude * np.cos(fits.turned.omega * m + phase)
                plus, minus = (
                    float(np.sum(x[m] ** 2 - (x[m] - s * wave) ** 2)) / (2 * variance) for s in (1, -1)
                )
                each[k] = plus - minus
                total += float(np.logaddexp(plus, minus))
            weights.append(total)
            odds.append(each)
    share = np.exp(np.array(weights) - max(weights))
    share /= share.sum()
    positive = share @ (1.0 / (1.0 + np.exp(-np.array(odds))))
    return np.log(positive) - np.log1p(-positive)


@pytest.mark.parametrize("draw", long_but(0, 1, 2, of=range(6)))
def test_odds_are_those_of_all_starts_and_phases(draw):
    # so many that the symbol period is known, and the first of them
    made = capture((24,) * 30, draw, cycles=2.5, carrier_hz=316_000.0, esn0_db=5.0)
    fits = settle(true_fits(made), hold_carrier=True, ends=False)
    start, phase = float(fits.start[0]), float(fits.phase[0])
    due = odds_by_samples(made, fits, start + np.linspace(-2.5, 2.5, 51), phase + np.linspace(-0.6, 0.6, 25))
    found = sign_odds(fits, along(fits), hold_carrier=True)[:24]
    sure = lambda odds: 1.0 / (1.0 + np.exp(-odds))  # noqa: E731
    # of all first edges and phases only those nearby are summed over there
    assert np.abs(sure(found) - sure(due)).max() < 0.06
    assert np.sqrt(np.mean((sure(found) - sure(due)) ** 2)) < 0.015


def chances_by_samples(made, fits, row: int, finely: int = 1) -> np.ndarray:
    """Probability (k,) that each symbol is positive over every first edge of a symbol and every phase of half a turn."""
    count, period = int(fits.count[row]), float(fits.period[row])
    x, steps = made.samples, np.arange(finely * int(np.ceil(period)))
    starts = float(fits.start[row]) + (steps - 0.5 * steps.size) / finely
    m = np.arange(x.size)
    tone = np.exp(1j * fits.turned.omega * m)
    along, double = (np.concatenate(([0.0], np.cumsum(part))) for part in (x * tone, tone**2))
    # each sample belongs to the symbol in which its instant lies
    at = np.ceil(starts[:, None] + np.arange(count + 1) * period).astype(int)
    phases = np.exp(1j * (float(fits.phase[row]) + np.pi * (np.arange(64) / 64 - 0.5)))[:, None]
    half_odds = (np.diff(along[at])[:, None] * phases).real / made.sigma**2
    energy = (np.diff(at)[:, None] + (np.diff(double[at])[:, None] * phases**2).real) / (2 * made.sigma**2)
    nats = np.sum(np.logaddexp(half_odds, -half_odds) - 0.5 * energy, axis=2)
    weight = np.exp(nats - nats.max())[:, :, None]
    return np.sum(weight / (1.0 + np.exp(-2.0 * half_odds)), axis=(0, 1)) / weight.sum()


def test_weak_symbols_are_as_sure_as_all_first_edges_make_them():
    """Few first edges believe the one that stands on a chance top: a fifth more of those called sure are then wrong."""
    predicted = due = 0.0
    for draw in range(3):
        made = capture((24,) * 40, draw, cycles=12.0, carrier_hz=120_000.0, esn0_db=2.0)
        fits = settle(true_fits(made), hold_carrier=True, ends=False)
        fits = replace(fits, amplitude=np.ones(40))
        odds = sign_odds(fits, along(fits), hold_carrier=True).reshape(40, 24)
        for row in range(40):
            positive = chances_by_samples(made, fits, row)
            doubt = 1.0 / (1.0 + np.exp(np.abs(odds[row])))
            sure = doubt < 0.1
            predicted += float(np.sum(doubt[sure]))
            due += float(np.sum(np.where(odds[row] > 0, 1.0 - positive, positive)[sure]))
    assert predicted > 20
    assert due / predicted == pytest.approx(1.0, abs=0.05)


def test_a_lone_transmission_leaves_its_symbol_period_open():
    """Six samples a symbol: a period off by a hundredth of a sample puts some of them into the wrong symbol."""
    rng = np.random.default_rng(1)
    predicted = due = 0.0
    for draw in range(60):
        made = capture((40,), draw, cycles=2.0, carrier_hz=339_000.0, esn0_db=4.0)
        sent = true_fits(made)
        period = sent.period + rng.uniform(-0.06, 0.06)
        fits = replace(sent, period=period, start=sent.middle - 0.5 * sent.count * period)
        fits = settle(fits, hold_carrier=True, ends=False)
        unlike = replace(fits, amplitude=np.ones(1))
        odds = sign_odds(unlike, along(unlike), hold_carrier=True)
        positive = chances_by_samples(made, sent, 0, finely=8)
        doubt = 1.0 / (1.0 + np.exp(np.abs(odds)))
        sure = doubt < 0.1
        predicted += float(np.sum(doubt[sure]))
        due += float(np.sum(np.where(odds > 0, 1.0 - positive, positive)[sure]))
    assert predicted > 8
    assert due / predicted == pytest.approx(1.0, abs=0.15)


def test_a_symbol_is_decided_by_its_odds():
    made = capture((24,) * 40, 0, cycles=12.0, carrier_hz=120_000.0, esn0_db=2.0)
    fits = settle(true_fits(made), hold_carrier=True, ends=False)
    odds = sign_odds(fits, along(fits), hold_carrier=True)
    fitted = runs_of(fits)
    runs = decided(fitted, odds)
    apart = np.sign(odds) != np.sign(fitted.symbols.real)
    assert 0 < np.count_nonzero(apart) < 20
    np.testing.assert_array_equal(np.sign(runs.symbols.real), np.sign(odds))
    np.testing.assert_array_equal(runs.symbols[~apart], fitted.symbols[~apart])
    np.testing.assert_allclose(2.0 * (runs.gains * runs.symbols.real)[apart], odds[apart])


def test_what_is_strong_has_the_odds_of_its_fit():
    made = capture((24, 40), 1, esn0_db=14.0)
    fits = true_fits(made)
    odds = sign_odds(fits, along(fits), hold_carrier=False)
    assert odds.shape == (64,)
    assert (np.sign(odds) == np.concatenate([signs_of(b.symbols) for b in made.bursts])).all()
    # 2 g y with y about g: four times Es/N0
    assert np.mean(np.abs(odds)) == pytest.approx(4.0 * 10.0**1.4, rel=0.05)


@pytest.mark.parametrize("hold_carrier", [True, False])
def test_symbols_are_wrong_as_often_as_said(hold_carrier):
    """Fits to few symbols: where timing and phase are taken as certain, too few errors are predicted."""
    wrong = predicted = certain = 0.0
    sure = lambda odds: float(np.sum(1.0 / (1.0 + np.exp(np.abs(odds)))))  # noqa: E731
    for draw in range(12):
        made = capture((16,) * 40, draw, cycles=2.5, carrier_hz=316_000.0, esn0_db=3.0)
        fits = settle(true_fits(made), hold_carrier=hold_carrier, ends=False)
        odds = sign_odds(fits, along(fits), hold_carrier=hold_carrier)
        sent = np.concatenate([signs_of(b.symbols) for b in made.bursts]).reshape(40, 16)
        said = odds.reshape(40, 16)
        # polarity is free
        flipped = np.sign(np.sum(said * sent, axis=1, keepdims=True))
        wrong += float(np.count_nonzero(said * sent * flipped < 0))
        predicted += sure(said)
        certain += sure(2.0 * np.repeat(fits.gain, 16) * runs_of(fits).symbols.real)
    low, high = poisson_interval(int(wrong), 0.999)
    assert wrong > 150
    assert low / 1.1 < predicted < 1.1 * high
    assert certain < predicted
