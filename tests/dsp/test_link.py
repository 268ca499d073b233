"""Learning what a link is from a part of the record: where it is learnt, what is believed, what stays open."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.bounds import carrier_std_bound_hz
from generators.truths import (
    RATE_HZ,
    Capture,
    capture,
    flat_floor,
    model_of,
    record_of,
    same_or_opposite,
    strip_from,
)

import dsp.link as module
from dsp.activity import find_activity
from dsp.extract import Model
from dsp.link import Learned, believed, learn, rivals_of, spans_to_learn
from dsp.results import DecodeSettings
from dsp.segment import Piece, cut
from dsp.source import Watch
from dsp.talkers import Talker, talkers_of

NOTHING, NONE = DecodeSettings(), np.zeros((0, 2))
MADE = capture((30, 44, 24), 1, esn0_db=16.0)


def piece_of(start: float, stop: float, ratio: float = 3.0) -> Piece:
    return Piece(int(start), int(stop), 140e3, 210e3, 32, ratio)


def learned(made: Capture, model: Model, settings: DecodeSettings = NOTHING) -> Learned:
    return learn(made.record, strip_from(made), model, settings, NONE)


def test_spans_hold_their_pieces_and_are_joined_where_they_meet():
    made = capture((30, 30, 30), 8, gap_symbols=200.0)
    starts = [int(b.start_s * RATE_HZ) for b in made.bursts]
    pieces = [piece_of(s, s + 1_000) for s in starts]
    close = piece_of(starts[1] + 1_100, starts[1] + 1_500)
    unordered = [pieces[2], close, *pieces[:2]]
    long = record_of(np.concatenate((made.samples, np.zeros(1 << 20))))
    spans, energy = spans_to_learn(long, unordered, model_of(made))
    assert len(spans) == 3
    for (a, b), inside in zip(spans, ([pieces[0]], [pieces[1], close], [pieces[2]]), strict=True):
        assert all(a <= p.start and p.stop <= b for p in inside)
        assert b - a < 5_000
    assert energy == pytest.approx(sum(p.energy for p in unordered))
    # a short record is looked at as a whole
    spans, energy = spans_to_learn(made.record, unordered, model_of(made))
    assert spans == [(0, len(made.samples))]
    assert energy == pytest.approx(sum(p.energy for p in unordered))


def test_spans_do_not_cross_segments():
    made = capture((30, 30), 9, gap_symbols=2.0)
    edge = int(made.bursts[0].end_s * RATE_HZ) + 20
    samples = np.concatenate((made.samples, np.zeros(1 << 20)))
    record = record_of(samples, RATE_HZ, ((0, edge, 0.0), (edge, len(samples), 7.0)))
    pieces = [piece_of(edge - 1_000, edge), piece_of(edge, edge + 1_000)]
    spans, _ = spans_to_learn(record, pieces, model_of(made))
    assert len(spans) == 2
    assert spans[0][1] == edge
    assert spans[1][0] == edge


@pytest.mark.parametrize("period", [20.0, 400.0])
def test_no_more_than_so_many_symbols_are_learnt_from(period):
    """The most telling pieces first; what is longer than all that is looked at in its middle."""
    record = record_of(np.zeros(1 << 24, np.int8))
    most = max(module._SYMBOLS_TO_LEARN * period, 1 << 16)
    model = Model(170e3, period)
    pieces = [piece_of(k * 500_000 + 1_000, k * 500_000 + 61_000, 3.0 + k) for k in range(33)]
    spans, energy = spans_to_learn(record, pieces, model)
    taken = [p for p in pieces if any(a <= p.start and p.stop <= b for a, b in spans)]
    assert sum(b - a for a, b in spans) < most + len(spans) * 2 * (10 * period + 33)
    assert energy == pytest.approx(sum(p.energy for p in taken))
    assert pieces[-1] in taken
    whole = piece_of(0, 1 << 24)
    [(a, b)], energy = spans_to_learn(record, [whole], model)
    assert b - a <= most
    assert (a + b) / 2 == pytest.approx(1 << 23, abs=2)
    assert energy == pytest.approx(whole.energy * most / (1 << 24), rel=1e-3)


def test_what_was_found_with_another_sharing_of_samples_holds_where_these_tell_little_and_nothing_is_final():
    """At 64 samples a symbol one of them tells 2 g^2 / 64 natural units: 1.5 at 14 dB, 8 at 21 dB."""
    one = Model(170e3, 64.0)
    weak, strong = (replace(one, sharp=True, points=True, gain=gain) for gain in (7.0, 16.0))
    assert module._alike(one, weak, 60, final=False)
    assert not module._alike(one, weak, 60, final=True)
    assert not module._alike(one, strong, 60, final=False)
    # by a twentieth of a symbol over all of them
    moved = replace(one, period=64.0 * (1.0 + 0.05 / 60.0))
    assert not module._alike(one, moved, 60, final=False)
    assert module._alike(one, replace(one, period=64.0 * (1.0 + 0.02 / 60.0)), 60, final=True)


@pytest.mark.parametrize("off", [-0.2, 0.1])
def test_a_rough_model_is_refined(off):
    """Its period off by so many symbols over the longest burst, its carrier by as much of its resolution."""
    made = capture((30, 44, 24, 38), 1, esn0_db=16.0)
    true = model_of(made)
    span = 44 * true.period
    rough = replace(
        true, period=true.period * (1.0 + off / 44), carrier_hz=true.carrier_hz + off * RATE_HZ / span
    )
    found = learned(made, rough)
    assert found.runs.count.tolist() == [30, 44, 24, 38]
    assert abs(found.period.value - true.period) < 5.0 * found.period.std
    assert abs(found.model.period / true.period - 1.0) < 0.05 / 44
    bound = carrier_std_bound_hz(made.bursts, RATE_HZ, made.sigma)
    assert found.model.carrier_hz == pytest.approx(true.carrier_hz, abs=4.0 * bound)
    assert found.model.gain == pytest.approx(np.sqrt(2.0 * 10**1.6), rel=0.1)
    for i, burst in enumerate(made.bursts):
        assert same_or_opposite(found.runs.take(np.array([i])).symbols.real, burst.symbols)


@pytest.mark.parametrize("told", [False, True])
def test_parts_of_symbols_are_put_together_unless_the_rate_is_told(told):
    made = capture((30, 44, 24, 38), 2, esn0_db=16.0, cycles=12.0)
    true = model_of(made)
    rate = 2.0 * RATE_HZ / true.period
    settings = DecodeSettings(symbol_rate_bd=rate if told else None)
    found = learned(made, replace(true, period=true.period / 2.0), settings)
    factor = 2 if told else 1
    assert found.model.period == pytest.approx(true.period / factor, rel=1e-3)
    assert found.runs.count.tolist() == [n * factor for n in (30, 44, 24, 38)]


def seen(made: Capture) -> float:
    """Energy of the pieces of the carrier's octave, over the noise variance."""
    noise = flat_floor(made.sigma)
    actives = [a for a in find_activity(made.record, noise, Watch()) if a.octave == 1]
    return sum(p.energy for a in actives for p in cut(made.record, noise, a))


