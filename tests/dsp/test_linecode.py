"""Line codes against hand-coded rows and against encoders written here."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp import synth
from dsp.linecode import to_bits
from dsp.results import LINE_CODES
from dsp.synth import invert

BITS = st.text("01", min_size=0, max_size=40)


def encode_nrzi(bits: str, first: str) -> str:
    """A zero changes the level (ISO/IEC 13239; USB 2.0, 7.1.8)."""
    out = first
    for bit in bits:
        out += out[-1] if bit == "1" else invert(out[-1])
    return out


def encode_differential_manchester(bits: str, level: str) -> str:
    """Always a change in the middle; a zero has one at its beginning, too (IEEE Std 802.5)."""
    out = ""
    for bit in bits:
        level = level if bit == "1" else invert(level)
        out += level
        level = invert(level)
        out += level
    return out


@pytest.mark.parametrize(
    ("code", "symbols", "bits"),
    [
        ("plain", "1011001", "1011001"),
        ("differential", "1011001", "110101"),
        ("nrzi", "1011001", "001010"),
        # 802.3: rises for a one; the preamble's last octet, 10101011, begins with a rise (from memory)
        ("manchester", "0110011001100101", "10101011"),
        # 802.5: levels for 1 1 0 1 0 0 after a cell that ended high
        ("differential-manchester", "01100101101010", "110100"),
    ],
)
def test_rows_coded_by_hand(code, symbols, bits):
    assert to_bits(symbols, code) == bits


def test_synchronisation_pattern_of_usb():
    """USB 2.0, 7.1.10: idle J, then KJKJKJKK stands for 00000001 (from memory)."""
    assert to_bits("JKJKJKJKK".replace("J", "1").replace("K", "0"), "nrzi") == "00000001"


@given(BITS, st.sampled_from("01"))
def test_differential_codes_undo_their_encoders_from_either_level(bits, first):
    assert to_bits(synth.differential(bits, first), "differential") == bits
    assert to_bits(encode_nrzi(bits, first), "nrzi") == bits


@given(BITS)
def test_manchester_undoes_both_conventions(bits):
    # dsp.synth falls for a one, which is the other convention
    assert to_bits(synth.manchester(bits), "manchester", "inverted") == bits
    assert to_bits(invert(synth.manchester(bits)), "manchester") == bits


@given(st.text("01", min_size=1, max_size=40), st.sampled_from("01"))
def test_differential_manchester_undoes_its_encoder(bits, level):
    # what came before the first cell is not in the row: its bit cannot be known
    assert to_bits(encode_differential_manchester(bits, level), "differential-manchester") == bits[1:]


@given(st.text("01", min_size=4, max_size=40), st.sampled_from("01"))
def test_manchester_finds_its_cells_after_a_stray_half(bits, half):
    bits = "01" + bits + "10"
    assert to_bits(half + synth.manchester(bits), "manchester", "inverted") == bits
    whole = encode_differential_manchester("0" + bits, "1")
    assert to_bits(whole[1:], "differential-manchester") == bits[1:]


@given(st.text("01", max_size=40), st.sampled_from(LINE_CODES))
def test_polarity_turns_every_bit_over(symbols, code):
    assert to_bits(symbols, code, "inverted") == invert(to_bits(symbols, code, "normal"))


@given(st.text("01", max_size=40), st.sampled_from(["differential", "nrzi", "differential-manchester"]))
def test_what_tells_by_changes_does_not_see_a_half_turn(symbols, code):
    assert to_bits(invert(symbols), code) == to_bits(symbols, code)


@pytest.mark.parametrize("code", LINE_CODES)
@pytest.mark.parametrize("symbols", ["", "1"])
def test_nothing_comes_from_next_to_nothing(code, symbols):
    assert to_bits(symbols, code) == (symbols if code == "plain" else "")
