"""Frequency shift keying that looks like reversals, and reversals that must not be taken for it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from generators.long_runs import long_but
from generators.truths import RATE_HZ, Capture, capture, true_fits

from dsp import decode
from dsp.runs import runs_of
from dsp.synth import transmissions
from dsp.two_tones import are_two_tones


def with_symbols(made: Capture, texts: list[str]) -> Capture:
    bursts = tuple(replace(b, symbols=text) for b, text in zip(made.bursts, texts, strict=True))
    count = len(made.samples)
    noise = np.random.default_rng(3).normal(0.0, made.sigma, count)
    return Capture(transmissions(bursts, RATE_HZ, count).samples + noise, bursts, made.sigma)


@pytest.mark.parametrize("draw", long_but(0, of=range(60, 66)))
def test_wide_frequency_shift_is_no_reversal(draw):
    """An index of two, found at four times its rate before; the symbols of the tone beside alternate there."""
    made = capture((40, 44, 48), draw, esn0_db=20.0)
    keyed = tuple(replace(b, modulation="fsk", shift_hz=b.symbol_rate_bd) for b in made.bursts)
    noise = np.random.default_rng(draw).normal(0.0, made.sigma, len(made.samples))
    result = decode(transmissions(keyed, RATE_HZ, len(made.samples)).samples + noise, RATE_HZ)
    assert result.signalling.kind != "bpsk"
    assert result.bursts == ()


@pytest.mark.parametrize(
    "text",
    ["10" * 16 + "1" * 16, "1" * 24 + "01" * 12, "1100" * 12, "11110000" * 6, "1001" * 8 + "1" * 16],
    ids=["lead-in and ones", "ones and alternating", "pairs", "fours", "cells and ones"],
)
def test_reversals_of_long_runs_are_reversals(text):
    """Whole symbols are as strong where they alternate."""
    made = with_symbols(capture((48,) * 4, 5, esn0_db=16.0), [text] * 4)
    assert not are_two_tones(runs_of(true_fits(made)))


def test_random_symbols_are_reversals():
    assert not are_two_tones(runs_of(true_fits(capture((48,) * 6, 6, esn0_db=7.0))))


def test_a_few_symbols_tell_nothing():
    made = with_symbols(capture((40,), 5, esn0_db=16.0), ["1" * 20 + "01" * 10])
    assert not are_two_tones(runs_of(true_fits(made)))


def test_weaker_where_they_alternate():
    """The symbols of the tone beside, at 2 / pi of the others."""
    made = with_symbols(capture((48,) * 4, 5, esn0_db=16.0), ["10" * 12 + "1" * 24] * 4)
    runs = runs_of(true_fits(made))
    weaker = np.where(np.arange(runs.symbols.size) % 48 < 24, 2.0 / np.pi, 1.0)
    assert are_two_tones(replace(runs, symbols=runs.symbols * weaker))
