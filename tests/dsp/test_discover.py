"""Carrier and symbol period of what nothing is known of."""

from __future__ import annotations

from dataclasses import asdict, replace

import numpy as np
import pytest
from benchmarks.trials import Shape, trial
from generators.lines import talker_line
from generators.long_runs import long_but
from generators.scoring import score
from generators.truths import RATE_HZ, Capture, capture, flat_floor

from dsp.activity import find_activity
from dsp.decoder import decode
from dsp.discover import discover
from dsp.errors import CancelledError
from dsp.extract import Model
from dsp.results import DecodeSettings
from dsp.segment import Piece, cut, windows_of
from dsp.source import Watch
from dsp.synth import transmissions

NOTHING = DecodeSettings()


def pieces_of(made: Capture) -> list[Piece]:
    """Pieces of the octave in which most stands out."""
    noise = flat_floor(made.sigma)
    actives = find_activity(made.record, noise, Watch())
    if not actives:
        return []
    octave = max(actives, key=lambda a: a.best.nats).octave
    windows = [w for a in actives if a.octave == octave for w in windows_of(made.record, a)]
    return [p for w in windows for p in cut(made.record, noise, w)]


def discovered(made: Capture, settings: DecodeSettings = NOTHING) -> Model | None:
    return discover(made.record, flat_floor(made.sigma), pieces_of(made), settings, Watch())


@pytest.mark.parametrize(
    ("cycles", "carrier_hz"),
    [
        (1.0, 107_000.0),
        (1.5, 16_700.0),
        (2.37, 227_000.0),
        (6.5, 40_000.0),
        (12.7, 143_000.0),
        (48.0, 322_000.0),
    ],
)
def test_carrier_and_period_are_found_told_nothing(cycles, carrier_hz):
    """So well that all bursts can be found with it: over 40 symbols no edge moves by half a symbol, no phase by
    a quarter of a turn.
    """
    for draw in range(3):
        made = capture((40, 28, 52), 10 + draw, cycles=cycles, carrier_hz=carrier_hz, esn0_db=16.0)
        model = discovered(made)
        assert model is not None
        assert not model.unmodulated
        assert model.period == pytest.approx(RATE_HZ * cycles / carrier_hz, rel=0.5 / 40)
        span_s = 40 * cycles / carrier_hz
        assert model.carrier_hz == pytest.approx(carrier_hz, abs=0.25 / span_s)
        assert model.gain == pytest.approx(np.sqrt(2.0 * 10**1.6), rel=0.3)


@pytest.mark.parametrize("times", [1.0, 2.3, 3.6])
def test_symbols_may_be_far_shorter_than_the_frames_of_a_piece(times):
    """Up to four of them in a frame; those are proposed after longer ones, and only if they explain more."""
    made = capture((40, 28, 52), 22, cycles=4.3, carrier_hz=173_011.0, esn0_db=14.0)
    period = RATE_HZ * 4.3 / 173_011.0
    frame = int(times * period)
    pieces = [replace(p, frame=frame, bins=max(2, round(p.bins * frame / p.frame))) for p in pieces_of(made)]
    model = discover(made.record, flat_floor(made.sigma), pieces, NOTHING, Watch())
    assert model is not None
    assert model.period == pytest.approx(period, rel=0.5 / 40)


@pytest.mark.long
def test_a_line_without_noise_hides_no_period():
    """At 35 to 70 dB the likelihood is so rugged that its top falls between the periods of any grid."""
    wrong = 0
    for draw in range(24):
        rng = np.random.default_rng([draw, 3])
        cycles, samples_a_cycle = rng.uniform(1.0, 12.0), rng.uniform(2.6, 9.0)
        lengths = tuple(int(n) for n in rng.integers(16, 48, int(rng.choice([1, 2]))))
        made = capture(
            lengths,
            draw,
            cycles=cycles,
            carrier_hz=RATE_HZ / samples_a_cycle,
            esn0_db=rng.uniform(35.0, 70.0),
        )
        model = discovered(made)
        wrong += model is None or abs(model.period / (cycles * samples_a_cycle) - 1.0) > 0.012
    # of 60 drawn so 3 are wrong, and 9 where nothing is added to the noise
    assert wrong <= 2


def test_what_is_told_is_taken():
    """The double of a symbol rate that the flips leave open; a carrier told a little wrongly."""
    made = capture((40, 28, 52), 20, esn0_db=16.0)
    rate = 2.0 * made.bursts[0].symbol_rate_bd
    model = discovered(made, DecodeSettings(symbol_rate_bd=rate))
    assert RATE_HZ / model.period == pytest.approx(rate, rel=0.01)
    model = discovered(made, DecodeSettings(carrier_hz=172_900.0))
    assert model.carrier_hz == pytest.approx(173_011.0, abs=100.0)
    assert model.period == pytest.approx(RATE_HZ * 6.3 / 173_011.0, rel=0.01)


def test_a_bare_tone_is_unmodulated():
    made = capture((40, 28, 52), 21, esn0_db=18.0)
    steady = tuple(replace(b, symbols="1" * len(b.symbols)) for b in made.bursts)
    count = len(made.samples)
    noise = np.random.default_rng(21).normal(0.0, made.sigma, count)
    model = discovered(replace(made, samples=transmissions(steady, RATE_HZ, count).samples + noise))
    assert model is None or model.unmodulated