@pytest.mark.parametrize("esn0_db", [7.0, 12.0, 25.0])
def test_reversals_are_believed(esn0_db):
    made = capture((30, 44, 24, 38), 3, esn0_db=esn0_db)
    found = learned(made, model_of(made))
    judged = believed(found, seen(made), made.sigma**2)
    assert judged is not None
    assert judged.gain**2 / judged.noise == pytest.approx(2.0 * 10.0 ** (esn0_db / 10.0), rel=0.3)


def test_what_explains_little_of_what_was_seen_is_not_believed():
    made = capture((30, 44, 24, 38), 4, esn0_db=14.0)
    found = learned(made, model_of(made))
    assert believed(found, seen(made), made.sigma**2) is not None
    assert believed(found, 2.5 * seen(made), made.sigma**2) is None


@pytest.mark.parametrize(("noise", "gain", "good"), [(1.0, 2.4, True), (2.1, 3.2, False), (2.1, 7.0, True)])
def test_weak_symbols_in_more_noise_than_supposed_are_not_believed(monkeypatch, noise, gain, good):
    """Coloured noise held against a flat floor shows such; strong symbols may stand on a floor that is off by as much."""
    made = capture((30, 44, 24, 38), 4, esn0_db=7.0)
    found = learned(made, model_of(made))
    judged = replace(believed(found, seen(made), made.sigma**2), noise=noise, gain=gain)
    monkeypatch.setattr("dsp.link.fitness", lambda runs: judged)
    assert (believed(found, seen(made), made.sigma**2) is not None) == good


