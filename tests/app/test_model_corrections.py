"""Bits following the flips set by hand; every expected value worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from app.model.corrections import corrected
from app.model.items import FlipMark
from dsp.results import Burst

# ten symbols of 1 ms from 10 ms on; they turn over at edges 3, 5 and 6
SYMBOLS = "1110010000"
BURST = Burst(
    start_s=0.010,
    end_s=0.020,
    start_probability=1.0,
    end_probability=1.0,
    cut_at_start=False,
    cut_at_end=False,
    talker=0,
    amplitude=1.0,
    amplitude_std=None,
    carrier_hz=8000.0,
    carrier_std_hz=None,
    symbol_rate_bd=1000.0,
    symbol_rate_std_bd=None,
    symbol_rate_alternatives_bd=(),
    cycles_per_symbol=8.0,
    esn0_db=None,
    esn0_std_db=None,
    first_symbol_s=0.010,
    flips_s=(0.01301, 0.01499, 0.01602),
    flips_interval_s=((0.0130, 0.0131), (0.0149, 0.0150), (0.0160, 0.0161)),
    bits_per_symbol=1,
    symbols=SYMBOLS,
    confidence=(0.99,) * 10,
    line_code="plain",
    bits=SYMBOLS,
)


def mark(time_s: float, key: int = 1, *, removes: bool = False) -> FlipMark:
    return FlipMark(key, 0, time_s, removes)


def test_without_marks_nothing_differs():
    got = corrected(BURST, [])
    assert (got.symbols, got.bits, got.changed) == (SYMBOLS, SYMBOLS, ())
    assert [(flip.edge, flip.time_s, flip.by_hand) for flip in got.flips] == [
        (3, 0.01301, False),
        (5, 0.01499, False),
        (6, 0.01602, False),
    ]


def test_a_flip_set_turns_over_all_that_follows():
    got = corrected(BURST, [mark(0.01810)])
    assert got.symbols == got.bits == "1110010011"
    assert got.changed == (8, 9)
    assert got.off_grid == ()
    assert (got.comparison.agreed, got.comparison.missed, got.comparison.extra) == (0, 1, 0)


def test_a_flip_removed_turns_over_all_that_follows():
    got = corrected(BURST, [mark(0.01301, removes=True)])
    assert got.symbols == "1111101111"
    assert got.changed == (3, 4, 5, 6, 7, 8, 9)
    assert [flip.edge for flip in got.flips] == [5, 6]
    assert (got.comparison.agreed, got.comparison.missed, got.comparison.extra) == (0, 0, 1)


def test_two_changes_cancel_behind_the_second():
    got = corrected(BURST, [mark(0.01301, 1, removes=True), mark(0.012, 2)])
    assert got.symbols == "1100010000"
    assert got.changed == (2,)
    assert (got.comparison.missed, got.comparison.extra) == (1, 1)


def test_a_flip_moved_within_its_symbol_agrees_and_is_timed():
    marks = [mark(0.01301, 1, removes=True), mark(0.01306, 2), mark(0.01602 - 0.00001, 3)]
    got = corrected(BURST, marks)
    assert got.symbols == SYMBOLS
    assert (got.comparison.agreed, got.comparison.missed, got.comparison.extra) == (2, 0, 0)
    assert got.comparison.median_difference_s == pytest.approx((50e-6 - 10e-6) / 2)
    assert [flip.by_hand for flip in got.flips] == [True, False, True]


def test_a_flip_set_wins_over_one_removed_at_the_same_edge_in_either_order():
    removed, placed = mark(0.01499, 1, removes=True), mark(0.0152, 2)
    assert corrected(BURST, [removed, placed]).symbols == SYMBOLS
    assert corrected(BURST, [placed, removed]).symbols == SYMBOLS


def test_two_flips_at_one_edge_count_once_and_the_nearer_gives_the_time():
    got = corrected(BURST, [mark(0.0182, 1), mark(0.01795, 2)])
    assert got.symbols == "1110010011"
    assert [flip.time_s for flip in got.flips if flip.by_hand] == [0.01795]


def test_a_flip_far_from_any_edge_acts_on_the_nearest_and_is_reported():
    far = mark(0.0184)
    got = corrected(BURST, [far])
    assert got.symbols == "1110010011"
    assert got.off_grid == (far,)


@pytest.mark.parametrize("time_s", [0.0102, 0.0198])
def test_a_flip_at_the_end_of_a_burst_changes_nothing_and_is_reported(time_s):
    got = corrected(BURST, [mark(time_s)])
    assert got.symbols == SYMBOLS
    assert got.off_grid == (mark(time_s),)
    assert got.comparison.missed == 0


@pytest.mark.parametrize("time_s", [0.0095, 0.0201])
def test_a_flip_outside_the_burst_belongs_elsewhere(time_s):
    got = corrected(BURST, [mark(time_s)])
    assert got.symbols == SYMBOLS
    assert got.off_grid == ()


def test_removing_where_there_is_no_flip_changes_nothing():
    got = corrected(BURST, [mark(0.018, removes=True)])
    assert got.symbols == SYMBOLS
    assert got.comparison.extra == 0


def test_without_a_symbol_rate_every_mark_is_reported():
    burst = replace(BURST, symbol_rate_bd=None, symbols="", bits="", confidence=(), flips_s=())
    got = corrected(burst, [mark(0.015)])
    assert (got.symbols, got.bits, got.off_grid) == ("", "", (mark(0.015),))


@pytest.mark.parametrize(
    ("line_code", "bits", "after"),
    [
        # differential: 1 is a change. 1110010000 -> 001011000; with a flip at 8 one more 1
        ("differential", "001011000", "001011010"),
        # its polarity turned over
        ("differential", "110100111", "110100101"),
        # NRZI: 0 is a change
        ("nrzi", "110100111", "110100101"),
        ("plain", "0001101111", "0001101100"),
    ],
)
def test_bits_follow_after_the_line_code(line_code, bits, after):
    got = corrected(replace(BURST, line_code=line_code, bits=bits), [mark(0.018)])
    assert got.symbols == "1110010011"
    assert got.bits == after


@pytest.mark.parametrize("turned_over", [False, True])
def test_manchester_follows(turned_over):
    # 10 01 10 10 01 is 0 1 0 0 1 (IEEE Std 802.3: a one rises in mid-cell); with a flip between the first
    # two cells all that follows turns over: 10 10 01 01 10, which is 0 0 1 1 0
    symbols, bits, after = "1001101001", "01001", "00110"
    if turned_over:
        bits, after = "10110", "11001"
    burst = replace(BURST, symbols=symbols, bits=bits, line_code="manchester", flips_s=())
    got = corrected(burst, [mark(0.012)])
    assert got.symbols == "1010010110"
    assert got.bits == after


def test_bits_that_the_line_code_does_not_give_are_not_carried_on():
    burst = replace(BURST, line_code="plain", bits="0000000000")
    assert corrected(burst, [mark(0.018)]).bits is None


def test_unknown_line_code_gives_no_bits_rather_than_wrong_ones():
    burst = replace(BURST, line_code="8b10b", bits="01")
    assert corrected(burst, [mark(0.018)]).bits is None
    assert corrected(burst, []).bits == "01"


def test_without_marks_it_is_as_if_a_mark_had_been_set_and_taken_away():
    # a flip at an edge without one, and another there that removes it, leave the long way through with nothing changed
    far = [mark(0.5, 1), mark(0.6, 2, removes=True)]
    assert corrected(BURST, far) == corrected(BURST, [])
    denied = corrected(BURST, [mark(0.0118, 3, removes=True)])  # nothing to remove at edge 2
    short = corrected(BURST, [])
    assert (denied.flips, denied.symbols, denied.comparison) == (
        short.flips,
        short.symbols,
        short.comparison,
    )
    assert short.comparison.only_automatic == (0, 1, 2)