@pytest.mark.parametrize("shift", long_but(0, 1, of=[0.35, 0.5, 1.0]))
def test_tones_of_two_frequencies_are_no_reversals(shift):
    """Frequency shift keying by so many symbol rates either way, whatever is made of it at first."""
    made = capture((40, 40, 40), 22, esn0_db=20.0)
    keyed = tuple(replace(b, modulation="fsk", shift_hz=shift * b.symbol_rate_bd) for b in made.bursts)
    count = len(made.samples)
    noise = np.random.default_rng(22).normal(0.0, made.sigma, count)
    result = decode(transmissions(keyed, RATE_HZ, count).samples + noise, RATE_HZ)
    assert result.signalling.kind != "bpsk"
    assert result.bursts == ()
    assert result.refusal is not None


def test_nothing_comes_of_noise_or_of_no_pieces():
    made = Capture(np.random.default_rng(23).normal(0.0, 0.3, 20_000), (), 0.3)
    assert discover(made.record, flat_floor(0.3), [], NOTHING, Watch()) is None
    pieces = [Piece(a, a + 1_200, 120e3, 220e3, 32, 1.3) for a in (2_000, 9_000, 15_000)]
    assert discover(made.record, flat_floor(0.3), pieces, NOTHING, Watch()) is None


def test_pieces_at_the_very_ends_and_touching_ones_do_no_harm():
    made = capture((40, 40), 24, gap_symbols=1.0, lead_symbols=0.5, esn0_db=18.0)
    count = len(made.samples)
    half = count // 2
    pieces = [Piece(0, half, 140e3, 210e3, 32, 9.0), Piece(half, count, 140e3, 210e3, 32, 9.0)]
    model = discover(made.record, flat_floor(made.sigma), pieces, NOTHING, Watch())
    assert model is not None
    assert model.period == pytest.approx(RATE_HZ * 6.3 / 173_011.0, rel=0.25 / 40)


def test_cancel_is_heard():
    made = capture((40, 40), 25)
    pieces = pieces_of(made)
    with pytest.raises(CancelledError):
        discover(made.record, flat_floor(made.sigma), pieces, NOTHING, Watch(None, lambda: True))


def test_one_weak_burst_is_not_outdone_by_a_few_made_of_its_noise():
    """30 symbols at 6 dB: four pieces of another period would gain more together, were each not to cost its own."""
    done = trial(Shape(1, (30, 30), esn0_db=6.0), 2014)
    assert (len(done.score.pairs), done.score.extra) == (1, ())
    assert done.score.pairs[0].right_rate


@pytest.mark.parametrize("draw", range(6))
def test_spikes_in_a_strong_lone_transmission_of_long_symbols(draw):
    """It is seen in the shortest frames, whose leads hold few of its symbols; spikes make these frames tell still more."""
    line = talker_line(
        rate_hz=5e5,
        carrier_hz=5e5 / 9.14,
        cycles_per_symbol=8.0,
        lengths=[36],
        esn0_db=25.0,
        draw=draw,
        lead_symbols=45.0,
    )
    rng = np.random.default_rng(draw)
    samples = np.array(line.values)
    samples[rng.integers(0, samples.size, 8)] += rng.uniform(-10.0, 10.0, 8)
    assert not score(line.sent, asdict(decode(samples, line.rate_hz))).complaints()


def lone(draw: int, esn0_db: float, symbols: int) -> tuple[np.ndarray, float]:
    """One transmission of a carrier and a symbol period that are drawn, made by numpy alone; and its symbol rate.

    The first samples of the symbols are those at or after each edge; half an amplitude squared is a symbol's power.
    """
    rng = np.random.default_rng([501, symbols, draw])
    cycles = float(np.exp(rng.uniform(0, np.log(48))))
    if rng.random() < 0.4:
        cycles = max(1.0, round(2 * cycles) / 2)
    carrier_hz = 1e6 / float(np.exp(rng.uniform(np.log(2.6), np.log(12))))
    period_s = cycles / carrier_hz
    start_s = rng.uniform(20, 60) * period_s
    bits = rng.integers(0, 2, symbols)
    phase = rng.uniform(0, 2 * np.pi)
    end_s = start_s + symbols * period_s
    silence_s = rng.uniform(6, 20) * period_s + rng.uniform(20, 60) * period_s
    times = np.arange(int((end_s + silence_s) * 1e6)) / 1e6 - start_s
    number = np.clip(np.floor(times / period_s).astype(int), 0, symbols - 1)
    sent = (times >= 0) & (times < end_s - start_s)
    values = 0.4 * sent * (2 * bits[number] - 1) * np.cos(2 * np.pi * carrier_hz * times + phase)
    sigma = np.sqrt(0.4**2 * period_s * 1e6 / 4 / 10 ** (esn0_db / 10))
    return (values + rng.normal(0, sigma, values.size)).astype(np.float32), 1 / period_s


@pytest.mark.parametrize("draw", [35, 256])
def test_of_periods_that_are_nearly_alike_the_likelier_is_taken(draw):
    """A brute-force search of ours gives the true period 4 and 6 natural units more than that of the first fit.

    The first fit supposes the amplitude over twice the burst's length, or a floor that holds a part of the burst.
    """
    samples, rate_bd = lone(draw, 7.0, 24)
    (burst,) = decode(samples, 1e6).bursts
    assert burst.symbol_rate_bd == pytest.approx(rate_bd, rel=0.01)
