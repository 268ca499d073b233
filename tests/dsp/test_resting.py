"""A carrier that is sent all the time and rests at one phase between messages: decoded whole, resting symbols and all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from generators.lines import sigma_for

import dsp

RATE_HZ = 1e6


@dataclass(frozen=True)
class Resting:
    """``cycles`` of the carrier a symbol, ``samples`` a symbol; with silence on either side or (``endless``) none."""

    cycles: float
    samples: float
    endless: bool
    esn0_db: float = 14.0
    longest: int = 300


def made(case: Resting, draw: int) -> tuple[np.ndarray, str, float]:
    """Samples, the symbols sent, and the position of the first."""
    rng = np.random.default_rng(draw)
    parts = []
    for _ in range(int(rng.integers(4, 8))):
        parts += [
            np.ones(int(rng.integers(10, case.longest))),
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
    [
        (Resting(3.0, 13.0, endless=False), 1),
        (Resting(16.0, 54.8, endless=True), 2),
        (Resting(3.87, 50.1, endless=False), 3),
        # a tone of half the symbols' height is taken off, and a line at the carrier suppressed
        (Resting(3.54, 40.7, endless=True, longest=400), 25),
        (Resting(3.54, 40.7, endless=True, longest=400), 24),
        (Resting(3.62, 30.3, endless=False), 5),
        (Resting(1.0, 29.1, endless=False), 6),
        (Resting(7.06, 120.4, endless=True), 7),
    ],
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


def test_a_weak_one_errs_no_more_than_it_says():
    """At 9 dB an ideal receiver errs in 2e-5 of the symbols; where its clock has coasted too far, in half of them."""
    case = Resting(5.0, 40.3, endless=False, esn0_db=9.0)
    wrong = predicted = total = 0.0
    for draw in range(2):
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
