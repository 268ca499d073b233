"""Error rates, ends and confidence of the blind decoder, counted and held against published theory.

The draws are fixed, but no bound is set by what they gave: a count fails when it would come up less than once in
a thousand times in a decoder that just meets its limit (binomial, as Clopper and Pearson do). Each test also
says what it would catch, so that none of them is too small to fail.
"""

from __future__ import annotations

import functools
import math
import random
from itertools import pairwise

import numpy as np
import pytest
from benchmarks.bounds import (
    bpsk_error_rate,
    detection_error_rate,
    end_error_rate,
    matched_log_odds,
    poisson_interval,
)
from benchmarks.calibration import decade_ratios, losses
from benchmarks.trials import RATE_HZ, Shape, Trial, trial
from generators.lines import Line, talker_line
from generators.long_runs import long_but
from generators.running import decoded
from generators.scoring import Score, score
from scipy import stats

ONCE_IN = 1e-3
# the decoder may lose three tenths of a decibel
LOSS_DB = 0.3


def limit_of(db: float) -> float:
    """Theoretical rate at 0.3 dB less, by a library for teaching communications: the oracle from outside."""
    from sk_dsp_comm.digitalcom import mpsk_bep_thy

    return float(mpsk_bep_thy(db - LOSS_DB, 2))


def most_allowed(of: int, limit: float) -> int:
    """The greatest count that is not yet evidence of a rate above ``limit``."""
    return int(stats.binom.isf(ONCE_IN, of, limit))


def assert_meets(wrong: int, of: int, ideal: float, limit: float, caught: float) -> None:
    """Not evidently above ``limit``, not evidently below ``ideal``; a rate of ``caught`` would be seen."""
    assert stats.binom.sf(most_allowed(of, limit), of, caught) > 0.9, "too few to tell"
    assert wrong <= most_allowed(of, limit), f"{wrong} of {of}, limit {limit:.3g}"
    # better than any receiver can be: then it is the count that is wrong
    assert wrong >= int(stats.binom.ppf(ONCE_IN, of, ideal)) - 1, f"{wrong} of {of}, ideal {ideal:.3g}"


@functools.cache
def talker(db: float, bursts: int, draw: int, line_code: str | None = None) -> tuple[Line, dict, Score]:
    """A talker of 2.6 cycles a symbol made apart from ``dsp``, decoded blind but for the line code."""
    chance = random.Random(draw)
    line = talker_line(
        rate_hz=1e6, carrier_hz=1e6 / 6.37, cycles_per_symbol=2.6,
        lengths=[chance.randint(24, 64) for _ in range(bursts)], esn0_db=db, draw=draw,
    )  # fmt: skip
    told = {"line_code": line_code} if line_code else {}
    result = decoded(line.values.astype(np.float32), line.rate_hz, **told)
    return line, result, score(line.sent, result)


# bursts a capture; at 5 and 6 dB one decibel of loss would be seen, at 7 and 9.6 dB somewhat more
@pytest.mark.parametrize(
    ("db", "bursts", "caught_db"),
    long_but(0, 2, 3, of=[(5.0, 300, 4.0), (6.0, 400, 4.9), (7.0, 400, 5.7), (9.6, 400, 7.0)]),
)
def test_symbols_are_wrong_as_often_as_theory_says(db, bursts, caught_db):
    """Q(sqrt(2 Es/N0)); the published point of BPSK is 1e-5 at 9.6 dB (9.5879)."""
    _, result, got = talker(db, bursts, 900 + int(10 * db))
    assert result["signalling"]["kind"] == "bpsk"
    assert_meets(
        got.wrong_symbols, got.compared, bpsk_error_rate(db), limit_of(db), bpsk_error_rate(caught_db)
    )
    if db >= 7:
        # under one in 200, at 7 dB and up
        assert len(got.missed) <= most_allowed(bursts, 0.005)
        assert len(got.extra) <= most_allowed(bursts, 0.005)


