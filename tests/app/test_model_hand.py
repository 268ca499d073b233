"""Flips by hand that make a symbol grid of their own: wrong decodes put right, bursts the decoder did not find.

The truth is one row of 24 symbols of 1 ms from 20 ms on, worked out by hand.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from app.model.capture import Capture, Channel, Segment
from app.model.corrections import corrected
from app.model.hand_bursts import grouped, hand_burst, hand_bursts
from app.model.items import DecodeRun, FlipMark, SessionData
from app.model.shown import BurstBook
from dsp.hand import GridFit
from dsp.results import Burst, Decode, DecodeSettings, Refusal, Signalling

NUMBERS = (1, 2, 4, 5, 8, 9, 11, 14, 15, 17, 20, 22)
# runs of 1 1 2 1 3 1 2 3 1 2 3 2 2 symbols
SYMBOLS = "1" + "0" + "11" + "0" + "111" + "0" + "11" + "000" + "1" + "00" + "111" + "00" + "11"


def truth_s(number: float) -> float:
    return 0.02 + 1e-3 * number


def marks_at(numbers, start_s=0.0, first_key=1) -> tuple[FlipMark, ...]:
    """Set by hand, each up to two hundredths of a symbol off."""
    return tuple(
        FlipMark(first_key + i, 0, start_s + truth_s(n + 0.02 * math.sin(5.0 * n)))
        for i, n in enumerate(numbers)
    )


def decoded_as(rate_bd: float | None, symbols: str, flips_s: tuple[float, ...] = (), **changes) -> Burst:
    burst = Burst(
        start_s=truth_s(0),
        end_s=truth_s(24),
        start_probability=1.0,
        end_probability=1.0,
        cut_at_start=False,
        cut_at_end=False,
        talker=3,
        amplitude=1.0,
        amplitude_std=None,
        carrier_hz=8000.0,
        carrier_std_hz=None,
        symbol_rate_bd=rate_bd,
        symbol_rate_std_bd=None if rate_bd is None else 0.1,
        symbol_rate_alternatives_bd=(),
        cycles_per_symbol=None if rate_bd is None else 8000.0 / rate_bd,
        esn0_db=None,
        esn0_std_db=None,
        first_symbol_s=truth_s(0),
        flips_s=flips_s,
        flips_interval_s=tuple((t - 1e-5, t + 1e-5) for t in flips_s),
        bits_per_symbol=1,
        symbols=symbols,
        confidence=(0.9,) * len(symbols),
        line_code="plain",
        bits=symbols,
    )
    return replace(burst, **changes)


# at 600 Bd the same stretch has 14 symbols
WRONG = decoded_as(600.0, "10110011010010", tuple(truth_s(n) for n in (1, 4, 8, 11, 15, 20)))


def test_a_wrong_rate_gives_way_to_the_grid_of_the_hand():
    got = corrected(WRONG, marks_at(NUMBERS))
    assert got.grid_of == "union"
    assert got.symbols == got.bits == got.basis.symbols == SYMBOLS
    assert got.burst is WRONG
    assert got.basis.symbol_rate_bd == pytest.approx(1000.0, abs=4 * got.basis.symbol_rate_std_bd)
    assert got.basis.cycles_per_symbol == pytest.approx(8.0, rel=1e-2)
    assert got.basis.first_symbol_s == pytest.approx(truth_s(0), abs=2e-5)
    assert (got.basis.talker, got.basis.start_s) == (3, WRONG.start_s)
    assert [flip.edge for flip in got.flips] == list(NUMBERS)
    assert (got.comparison.agreed, got.comparison.missed, got.comparison.extra) == (6, 6, 0)
    assert got.comparison.mean_difference_s == pytest.approx(0.0, abs=2e-5)
    assert isinstance(got.hand_grid, GridFit)
    assert got.hand_grid.residual_rms_s < 2e-5


def test_changed_are_the_symbols_that_the_decoder_reads_otherwise_at_their_middle():
    got = corrected(WRONG, marks_at(NUMBERS))
    # 14 symbols of 1 / 600 s end before 24 of 1 ms do
    before = WRONG.symbols + " "
    differs = [i for i, symbol in enumerate(SYMBOLS) if before[int((i + 0.5) * 1e-3 * 600.0)] != symbol]
    assert list(got.changed) == differs
    assert 0 < len(differs) < len(SYMBOLS)


def test_automatic_flips_fill_in_unless_they_are_denied_or_off_the_grid():
    hand = [n for n in NUMBERS if n not in (9, 20)]
    automatic = tuple(truth_s(n) for n in (1, 4, 9.01, 12, 18.4, 20.02))
    burst = replace(WRONG, flips_s=automatic)
    denied = FlipMark(99, 0, truth_s(12), removes=True)
    got = corrected(burst, (*marks_at(hand), denied))
    assert got.symbols == SYMBOLS
    assert [flip.edge for flip in got.flips if not flip.by_hand] == [9, 20]
    assert got.passed_over == 1
    assert (got.comparison.agreed, got.comparison.missed, got.comparison.extra) == (2, 8, 1)
    # without the denial the flip there counts
    assert corrected(burst, marks_at(hand)).symbols != SYMBOLS


def test_polarity_and_line_code_stay_those_of_the_decode():
    turned = replace(
        WRONG,
        symbols="".join("10"[int(c)] for c in WRONG.symbols),
        bits="".join("10"[int(c)] for c in WRONG.symbols),
    )
    got = corrected(turned, marks_at(NUMBERS))
    assert got.bits == "".join("10"[int(c)] for c in SYMBOLS)
    differential = replace(WRONG, line_code="differential", bits="1101010111011")
    changes = "".join("1" if n in NUMBERS else "0" for n in range(1, 24))
    assert corrected(differential, marks_at(NUMBERS)).bits == changes
    assert corrected(replace(WRONG, bits="00000000000000"), marks_at(NUMBERS)).bits is None


def test_a_burst_without_a_symbol_rate_gets_one():
    burst = decoded_as(None, "", bits="", confidence=())
    got = corrected(burst, marks_at(NUMBERS))
    assert got.grid_of == "union"
    assert got.symbols == SYMBOLS
    assert got.changed == tuple(range(24))


@pytest.mark.parametrize("rate_bd", [1000.0, 1002.0, 2000.0])
def test_a_grid_on_which_the_hand_lies_stays_the_decoders(rate_bd):
    count = round(0.024 * rate_bd)
    symbols = "".join(SYMBOLS[int((i + 0.5) * 1000.0 / rate_bd)] for i in range(count))
    burst = decoded_as(rate_bd, symbols, tuple(truth_s(n) for n in NUMBERS))
    got = corrected(burst, marks_at(NUMBERS))
    assert got.grid_of == "decoder"
    assert got.basis is burst
    assert got.symbols == symbols
    assert isinstance(got.hand_grid, GridFit)
    assert got.hand_grid.rate_bd == pytest.approx(1000.0, rel=1e-2)
    assert (got.comparison.agreed, got.comparison.missed, got.comparison.extra) == (12, 0, 0)


def test_few_flips_or_flips_at_random_overrule_nothing():
    few = corrected(WRONG, marks_at(NUMBERS[:4]))
    assert few.grid_of == "decoder"
    rng = np.random.default_rng(4)
    wild = tuple(FlipMark(i, 0, t) for i, t in enumerate(sorted(rng.uniform(0.0201, 0.0439, 12).tolist())))
    got = corrected(WRONG, wild)
    assert got.grid_of == "decoder"
    assert isinstance(got.hand_grid, Refusal)


def test_symbols_of_more_than_one_bit_are_left_alone():
    got = corrected(replace(WRONG, bits_per_symbol=2), marks_at(NUMBERS))
    assert got.grid_of == "decoder"
    assert got.symbols == WRONG.symbols


def test_flips_where_no_burst_was_found_make_one_from_first_to_last():
    made = hand_burst(marks_at(NUMBERS))
    assert made is not None
    assert made.grid_of == "hand"
    assert made.bits == made.symbols == "".join("10"[int(c)] for c in SYMBOLS[1:22])
    assert made.burst.start_s == pytest.approx(truth_s(1), abs=3e-5)
    assert made.burst.end_s == pytest.approx(truth_s(22), abs=3e-5)
    assert made.burst.carrier_hz is None
    assert (made.burst.cut_at_start, made.burst.cut_at_end) == (True, True)
    assert made.comparison.missed == len(NUMBERS)
    assert hand_burst(marks_at(NUMBERS[:3])) is None


def test_flips_are_grouped_by_silence_and_breaks():
    first, second = marks_at(NUMBERS), marks_at(NUMBERS, 1.0, 50)
    assert grouped([*first, *second], []) == [first, second]
    assert grouped(first, [truth_s(10)]) == [first[:6], first[6:]]
    assert grouped(first, [truth_s(-5), truth_s(30)]) == [first]
    assert grouped([], [0.0]) == []


def test_two_transmissions_close_together_make_two_bursts():
    """The second begins eight symbols after the first, four tenths of a symbol out of step: no long silence parts them."""
    first, second = marks_at(NUMBERS), marks_at(NUMBERS, 30.4e-3, 50)
    assert grouped([*first, *second], []) == [(*first, *second)]
    made = hand_bursts((*first, *second))
    assert [one.marks for one in made] == [first, second]
    assert {one.symbols for one in made} == {"".join("10"[int(c)] for c in SYMBOLS[1:22])}
    assert hand_bursts(marks_at(NUMBERS[:3])) == ()


@pytest.fixture
def data() -> SessionData:
    samples = np.zeros(3000, np.int16)
    segments = (Segment(0, 1500, 0.0), Segment(1500, 3000, 10.0))
    return SessionData(captures=(Capture("line", "", 1000.0, 0.0, (Channel("A", samples),), segments),))


def test_the_book_has_bursts_of_the_hand_among_those_decoded(data):
    book = BurstBook()
    burst = decoded_as(1000.0, SYMBOLS, tuple(truth_s(n) for n in NUMBERS))
    later = marks_at(NUMBERS, 1.0, 50)
    decode = Decode(DecodeSettings(), Signalling("bpsk", 1.0), (burst,))
    run = DecodeRun(1, 0, "A", (0.0, 0.5), "0", "", decode)
    data = replace(data, decodes=(run,), flips=(*marks_at(NUMBERS), *later))
    shown = book.bursts_of(data, 0, "A")
    assert [one.grid_of for one in shown] == ["decoder", "hand"]
    assert shown[1].marks == later
    again = book.bursts_of(replace(data, flips=data.flips[1:]), 0, "A")
    assert again[1] is shown[1]
    assert again[0] is not shown[0]
    # the decode cleared: the hand's flips in it stand alone; with the flips undone nothing is left
    alone = book.bursts_of(replace(data, decodes=()), 0, "A")
    assert [one.grid_of for one in alone] == ["hand", "hand"]
    assert book.bursts_of(replace(data, decodes=(), flips=()), 0, "A") == ()


def test_removals_and_other_captures_make_no_burst(data):
    removed = tuple(replace(mark, removes=True) for mark in marks_at(NUMBERS))
    assert BurstBook().bursts_of(replace(data, flips=removed), 0, "A") == ()
    elsewhere = tuple(replace(mark, capture=1) for mark in marks_at(NUMBERS))
    assert BurstBook().bursts_of(replace(data, flips=elsewhere), 0, "A") == ()
