"""A carrier that drifts out of what a model admits, followed on from where it is known: smooth pulses, to their ends."""

from __future__ import annotations

import numpy as np
import pytest
from benchmarks.bounds import power
from generators.smooth import raised_cosine
from generators.truths import flat_floor

from dsp.condition import Conditioner
from dsp.extract import Model
from dsp.link import Learned, learn
from dsp.onward import Start, followed_on
from dsp.results import DecodeSettings
from dsp.source import Record, Watch, make_record
from dsp.whole import followed, whole_of

RATE_HZ = 1e6
PERIOD = 13.3
CYCLES = 4.4
# symbols before and after the transmission
BESIDE = 40
TAIL = 6
NONE = np.zeros((0, 2))


def omega_at(place: np.ndarray, symbols: int, drift: float) -> np.ndarray:
    """Radians a sample: steady at either end, the whole ``drift`` in cycles a symbol in between."""
    u = 8.0 * ((place / PERIOD - BESIDE) / symbols - 0.5)
    return 2.0 * np.pi / PERIOD * (CYCLES + 0.5 * drift * u / np.sqrt(1.0 + u * u))


def drifting(symbols: int, drift: float, esn0_db: float, draw: int) -> tuple[Record, np.ndarray, float]:
    """One transmission of raised cosines of rolloff 0.4, its signs (symbols,) and the standard deviation of the noise."""
    rng = np.random.default_rng([draw, 88])
    signs = rng.integers(0, 2, symbols) * 2 - 1
    samples = np.zeros(int((symbols + 2 * BESIDE) * PERIOD))
    for k, sign in enumerate(signs):
        middle = (BESIDE + k + 0.5) * PERIOD
        near = np.arange(int(middle - TAIL * PERIOD), int(middle + TAIL * PERIOD))
        samples[near] += sign * raised_cosine((near - middle) / PERIOD, 0.4)
    phase = np.cumsum(omega_at(np.arange(samples.size), symbols, drift)) + rng.uniform(0.0, 6.28)
    sigma = float(np.sqrt(PERIOD / 4.0 / power(esn0_db)))
    values = samples * np.cos(phase) + rng.normal(0.0, sigma, samples.size)
    return make_record(values, RATE_HZ), signs, sigma


@pytest.mark.parametrize(("drift", "esn0_db"), [(0.9, 9.0), (-0.6, 14.0)])
def test_a_carrier_is_followed_to_both_ends_and_no_further(drift, esn0_db):
    symbols = 3000
    record, _, sigma = drifting(symbols, drift, esn0_db, 1)
    conditioner = Conditioner(record, flat_floor(sigma), CYCLES * RATE_HZ / PERIOD, RATE_HZ / PERIOD)
    places = (BESIDE + np.array([900.0, 901.0])) * PERIOD
    known = omega_at(places, symbols, drift)
    start = Start(float(places[0]), float(known[0]), float(np.diff(known)[0] / PERIOD))
    # of a period that is roughly known
    wander = followed_on(conditioner, start, float(known[0]), 1.001 * PERIOD)
    assert wander is not None
    off = (wander.omega + known[0] - omega_at(wander.places, symbols, drift)) * PERIOD / (2.0 * np.pi)
    # a window beyond an end may have half its symbols; the window of 48 symbols bends by less than this
    inner = slice(2, -2)
    assert np.abs(off[inner]).max() < 0.005
    ends = wander.places[[0, -1]] / PERIOD - BESIDE
    assert -48.0 < ends[0] < 48.0
    assert symbols - 48.0 < ends[1] < symbols + 48.0


def test_nothing_is_followed_where_nothing_is_sent():
    sigma = 1.0
    record = make_record(np.random.default_rng(89).normal(0.0, sigma, 100_000), RATE_HZ)
    conditioner = Conditioner(record, flat_floor(sigma), CYCLES * RATE_HZ / PERIOD, RATE_HZ / PERIOD)
    omega = 2.0 * np.pi * CYCLES / PERIOD
    for place in np.linspace(10_000.0, 90_000.0, 9):
        assert followed_on(conditioner, Start(float(place), omega, 0.0), omega, PERIOD) is None


def learned_in(
    spans: list[tuple[int, int]], drift: float, symbols: int
) -> tuple[np.ndarray, Conditioner, Learned]:
    """The signs sent, and what is learned in spans (symbols) with the carrier that there is in the middle of the first."""
    record, signs, sigma = drifting(symbols, drift, 14.0, 3)
    middle = np.array([BESIDE + 0.5 * sum(spans[0])]) * PERIOD
    carrier_hz = float(omega_at(middle, symbols, drift)[0]) * RATE_HZ / (2.0 * np.pi)
    model = Model(carrier_hz, PERIOD, gain=float(np.sqrt(2.0 * power(14.0))))
    conditioner = Conditioner(record, flat_floor(sigma), carrier_hz, RATE_HZ / PERIOD)
    return (
        signs,
        conditioner,
        learn(record, conditioner.strip(places_of(spans)), model, DecodeSettings(), NONE),
    )


def places_of(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    return [(int((BESIDE + a) * PERIOD), int((BESIDE + b) * PERIOD)) for a, b in spans]


def test_smooth_symbols_on_a_carrier_that_drifts_by_most_of_a_symbol_rate_are_one_transmission():
    symbols, spans = 2500, [(-40, 500)]
    signs, conditioner, learned = learned_in(spans, 0.9, symbols)
    whole = whole_of(conditioner, places_of(spans), learned, DecodeSettings(), NONE, Watch())
    (talker,) = whole.everything.talkers
    assert len(talker.runs) == 1
    found = np.where(talker.runs.symbols.real > 0.0, 1, -1)
    # an end is off by a symbol in one of some hundred
    assert found.size == pytest.approx(signs.size, abs=2)
    off = round(float(talker.runs.first[0]) / PERIOD - BESIDE)
    same = found[max(0, -off) :][: symbols - 5] == signs[max(0, off) :][: symbols - 5]
    assert same.all() or not same.any()


@pytest.mark.parametrize("drift", [0.9, 0.0])
def test_what_is_learned_in_places_far_apart_has_one_carrier_there(drift):
    """Half a symbol rate apart, where one model finds what is not there."""
    symbols, spans = 6000, [(2600, 3000), (3900, 4250)]
    _, conditioner, learned = learned_in(spans, drift, symbols)
    straight, again = followed(conditioner, places_of(spans), learned, DecodeSettings(), NONE)
    if drift == 0.0:
        assert straight is conditioner
        assert again is learned
    else:
        assert straight.wander is not None
    counts = again.runs.count
    assert counts.tolist() == pytest.approx([400, 350], abs=2)