def test_changes_are_wrong_as_often_as_the_coherent_bound_says():
    """2p(1-p), which is less than what comparing neighbours (exp(-g)/2, differential detection) would get."""
    db = 5.0
    _, _, got = talker(db, 600, 977, "differential")
    wrong = of = 0
    for p in got.pairs:
        first = (p.found["first_symbol_s"] - p.truth.start_s) * p.truth.symbol_rate_bd
        step = p.truth.symbol_rate_bd / p.found["symbol_rate_bd"]
        place = [math.floor(first + (k + 0.5) * step) for k in range(len(p.found["symbols"]))]
        assert len(p.found["bits"]) == len(place) - 1
        for bit, (a, b) in zip(p.found["bits"], pairwise(place), strict=True):
            if a >= 0 and b < len(p.truth.symbols):
                wrong += (bit == "1") != (p.truth.symbols[a] != p.truth.symbols[b])
                of += 1
    p, worse = bpsk_error_rate(db), limit_of(db)
    # neighbouring changes share a decision: errors come in pairs, so half as many independent ones
    neighbours = detection_error_rate(db)
    assert_meets(wrong // 2, of // 2, 2 * p * (1 - p), 2 * worse * (1 - worse), neighbours)


@pytest.mark.parametrize(("db", "bursts"), [(9.0, 150), (16.0, 1000)])
def test_ends_are_wrong_as_seldom_as_a_known_on_off_decision(db, bursts):
    """3 Q(sqrt(Es/2N0)) an end, at most 1.4 times that; at 16 dB (1.2e-5) none in 1000 bursts."""
    lengths = Shape(bursts, cycles=2.0, samples_per_cycle=5.3, esn0_db=db)
    done = trial(lengths, 930 + int(db))
    pairs = [p for p in done.score.pairs if p.right_rate]
    assert len(pairs) >= bursts - most_allowed(bursts, 0.005)
    bad = sum((abs(p.start_error) > 0.5) + (abs(p.end_error) > 0.5) for p in pairs)
    limit = 1.4 * end_error_rate(db)
    assert bad <= most_allowed(2 * len(pairs), limit)
    if db == 16.0:
        assert bad == 0
        return
    assert stats.binom.sf(most_allowed(2 * len(pairs), limit), 2 * len(pairs), 2.5 * limit) > 0.9
    # of ends said to be right with probability p, so many are
    doubt = sum(1 - p.found[f"{end}_probability"] for p in pairs for end in ("start", "end"))
    low, high = poisson_interval(bad, 1 - ONCE_IN)
    assert low / 1.25 < doubt < high / 0.8


@functools.cache
def confidences() -> tuple[np.ndarray, np.ndarray, np.ndarray, dict[float, float]]:
    """Of every symbol from 2 to 9 dB: confidence, whether wrong, the ideal log loss; then Es/N0 said, by dB."""
    said, wrong, ideal, energy = [], [], [], {}
    for db in range(2, 10):
        shape = Shape(110, cycles=2.6, samples_per_cycle=6.3, esn0_db=float(db))
        done: Trial = trial(shape, 950 + db)
        energy[float(db)] = float(np.mean([p.found["esn0_db"] for p in done.score.pairs]))
        for p in done.score.pairs:
            odds = matched_log_odds(done.made.samples, RATE_HZ, p.truth, done.sigma)
            signs = np.array([1 if s == "1" else -1 for s in p.truth.symbols])
            loss = np.logaddexp(0, -signs * odds)
            for k, value in enumerate(p.found["confidence"]):
                middle = p.found["first_symbol_s"] + (k + 0.5) / p.found["symbol_rate_bd"]
                place = math.floor((middle - p.truth.start_s) * p.truth.symbol_rate_bd)
                if 0 <= place < len(signs):
                    said.append(value)
                    wrong.append(float(k in p.wrong))
                    ideal.append(loss[place])
    return np.array(said), np.array(wrong), np.array(ideal), energy


def complaints(said: np.ndarray, wrong: np.ndarray, ideal: np.ndarray) -> list[str]:
    """What is evidently not a probability: a decade outside 0.8 to 1.25, log loss above 1.05 of the ideal."""
    out = []
    for top, _, predicted, met in decade_ratios(said, wrong):
        low, high = poisson_interval(met, 1 - ONCE_IN)
        if predicted >= 100 and (high < 0.8 * predicted or low > 1.25 * predicted):
            out.append(f"up to {top:g}: {met} wrong, {predicted:.0f} predicted")
    excess = losses(said, wrong) - 1.05 * ideal
    if excess.mean() > stats.norm.isf(ONCE_IN) * excess.std() / math.sqrt(len(excess)):
        out.append(f"log loss {losses(said, wrong).mean() / ideal.mean():.3f} of the ideal")
    return out


def test_confidence_is_a_probability():
    said, wrong, ideal, _ = confidences()
    assert len(said) > 25_000
    assert complaints(said, wrong, ideal) == []


def test_a_constant_confidence_fails_the_same_check():
    said, wrong, ideal, _ = confidences()
    assert complaints(np.full(len(said), 1 - wrong.mean()), wrong, ideal)
    assert complaints(np.full(len(said), 0.999), wrong, ideal)
    assert complaints(np.random.default_rng(1).permutation(said), wrong, ideal)
    # twice as sure, half as sure, in log odds
    odds = np.log(np.clip(said, 0.5, 1 - 1e-12)) - np.log(np.clip(1 - said, 1e-12, 0.5))
    for factor in (2.0, 0.5):
        assert complaints(1 / (1 + np.exp(-factor * odds)), wrong, ideal)


def test_the_energy_said_is_right_on_average():
    """Within 0.5 dB; 110 bursts of 44 symbols tell it to 0.1 dB or better."""
    _, _, _, energy = confidences()
    assert {db: said for db, said in energy.items() if abs(said - db) > 0.5} == {}


@pytest.mark.parametrize("db", [7.0, 8.0])
def test_a_talker_of_less_than_three_samples_a_symbol_is_believed(db):
    """One cycle a symbol: where a flip is taken for one sample too late, a third of a symbol lies across the phase."""
    done = trial(Shape(cycles=1.0, samples_per_cycle=2.8276, esn0_db=db), 1009)
    assert done.result["signalling"]["kind"] == "bpsk"
    assert len(done.score.missed) <= 3
    assert all(p.right_rate for p in done.score.pairs)
