"""Whole sequences that published standards define, on the carriers and at the rates they are sent at."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from generators.published import (
    GPS_TAPS,
    RDS_OFFSETS,
    card_frame,
    card_octets,
    ccsds_randomiser,
    gps_code,
    rds_block,
    rds_syndrome,
    shift_register,
    varicode,
    varicode_text,
)
from generators.running import decoded
from generators.telemetry import crc_x25

from dsp.synth import BurstSpec, differential, invert, manchester, transmissions


def received(symbols: str, rate_hz: float, esn0_db: float = 15.0, **sent: object) -> tuple[str, float, float]:
    """The symbols of the one burst that the decoder finds, their rate, and carrier cycles a symbol."""
    spec = BurstSpec(20.37 / sent["symbol_rate_bd"], symbols, phase_rad=0.7, **sent)
    made = transmissions([spec], rate_hz, int((spec.end_s + 20 / spec.symbol_rate_bd) * rate_hz))
    sigma = np.sqrt(rate_hz / (4 * spec.symbol_rate_bd) / 10 ** (esn0_db / 10))
    noisy = made.samples + np.random.default_rng(len(symbols)).normal(0, sigma, len(made.samples))
    result = decoded(noisy.astype(np.float32), rate_hz)
    assert result["signalling"]["kind"] == "bpsk", result["refusal"]
    assert len(result["bursts"]) == 1
    found = result["bursts"][0]
    assert found["cycles_per_symbol"] == pytest.approx(
        found["carrier_hz"] / found["symbol_rate_bd"], rel=1e-9
    )
    return found["symbols"], found["symbol_rate_bd"], found["cycles_per_symbol"]


def from_first(symbols: str) -> str:
    """As a blind receiver writes them: the first one is ``1``."""
    return symbols if symbols[0] == "1" else invert(symbols)


def test_sequences_begin_as_printed():
    # ITU-T O.150 and IS-GPS-200 table 3-Ia (first ten chips in octal), CCSDS 131.0-B (first octets)
    assert shift_register((5, 9), 48) == "111111111000001111011111000101110011001000001001"
    assert shift_register((14, 15), 48, inverted=True) == "000000000000000111111111111110111111111111100111"
    for satellite, (_, _, octal) in GPS_TAPS.items():
        chips = gps_code(satellite)[:10]
        assert chips[0] + f"{int(chips[1:], 2):03o}" == octal
        assert gps_code(satellite).count("1") == 512
    assert ccsds_randomiser(16).hex(" ").upper() == "FF 48 0E C0 9A 0D 70 BC 8E 2C 93 AD A7 B7 46 CE"
    assert ccsds_randomiser(255)[254] == 0x58
    # IEC 62106 annex B, rows of the generator matrix: x^25 and x^10
    assert [rds_block(1 << k, 0)[16:] for k in (15, 0)] == ["0001110111", "0110111001"]
    # ISO/IEC 14443-3 annex B: CRC_B of 0F AA FF is FC D1
    assert crc_x25(bytes.fromhex("0FAAFF")).to_bytes(2, "little").hex() == "fcd1"
    # "te " is 101 00 11 00 1
    assert varicode("te ") == "1010011001"


def test_all_gps_codes_are_those_made_by_other_hands():
    """The table of 1023 chips by 37 satellites that a library for teaching communications brings along."""
    import sk_dsp_comm

    table = np.loadtxt(Path(sk_dsp_comm.__file__).with_name("ca1thru37.txt"), dtype=int)
    assert table.shape == (1023, len(GPS_TAPS))
    for satellite in GPS_TAPS:
        assert "".join(map(str, table[:, satellite - 1])) == gps_code(satellite)


@pytest.mark.parametrize("satellite", [7, 19])
def test_gps_code(satellite):
    """1.023 million chips a second; four cycles a chip is an intermediate frequency chosen here."""
    code = gps_code(satellite)
    symbols, rate, _ = received(code, 16.368e6, symbol_rate_bd=1.023e6, carrier_hz=4.092e6)
    assert symbols == from_first(code)
    assert rate == pytest.approx(1.023e6, rel=1e-4)


def test_pseudo_random_sequences_of_o150():
    for taps, inverted, cycles in (((5, 9), False, 6.5), ((14, 15), True, 3.0)):
        text = shift_register(taps, 511 if taps[1] == 9 else 1500, inverted=inverted)
        symbols, rate, _ = received(text, 2e6, symbol_rate_bd=190e3 / cycles, carrier_hz=190e3)
        assert symbols == from_first(text)
        assert rate == pytest.approx(190e3 / cycles, rel=1e-4)


def test_a_whole_period_of_the_long_sequence():
    """All 32767 of the 15-stage sequence in one transmission; its longest run of zeros is 15 (ITU-T O.150, 5.3)."""
    text = shift_register((14, 15), 32767, inverted=True)
    assert (text.count("1"), max(map(len, text.split("1")))) == (16383, 15)
    symbols, rate, _ = received(text, 1e6, symbol_rate_bd=60e3, carrier_hz=180.3e3)
    assert symbols == from_first(text)
    assert rate == pytest.approx(60e3, rel=1e-6)


def test_two_cycles_of_a_megahertz_are_500_kilobaud():
    """Common practice, no published source."""
    text = shift_register((5, 9), 200)
    symbols, rate, cycles = received(text, 12.5e6, symbol_rate_bd=500e3, carrier_hz=1e6)
    assert symbols == from_first(text)
    assert rate == pytest.approx(500e3, rel=1e-4)
    assert cycles == pytest.approx(2.0, rel=3e-4)


def test_ccsds_marker_and_randomiser():
    octets = bytes.fromhex("1ACFFC1D") + ccsds_randomiser(255)
    text = "".join(f"{octet:08b}" for octet in octets)
    symbols, _, _ = received(text, 1.2e6, symbol_rate_bd=20e3, carrier_hz=254e3)
    assert symbols == from_first(text)


def test_varicode_at_31_baud():
    """0 is a reversal, 1 is none, the amplitude goes through zero as a cosine; idle is reversals."""
    text = "a note to a tin  0110 EBCDFG"
    bits = "0" * 24 + varicode(text) + "00" + "1" * 12
    sent = differential(invert(bits))
    symbols, rate, cycles = received(
        sent, 8000.0, symbol_rate_bd=31.25, carrier_hz=1000.0, pulse="soft", rolloff=1.0
    )
    assert rate == pytest.approx(31.25, rel=1e-3)
    assert cycles == pytest.approx(1000 / 31.25, rel=1e-3)
    changes = "".join("1" if a == b else "0" for a, b in pairwise(symbols))
    assert text in varicode_text(changes)
    # idle and all: only at the very ends may a soft pulse be one symbol more or fewer
    assert bits[1:-1] in changes


def test_rds_at_48_cycles_a_bit():
    """57 kHz, 1187.5 bits a second, differential then two halves a bit; checks repeat every 26 bits."""
    rng = np.random.default_rng(57)
    blocks = [rds_block(int(rng.integers(0, 65536)), RDS_OFFSETS[k % 4]) for k in range(12)]
    sent = manchester(differential("".join(blocks)))
    symbols, rate, cycles = received(sent, 228e3, symbol_rate_bd=2375.0, carrier_hz=57e3)
    assert rate == pytest.approx(2375.0, rel=1e-4)
    # two halves a bit: 57000 / 1187.5 = 48
    assert 2 * cycles == pytest.approx(48.0, rel=1e-4)
    halves = symbols[:-1] if len(symbols) % 2 else symbols
    levels = halves[::2]
    bits = "".join("1" if a != b else "0" for a, b in pairwise(levels))
    syndromes = [rds_syndrome(bits[k : k + 26]) for k in range(0, len(bits) - 25, 26)]
    assert syndromes == [RDS_OFFSETS[k % 4] for k in range(12)]


def test_card_to_reader_at_8_cycles_a_bit():
    """ISO/IEC 14443 type B: 847.5 kHz, 8 cycles a bit; the octets carry a valid CRC_B."""
    octets = bytes.fromhex("0A123456")
    frame = octets + crc_x25(octets).to_bytes(2, "little")
    symbols, rate, cycles = received(card_frame(frame), 10e6, symbol_rate_bd=105_937.5, carrier_hz=847_500.0)
    assert rate == pytest.approx(105_937.5, rel=1e-3)
    assert cycles == pytest.approx(8.0, rel=1e-3)
    assert card_octets(symbols) == frame
    assert frame[-2:].hex(" ") == "2c f6"
