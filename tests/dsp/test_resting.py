"""A carrier that is sent all the time and rests at one phase between messages: decoded whole, resting symbols and all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from generators.lines import sigma_for
from generators.long_runs import long_but

import dsp
from dsp.look import looked_at
from dsp.motor import without_motor
from dsp.noise import estimate_noise
from dsp.reversed_tone import ReversedTone, reversed_tone
from dsp.source import make_record
from dsp.taken_off import without_all

RATE_HZ = 1e6


@dataclass(frozen=True)
class Resting:
    """``cycles`` of the carrier a symbol, ``samples`` a symbol; with silence on either side or (``endless``) none."""

    cycles: float
    samples: float
    endless: bool
    esn0_db: float = 14.0
    longest: int = 300
    shortest: int = 10
    messages: tuple[int, int] = (4, 8)


def made(case: Resting, draw: int) -> tuple[np.ndarray, str, float]:
    """Samples, the symbols sent, and the position of the first."""
    rng = np.random.default_rng(draw)
    parts = []
    for _ in range(int(rng.integers(*case.messages))):
        parts += [
            np.ones(int(rng.integers(case.shortest, case.longest))),
            rng.choice((-1.0, 1.0), int(rng.integers(24, 150))),
        ]
    signs = np.concatenate((*parts, np.ones(int(rng.integers(10, 100)))))
    lead = 0.0 if case.endless else 30.0 * case.samples
    at = np.arange(int(2.0 * lead + signs.size * case.samples))
    number = np.floor((at - lead) / case.samples).astype(int)
    sent = (number >= 0) & (number < signs.size)
    carrier = np.sin(2.0 * np.pi * case.cycles / case.samples * at + rng.uniform(0.0, 2.0 * np.pi))
    values = sent * signs[np.clip(number, 0, signs.size - 1)] * carrier
    sigma = sigma_for(case.esn0_db, 1.0, RATE_HZ / case.samples, RATE_HZ)
    symbols = "".join("1" if sign > 0 else "0" for sign in signs)
    return values + sigma * rng.standard_normal(at.size), symbols, lead


def wrong_of(sent: str, said: str) -> int:
    """Symbols that differ, polarity being free."""
    other = sum(one != two for one, two in zip(sent, said, strict=True))
    return min(other, len(sent) - other)


@pytest.mark.parametrize(
    ("case", "draw"),
    long_but(
        *range(0, 15, 3),
        of=[
            (Resting(3.0, 13.0, endless=False), 1),
            (Resting(16.0, 54.8, endless=True), 2),
            (Resting(3.87, 50.1, endless=False), 3),
            # a tone of half the symbols' height is taken off, and a line at the carrier suppressed
            (Resting(3.54, 40.7, endless=True, longest=400), 25),
            (Resting(3.54, 40.7, endless=True, longest=400), 24),
            (Resting(8.0, 54.9, endless=True), 4),
            (Resting(4.59, 61.9, endless=True, longest=600), 8),
            (Resting(3.62, 30.3, endless=False), 5),
            (Resting(1.0, 29.1, endless=False), 6),
            (Resting(7.06, 120.4, endless=True), 7),
            # it rests for 19 of 20 symbols
            (Resting(12.0, 53.0, endless=False, longest=2500, shortest=200), 1),
            (Resting(2.89, 22.7, endless=False, longest=2500, shortest=200), 2),
            (Resting(3.54, 36.7, endless=True, longest=2500, shortest=200), 3),
            (Resting(1.96, 11.3, endless=True, longest=2500, shortest=200), 4),
            (Resting(5.0, 40.3, endless=False, longest=2500, shortest=200, esn0_db=11.0), 1),
        ],
    ),
)
def test_a_carrier_that_rests_between_messages_is_decoded_whole(case, draw):
    values, symbols, lead = made(case, draw)
    result = dsp.decode(values, RATE_HZ)
    assert result.signalling.kind == "bpsk"
    (burst,) = result.bursts
    # an ideal receiver errs in an end once in 150 at 14 dB
    first = round((burst.first_symbol_s * RATE_HZ - lead) / case.samples)
    assert abs(first) <= 1
    assert abs(len(burst.symbols) - len(symbols)) <= 1
    low, high = max(0, first), min(len(symbols), first + len(burst.symbols))
    assert wrong_of(symbols[low:high], burst.symbols[low - first : high - first]) == 0
    # how far it reaches says little where its ends rest; normal deviates exceed five once in two million
    off = burst.symbol_rate_bd * case.samples / RATE_HZ - 1.0
    assert abs(off) < 5.0 * burst.symbol_rate_std_bd * case.samples / RATE_HZ


@pytest.mark.long
def test_a_weak_one_errs_no_more_than_it_says():
    """At 9 dB an ideal receiver errs in 2e-5 of the symbols; where its clock has coasted too far, in half of them."""
    case = Resting(5.0, 40.3, endless=False, esn0_db=9.0)
    wrong = predicted = total = 0.0
    for draw in range(3):
        values, symbols, lead = made(case, draw)
        for burst in dsp.decode(values, RATE_HZ).bursts:
            first = round((burst.first_symbol_s * RATE_HZ - lead) / case.samples)
            low, high = max(0, first), min(len(symbols), first + len(burst.symbols))
            here = slice(low - first, high - first)
            wrong += wrong_of(symbols[low:high], burst.symbols[here])
            predicted += sum(1.0 - sure for sure in burst.confidence[here])
            total += high - low
    assert total > 1000
    assert wrong <= predicted + 4.0 * np.sqrt(predicted + 1.0)


@pytest.mark.parametrize("times", [1.0, 1.3])
def test_a_rate_that_is_told_is_held_against_the_reversals(times):
    case = Resting(3.54, 40.7, endless=True, longest=400)
    values, symbols, _ = made(case, 25)
    told = dsp.DecodeSettings(symbol_rate_bd=times * RATE_HZ / case.samples)
    result = dsp.decode(values, RATE_HZ, settings=told)
    (burst,) = result.bursts
    assert len(burst.symbols) == len(symbols)
    assert wrong_of(symbols, burst.symbols) == 0
    assert ("told-symbol-rate-contradicted" in [notice.code for notice in result.warnings]) == (times != 1.0)


def test_messages_that_do_not_tell_how_long_it_rests_are_decoded_by_themselves():
    """Two of some 60 symbols tell the period to 3e-4 (Hinkley 1970): a rest of 2000 may have a symbol more or less."""
    case = Resting(5.0, 40.3, endless=False, longest=2500, shortest=2000, messages=(2, 3))
    whole = 0
    for draw in range(4):
        values, symbols, lead = made(case, draw)
        result = dsp.decode(values, RATE_HZ)
        assert result.signalling.kind == "bpsk"
        covered = np.zeros(len(symbols), dtype=bool)
        for burst in result.bursts:
            first = round((burst.first_symbol_s * RATE_HZ - lead) / case.samples)
            last = first + len(burst.symbols)
            assert (
                wrong_of(
                    symbols[max(0, first) : last], burst.symbols[max(0, -first) :][: len(symbols) - first]
                )
                == 0
            )
            covered[max(0, first) : last] = True
        turned = np.array(list(symbols)) == "0"
        assert covered[turned].all()
        whole += len(result.bursts) == 1
    assert whole < 4


def off_of(values: np.ndarray) -> tuple[int, ReversedTone | None]:
    """How many steady tones are taken off, and that of them which is reversed now and then."""
    record = looked_at(make_record(values.astype(np.float32), RATE_HZ))
    noise = estimate_noise(record)
    assert noise is not None
    calm, floor = without_all(record, noise)
    return sum(len(tones.tones) for tones in calm.tones), reversed_tone(calm, floor)


@pytest.mark.parametrize("kind", ["bare", "keyed", "gone", "swings", "quarter", "beside", "reversed"])
def test_only_a_tone_that_is_reversed_is_the_carrier_of_messages(kind):
    """Amplitude keyed, silence, a quarter turn, and a link on another carrier beside it make none of a tone."""
    rng = np.random.default_rng(11)
    at = np.arange(200_000)
    symbol = at // 40
    signs = rng.choice((-1.0, 1.0), symbol[-1] + 1)
    # one symbol in twelve is a message's
    now = symbol % 1000 < 80
    height = {
        "keyed": np.where(now & (signs[symbol] > 0), 0.0, 1.0),
        "gone": 1.0 - now,
        "reversed": np.where(now, signs[symbol], 1.0),
    }
    phase = np.where(now & (signs[symbol] > 0), 0.5 * np.pi, 0.0) if kind == "quarter" else 0.0
    values = height.get(kind, 1.0) * np.sin(0.7 * at + 1.0 + phase)
    if kind == "swings":
        values *= 1.0 + 0.8 * now * np.sin(2.0 * np.pi * at / 200.0)
    if kind == "beside":
        values += 2.0 * now * signs[symbol] * np.sin(0.71 * at)
    tones, found = off_of(values + 0.5 * rng.standard_normal(at.size))
    assert tones > 0
    assert (found is not None) == (kind == "reversed")
    if found is not None:
        # 80 symbols of every thousand
        starts, stops = np.array(sorted((piece.start, piece.stop) for piece in found.messages)).T / 40.0
        assert np.all(np.abs(starts - 1000.0 * np.arange(5)) < 16.0)
        assert np.all(np.abs(stops - 1000.0 * np.arange(5) - 80.0) < 16.0)


@pytest.mark.parametrize("steady", [True, False])
def test_a_steady_tone_that_is_reversed_for_a_while_is_no_motor(steady):
    """What its ridge does in messages is no wander; a line that wanders in between is one of a motor."""
    case = Resting(8.0, 60.0, endless=True, longest=2500, shortest=200)
    values, _, _ = made(case, 1)
    at = np.arange(values.size)
    if not steady:
        wander = 40.0 * np.sin(2.0 * np.pi * at / values.size) + 9.0 * np.sin(2.0 * np.pi * at / 50_000)
        values = np.sin(0.8 * at + wander) + 0.5 * np.random.default_rng(1).standard_normal(at.size)
    record = looked_at(make_record(values.astype(np.float32), RATE_HZ))
    noise = estimate_noise(record)
    assert noise is not None
    assert (without_motor(record, noise) is record) == steady
