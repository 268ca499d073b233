"""Few reversals: what their instants and those of the ends say of the symbol period, and what they leave open."""

from __future__ import annotations

from itertools import groupby

import numpy as np
import pytest
from generators.long_runs import long_but

from dsp.decoder import decode
from dsp.instants import by_reversals, with_ends
from dsp.thin import reversals_of

RATE_HZ = 1e6


def line_of(
    text: str, draw: int, *, esn0_db: float, cycles: float, samples_a_cycle: float, lead: float = 15.0
) -> tuple[np.ndarray, float]:
    """One rectangular burst of this ``text`` in white noise, by numpy alone, and its symbol rate in Bd."""
    rng = np.random.default_rng([19_003, draw])
    period = cycles * samples_a_cycle
    start = lead * period + rng.uniform()
    m = np.arange(int(start + (len(text) + 25.0) * period))
    k = np.floor((m - start) / period).astype(int)
    symbols = np.array([1.0 if c == "1" else -1.0 for c in text])
    sent = np.where((k >= 0) & (k < len(text)), symbols[np.clip(k, 0, len(text) - 1)], 0.0)
    wave = np.cos(2.0 * np.pi * m / samples_a_cycle + rng.uniform(0.0, 2.0 * np.pi))
    sigma = np.sqrt(period / 4.0 / 10.0 ** (esn0_db / 10.0))
    return sent * wave + sigma * rng.standard_normal(m.size), RATE_HZ / period


def of_places(length: int, *places: int) -> str:
    signs = np.ones(length, dtype=int)
    for place in places:
        signs[place:] ^= 1
    return "".join(map(str, signs.tolist()))


TWO_FLIPS = [
    ("11100011", 9.0, 8.1), ("01000000", 4.5, 3.8), ("00011000", 15.0, 4.6), ("10000111", 4.4, 2.7), ("11011111", 28.0, 5.7),
]  # fmt: skip


@pytest.mark.parametrize(("text", "cycles", "samples_a_cycle"), long_but(0, 1, 3, of=TWO_FLIPS))
def test_two_reversals_and_the_ends_tell_the_rate_of_a_short_burst(text, cycles, samples_a_cycle):
    values, rate_bd = line_of(text, 1, esn0_db=20.0, cycles=cycles, samples_a_cycle=samples_a_cycle)
    (burst,) = decode(values, RATE_HZ).bursts
    assert burst.symbol_rate_bd == pytest.approx(rate_bd, rel=0.02)
    assert burst.symbols in (text, text.translate(str.maketrans("01", "10")))


@pytest.mark.parametrize("text", ["01111111", "11111000"])
def test_one_reversal_leaves_it_open_however_strong(text):
    values, _ = line_of(text, 2, esn0_db=20.0, cycles=5.0, samples_a_cycle=4.3)
    result = decode(values, RATE_HZ)
    assert result.bursts == ()
    assert result.refusal is not None
    assert result.refusal.code == "symbol-rate-ambiguous"


# lengths, places of reversals and cycles a symbol, of bursts that are nothing like random bits: the first ones come out wrong
# where only bits taken for random are weighed
SELDOM = [
    (35, (15, 21, 23), 11.3), (38, (8, 24, 31), 5.5),
    (22, (2, 7, 9), 2.0), (34, (13, 15, 24), 5.5), (23, (3, 12, 14), 11.3), (15, (2, 13, 14), 2.0), (20, (11, 14, 16), 5.5),
    (37, (7, 9, 24), 2.0), (33, (10, 23, 30), 5.5), (29, (7, 16, 26), 2.0), (36, (6, 28, 33), 11.3), (40, (11, 17), 2.0),
    (25, (19, 23), 5.5), (18, (10, 15), 11.3), (22, (5, 8), 2.0), (25, (14, 18, 22), 5.5), (35, (10, 14, 23), 11.3),
    (40, (12, 21, 32), 2.0), (37, (8, 27, 35), 5.5), (24, (5, 12, 15), 11.3), (31, (9, 13, 25), 2.0),
]  # fmt: skip


def grain(text: str) -> int:
    return int(np.gcd.reduce([len(list(same)) for _, same in groupby(text)]))


@pytest.mark.parametrize(("some", "wrong_at_most"), long_but(0, of=[(SELDOM[:2], 0), (SELDOM[2:], 1)]))
def test_periods_far_too_long_are_seldom_taken_for_those_of_random_bits(some, wrong_at_most):
    """They explain the samples nearly as well and cost less."""
    wrong = 0
    for length, places, cycles in some:
        text = of_places(length, *places)
        assert grain(text) == 1
        values, rate_bd = line_of(text, length, esn0_db=12.0, cycles=cycles, samples_a_cycle=4.7)
        bursts = decode(values, RATE_HZ).bursts
        wrong += bool(bursts) and abs(bursts[0].symbol_rate_bd / rate_bd - 1.0) * length > 0.5
    assert wrong <= wrong_at_most


@pytest.mark.parametrize("draw", long_but(0, 4, of=range(6)))
def test_reversals_so_strong_that_tops_are_missed_between_periods_tell_the_rate(draw):
    """Of symbols this strong half and a third of the period fit as well, and may have the only tops that are met."""
    text = ("01001111", "01010000", "00001101", "11010100", "01001110", "11000010")[draw]
    cycles, each = ((43.7, 3.2), (28.0, 5.7), (15.0, 12.1), (9.5, 12.6), (3.63, 6.2), (11.0, 2.9))[draw]
    for number in range(3):
        values, rate_bd = line_of(text, 10 * draw + number, esn0_db=20.0, cycles=cycles, samples_a_cycle=each)
        (burst,) = decode(values, RATE_HZ).bursts
        assert burst.symbol_rate_bd == pytest.approx(rate_bd, rel=0.02)


@pytest.mark.parametrize("cut", [0.0, 1.4])
def test_ends_are_instants_where_samples_show_them(cut, monkeypatch):
    """A transmission that the capture cuts off has no end there."""
    text, seen = "11100101", []
    values, rate_bd = line_of(text, 5, esn0_db=14.0, cycles=6.0, samples_a_cycle=7.0)
    period = RATE_HZ / rate_bd
    first = int((15.0 + cut) * period) if cut else 0

    def looked_at(record, learned, settings, covered):
        seen.append(learned)
        return by_reversals(record, learned, settings, covered)

    monkeypatch.setattr("dsp.bpsk.by_reversals", looked_at)
    decode(values[first:], RATE_HZ)
    learned = seen[0]
    reversals = reversals_of(learned.runs)
    ends = with_ends(reversals, learned)
    # the burst begins up to a sample after the fifteenth symbol
    places = 15.0 + np.array([0.0, 3.0, 5.0, 6.0, 7.0, 8.0])
    due = (places[1:] if cut else places) * period - first + 0.5
    assert ends.where.size == due.size == reversals.where.size + (1 if cut else 2)
    assert ends.whole == (0 if cut else 1)
    assert np.all(np.abs(ends.where - due) < 4.0 * ends.std + 1.0)
    # an end is half the change that a reversal is
    assert ends.std[-1] > np.max(reversals.std)
