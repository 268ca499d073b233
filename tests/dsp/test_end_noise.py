"""Silence noisier than what is sent: what is found of both, and what it is worth at the ends of clipped transmissions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.bounds import clopper_pearson
from generators.draws import drawn, signs
from generators.truths import capture, strip_from, true_fits

from dsp.end_noise import ALIKE, EndNoise, end_noise
from dsp.ends import decide_ends, run_nats
from dsp.fits import Fits, carry
from dsp.quality import fitness
from dsp.runs import Runs, runs_of


def _room(runs: Runs) -> tuple[np.ndarray, np.ndarray]:
    """As far as there are symbols beside them."""
    return runs.first - 9.0 * runs.period, runs.last + 9.0 * runs.period


def test_noise_that_is_the_same_everywhere_stays_one() -> None:
    """Of 300 talkers chance makes one differ in a hundred such tests."""
    rng = np.random.default_rng(1)
    for number in range(300):
        lengths = rng.integers(6, 60, int(rng.integers(1, 12)))
        runs = drawn([signs(int(n), rng) for n in lengths], float(rng.uniform(3.6, 30.0)), rng)
        assert end_noise(runs, *_room(runs)) is ALIKE, number


def test_weak_symbols_whose_signs_are_in_doubt_tell_nothing() -> None:
    rng = np.random.default_rng(2)
    runs = drawn([signs(300, rng)] * 4, 2.5, rng, noise=0.2)
    runs = replace(runs, before=runs.before * 5.0, after=runs.after * 5.0, gains=runs.gains * 0.2)
    assert end_noise(runs, *_room(runs)) is ALIKE


def test_what_is_beside_in_the_room_of_others_is_no_silence() -> None:
    rng = np.random.default_rng(3)
    runs = drawn([signs(60, rng) for _ in range(6)], 9.0, rng, noise=0.05)
    loud = replace(runs, before=runs.before * 20.0**0.5, after=runs.after * 20.0**0.5)
    assert not end_noise(loud, *_room(loud)).alike
    assert end_noise(loud, loud.first - 1.9 * loud.period, loud.last + 1.9 * loud.period) is ALIKE
    # nor what is louder than the floor says
    neighbour = replace(loud, before=2.0 * loud.before, after=2.0 * loud.after)
    assert end_noise(neighbour, *_room(loud)) is ALIKE


def test_silence_that_is_quieter_counts_as_before() -> None:
    """A converter of few bits shows none of the noise there."""
    rng = np.random.default_rng(4)
    runs = drawn([signs(60, rng) for _ in range(6)], 9.0, rng)
    quiet = replace(runs, before=runs.before * 1e-3, after=runs.after * 1e-3)
    assert end_noise(quiet, *_room(quiet)) is ALIKE


def test_variances_and_shares_of_a_mixture_are_found() -> None:
    """Twelve thousand symbols, one in ten as noisy as silence: its share to within five deviations."""
    rng = np.random.default_rng(5)
    runs = drawn([signs(100, rng) for _ in range(120)], 12.0, rng)
    size = np.where(rng.random(runs.symbols.size) < 0.1, 1.0, 0.3)
    sent = np.sign(runs.symbols.real) * runs.gains + size * rng.normal(size=runs.symbols.size)
    found = end_noise(replace(runs, symbols=sent + 0.3j * rng.normal(size=sent.size)), *_room(runs))
    assert found.silent == pytest.approx(1.0, rel=0.15)
    assert found.sent == pytest.approx(0.09, rel=0.1)
    assert found.share == pytest.approx(0.1, abs=0.03)
    assert found.wide == pytest.approx(1.0, rel=0.2)
    half = EndNoise(found.sent / 2.0, found.silent / 2.0, found.share, found.wide / 2.0)
    assert found.over(2.0) == half


def test_the_odds_are_those_of_two_densities() -> None:
    noise = EndNoise(0.3, 2.0, 0.05, 1.2)
    along, energy, gain = np.linspace(-9.0, 9.0, 37), 1.1, 6.0

    def density(mean: float, variance: float) -> np.ndarray:
        return np.exp(-0.5 * (along - mean) ** 2 / variance) / np.sqrt(2.0 * np.pi * variance)

    level = gain * energy
    sent = sum(
        share * 0.5 * (density(level, v * energy) + density(-level, v * energy))
        for v, share in ((0.3, 0.95), (1.2, 0.05))
    )
    expected = np.log(sent / density(0.0, 2.0 * energy))
    found = noise.nats(along, np.full(37, energy), np.full(37, gain))
    np.testing.assert_allclose(found, expected, rtol=1e-9, atol=1e-9)


def test_alike_is_what_fits_say_themselves() -> None:
    fits = true_fits(capture((21, 30, 17), 14, esn0_db=9.0))
    np.testing.assert_array_equal(ALIKE.nats_between(fits, fits.edges(2, 2)), fits.symbol_nats(2, 2))
    near = EndNoise(1.0 - 1e-12, 1.0).nats_between(fits, fits.edges(2, 2))
    np.testing.assert_allclose(near, fits.symbol_nats(2, 2), atol=2e-3)


def _clipped(draw: int) -> tuple[Fits, Fits]:
    """Bursts at 14 dB clipped to half the amplitude, known as they are and with ends off by up to two symbols."""
    rng = np.random.default_rng(draw)
    lengths = tuple(int(n) for n in rng.integers(20, 60, 150))
    made = capture(lengths, draw, carrier_hz=201_300.0, cycles=3.4, esn0_db=14.0)
    flat = replace(made, samples=np.clip(made.samples, -0.5, 0.5))
    truth = replace(true_fits(made), turned=strip_from(flat).turned(2.0 * np.pi * 0.2013))
    truth = carry(truth)
    before, after = rng.integers(-2, 3, (2, len(truth)))
    return truth, replace(
        truth, start=truth.start - before * truth.period, count=truth.count + before + after
    )


def test_ends_of_clipped_transmissions_are_right_more_often() -> None:
    """And as often as their probabilities say."""
    wrong, one_noise, doubted = 0, 0, 0.0
    for draw in range(12):
        truth, rough = _clipped(draw)
        runs = runs_of(truth)
        met = fitness(runs).noise
        noise = end_noise(runs, *_room(runs))
        assert noise.silent > 2.0 * noise.sent
        rough = replace(rough, variance=rough.variance * met)
        flat, _ = decide_ends(rough)
        found, ends = decide_ends(rough, noise=noise.over(met))
        for fits, many in ((flat, False), (found, True)):
            off = np.rint((fits.start - truth.start) / truth.period) != 0
            count = int(off.sum() + np.count_nonzero(np.rint((fits.stop - truth.stop) / truth.period)))
            wrong, one_noise = (wrong + count, one_noise) if many else (wrong, one_noise + count)
        doubted += float(np.sum(2.0 - ends.start_probability - ends.end_probability))
    total = 12 * 300
    assert wrong < 0.6 * one_noise
    low, high = clopper_pearson(wrong, total, 0.999)
    assert low < 1.25 * doubted / total
    assert high > 0.8 * doubted / total


def test_followed_ends_stay_within_their_room() -> None:
    rng = np.random.default_rng(6)
    runs = drawn([signs(40, rng)], 9.0, rng)
    loud = replace(runs, before=np.full_like(runs.before, 9.0), after=np.full_like(runs.after, 9.0))
    starts, ends = run_nats(loud)
    assert (starts.argmax(), ends.argmax()) == (12, 12)
    low, high = loud.first - 2.0 * loud.period, loud.last + 0.7 * loud.period
    starts, ends = run_nats(loud, low, high)
    assert (starts.argmax(), ends.argmax()) == (8, 7)
