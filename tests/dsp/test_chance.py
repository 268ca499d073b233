"""What noise shows by chance: the count of what was tried, and that nothing is made up of it."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from benchmarks.bounds import clopper_pearson

import dsp
import dsp.chance as module
from dsp.chance import beyond_chance, chance_nats
from dsp.correlate import turn_back
from dsp.extract import Model
from dsp.rate import period_grid, search_period
from dsp.results import DecodeSettings

NOTHING = DecodeSettings()
RATE_HZ = 1e6


def runs_of(count, gain2, period, nats):
    one = np.ones(len(np.atleast_1d(nats)))
    return SimpleNamespace(
        count=(one * count).astype(int), gain=one * np.sqrt(gain2), period=one * period, nats=one * nats
    )


def model_of(cycles, period, spread=None):
    return Model(cycles * RATE_HZ / period, period, spread=spread)


def needed(count=24, gain2=10.0, period=50.0, cycles=4.0, many=1, samples=10_000, settings=NOTHING):
    runs = runs_of(count, gain2, period, np.full(many, 100.0))
    return chance_nats(runs, model_of(cycles, period), samples, RATE_HZ, settings)


def test_the_best_of_all_models_of_noise_exceeds_chance_no_more_often_than_is_said():
    rng = np.random.default_rng(61)
    samples, share, records = 256, 0.2, 30
    # probability per sample, to that per record
    allowance = np.log(share / samples) - np.log(module._A_SAMPLE)
    above = above_alone = 0
    for _ in range(records):
        noise = rng.standard_normal(samples)
        best = alone = -np.inf
        for omega in np.arange(0.5, 2.6, 2.0 * np.pi / samples):
            for amplitude in (0.6, 1.0):
                shortest = max(8.0, 2.0 * np.pi / omega)
                found = search_period(
                    turn_back(noise, omega), period_grid(shortest, 40.0, samples), 1.0, amplitude
                )
                top = int(np.argmax(np.where(found.count >= 4, found.nats, -np.inf)))
                nats, period = float(found.nats[top]), float(found.period[top])
                runs = runs_of(found.count[top], amplitude**2 * period / 2.0, period, nats)
                model = model_of(omega * period / (2.0 * np.pi), period)
                best = max(best, nats - chance_nats(runs, model, samples, RATE_HZ, NOTHING))
                alone = max(alone, nats)
        above += best > -allowance
        above_alone += alone > -np.log(share)
    assert clopper_pearson(above, records)[0] < share
    # what one model alone would be held to is exceeded in every record
    assert above_alone == records


def test_what_is_sought_in_more_room_must_be_likelier():
    assert needed(count=48) > needed(count=24) > needed(count=8, gain2=20.0)
    assert needed(cycles=48.0) == pytest.approx(needed(cycles=4.0))
    assert needed(cycles=480.0) == pytest.approx(needed(cycles=4.0) + 2.0 * np.log(10.0))
    # a symbol is as easily found by chance in ten times the samples, if each has as much to say
    assert needed(period=500.0, cycles=4.0) == pytest.approx(needed(period=50.0))


def test_each_further_transmission_must_say_where_it_is():
    one, two, three = (needed(many=many, samples=100_000) for many in (1, 2, 3))
    assert two - one > np.log(100_000)
    # any of them may be the first
    assert three - two == pytest.approx(two - one - np.log(2.0))
    assert needed(many=2, samples=1_000_000) - needed(many=2) == pytest.approx(np.log(100.0))


def test_what_was_told_need_not_be_found_by_chance():
    free = needed()
    rate = needed(settings=DecodeSettings(symbol_rate_bd=RATE_HZ / 50.0))
    both = needed(settings=DecodeSettings(carrier_hz=4.0 * RATE_HZ / 50.0, symbol_rate_bd=RATE_HZ / 50.0))
    assert both < rate < free - 3.0
    assert needed(settings=DecodeSettings(carrier_hz=8.0 * RATE_HZ / 50.0)) == free


def test_weakest_transmissions_that_are_to_be_found_are_beyond_chance():
    # ln cosh(g y) - g^2 / 2 of symbols y about g: its sum, nothing fitted, which would add to it
    rng = np.random.default_rng(5)
    for count, esn0_db in ((24, 7.0), (30, 6.0), (8, 10.0)):
        gain2 = 2.0 * 10.0 ** (esn0_db / 10.0)
        y = np.sqrt(gain2) + rng.standard_normal((10_000, count))
        nats = np.sum(np.log(np.cosh(np.sqrt(gain2) * y)) - gain2 / 2.0, axis=1)
        model = model_of(40.0, 100.0)
        missed = sum(
            not beyond_chance(runs_of(count, gain2, 100.0, each), model, 10_000, RATE_HZ, NOTHING)
            for each in nats
        )
        # no more than half of the one in a hundred that may be missed
        assert clopper_pearson(missed, len(nats))[1] < 0.005


@pytest.mark.parametrize(("count", "draw"), [(50_000, 1102), (5_000_000, 112)])
def test_noise_in_which_something_likely_was_found_stays_noise(count, draw):
    noise = np.random.default_rng([99, draw]).standard_normal(count, dtype=np.float32)
    result = dsp.decode(noise, RATE_HZ)
    assert not result.bursts
    assert result.signalling.kind == "none"