def test_other_keying_is_not_believed():
    """Quarter turns, told the right carrier, period and noise."""
    made = capture((60, 60), 5, esn0_db=20.0)
    rng = np.random.default_rng(5)
    samples = rng.normal(0.0, made.sigma, len(made.samples))
    for burst in made.bursts:
        place = np.arange(int(np.ceil(burst.start_s * RATE_HZ)), int(burst.end_s * RATE_HZ))
        symbol = ((place / RATE_HZ - burst.start_s) * burst.symbol_rate_bd).astype(int)
        turns = rng.integers(0, 4, 60)[symbol] / 4.0
        samples[place] += np.sin(2 * np.pi * (burst.carrier_hz * place / RATE_HZ + turns))
    other = replace(made, samples=samples)
    assert believed(learned(other, model_of(made)), seen(other), made.sigma**2) is None


def test_silence_teaches_nothing():
    made = capture((30,), 6)
    quiet = replace(made, samples=np.random.default_rng(6).normal(0.0, made.sigma, 5_000))
    found = learned(quiet, model_of(made))
    assert len(found.found) == 0
    assert found.period is None
    assert believed(found, 0.0, made.sigma**2) is None


def test_rivals_are_the_parts_of_symbols_that_no_samples_rule_out():
    """Symbols sent twice or three times look the same, as long as a part of one holds a cycle of the carrier."""
    made = capture((5,), 7, esn0_db=20.0)
    model = model_of(made)
    # down to a carrier of one cycle a symbol, of which there are 6.3 now
    assert rivals_of(model, RATE_HZ) == pytest.approx([model.period / n for n in range(2, 7)])
    # of a carrier of one and a half cycles a symbol no part is left
    few = capture((5,), 7, esn0_db=20.0, cycles=1.5)
    assert rivals_of(model_of(few), RATE_HZ) == ()


def test_of_two_models_the_one_that_explains_more_is_learned_from():
    """As where somebody tells a rate: it is a start like any other, and is left where another leads to more."""
    made = capture((30, 34, 40, 28), 46, esn0_db=6.0)
    right = model_of(made)
    # a period of which no flip is a whole number explains less
    off = replace(right, period=1.23 * right.period)
    poor, good = learned(made, off), learned(made, right)
    assert module.energy_told(good) > 1.2 * module.energy_told(poor)
    better = module.likelier(made.record, poor, right, NOTHING, NONE)
    assert module.energy_told(better) == pytest.approx(module.energy_told(good), rel=0.02)
    assert module.likelier(made.record, good, off, NOTHING, NONE) is good
    for other in (None, replace(right, unmodulated=True), replace(right, carrier_hz=1.3 * right.carrier_hz)):
        assert module.likelier(made.record, poor, other, NOTHING, NONE) is poor


def test_what_is_as_weak_as_noise_in_the_end_is_no_link():
    """Es/N0 of one, in the noise that was met: one symbol in twelve would be wrong."""

    def talker(esn0: float, noise: float = 1.0) -> Talker:
        (made,) = talkers_of(strip_from(MADE), learned(MADE, model_of(MADE)).found)
        judged = replace(made.fitness, gain=float(np.sqrt(2.0 * esn0 * noise)), noise=noise)
        return replace(made, fitness=judged)

    assert module.hardly_above_noise([])
    assert module.hardly_above_noise([talker(0.9), talker(0.9, 3.0)])
    assert not module.hardly_above_noise([talker(0.9), talker(1.1)])
