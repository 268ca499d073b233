"""What is told is used, and contradicted where the samples show something else."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from generators.scoring import score
from generators.truths import RATE_HZ, capture

from dsp.activity import find_activity
from dsp.decoder import decode
from dsp.leads import leads_of, sources_of
from dsp.noise import estimate_noise
from dsp.propose import propose
from dsp.results import DecodeSettings
from dsp.segment import cut
from dsp.told import Shown, broken_cells, common_measure, contradictions, told_multiple


@functools.cache
def made():
    return capture((30, 44, 26, 52, 37, 24), 91, esn0_db=14.0)


def told(**settings):
    return decode(made().samples, RATE_HZ, settings=DecodeSettings(**settings))


def assert_right(result) -> None:
    from dataclasses import asdict

    assert score(made().bursts, asdict(result)).complaints() == []


@pytest.mark.parametrize("off", [1.0, 1.0003, 0.999])
def test_a_right_carrier_and_rate_are_used_without_a_word(off):
    burst = made().bursts[0]
    result = told(carrier_hz=off * burst.carrier_hz, symbol_rate_bd=off * burst.symbol_rate_bd)
    assert_right(result)
    assert result.warnings == ()


@pytest.mark.parametrize("off", [0.8, 0.97, 0.99, 1.01, 1.03, 1.4])
def test_a_wrong_carrier_is_contradicted(off):
    result = told(carrier_hz=off * made().bursts[0].carrier_hz)
    assert_right(result)
    assert [notice.code for notice in result.warnings] == ["told-carrier-contradicted"]


@pytest.mark.parametrize("off", [0.5, 0.7, 0.96, 0.99, 1.01, 1.05, 1.5])
def test_a_wrong_symbol_rate_is_contradicted(off):
    result = told(symbol_rate_bd=off * made().bursts[0].symbol_rate_bd)
    assert_right(result)
    assert [notice.code for notice in result.warnings] == ["told-symbol-rate-contradicted"]


@pytest.mark.parametrize("many", [2, 3])
def test_a_multiple_of_the_rate_is_obeyed_and_said(many):
    """No samples can tell symbols from the same ones each sent several times.

    So strong that a third of a symbol at an end is in no doubt: 15 dB, of which one end in 10,000 is wrong.
    """
    strong = capture((30, 44, 26, 52, 37, 24), 91, esn0_db=20.0)
    rate_bd = many * strong.bursts[0].symbol_rate_bd
    result = decode(strong.samples, RATE_HZ, settings=DecodeSettings(symbol_rate_bd=rate_bd))
    assert [notice.code for notice in result.warnings] == ["told-symbol-rate-multiple"]
    assert len(result.bursts) == len(strong.bursts)
    for found, sent in zip(result.bursts, strong.bursts, strict=True):
        assert found.symbol_rate_bd == pytest.approx(many * sent.symbol_rate_bd, rel=1e-3)
        assert found.symbols == "".join(symbol * many for symbol in sent.relative_symbols)


@pytest.mark.parametrize("esn0_db", [15.0, 18.0, 30.0])
@pytest.mark.parametrize("many", [2, 3, 5])
def test_a_multiple_is_said_however_strong(many, esn0_db):
    strong = capture((30, 44, 26, 52, 37, 24), 92, esn0_db=esn0_db, cycles=12.0)
    rate_bd = many * strong.bursts[0].symbol_rate_bd
    result = decode(strong.samples, RATE_HZ, settings=DecodeSettings(symbol_rate_bd=rate_bd))
    assert [notice.code for notice in result.warnings] == ["told-symbol-rate-multiple"]
    assert f"{rate_bd / many:.6g}"[:4] in result.warnings[0].text


def test_common_measure_of_flips():
    """Distances 2, 4, 2, 6 and so on have 2 in common; of one wrong symbol in a hundred they still have."""
    rng = np.random.default_rng(1)
    text = "".join(str(bit) * 2 for bit in rng.integers(0, 2, 400))
    assert common_measure([text]) == 2
    assert common_measure([text[:101] + str(1 - int(text[101])) + text[102:]]) == 2
    assert common_measure(["".join(str(bit) for bit in rng.integers(0, 2, 200))]) == 1
    assert common_measure(["1100110011"]) == 1


def test_a_line_code_that_does_not_fit_is_said_with_each_burst():
    result = told(line_code="manchester")
    assert all("no Manchester code" in " ".join(burst.warnings) for burst in result.bursts)
    assert broken_cells("1001011010", "manchester") == 0
    assert broken_cells("0110100101", "manchester") == 0
    assert broken_cells("1101011010", "manchester") == 1
    assert broken_cells("1101011010", "plain") == 0


@pytest.mark.parametrize("code", ["manchester", "differential-manchester"])
def test_a_line_code_that_does_not_fit_is_contradicted(code):
    assert [notice.code for notice in told(line_code=code).warnings] == ["told-line-code-contradicted"]


def test_few_broken_cells_are_wrong_symbols_and_no_contradiction():
    """Of a Manchester code (IEEE Std 802.3, section 7) every cell changes in its middle; one wrong symbol breaks one."""
    rng = np.random.default_rng(5)
    text = "".join("01" if bit else "10" for bit in rng.integers(0, 2, 40))
    wrong = text[:30] + str(1 - int(text[30])) + text[31:]
    settings = DecodeSettings(line_code="manchester")
    found = [Shown(100e3, 10e3)]
    assert contradictions(settings, found, 1, [text, wrong]) == ()
    chance = "".join(str(bit) for bit in rng.integers(0, 2, 80))
    codes = [n.code for n in contradictions(settings, found, 1, [chance])]
    assert codes == ["told-line-code-contradicted"]
    assert contradictions(DecodeSettings(line_code="differential"), found, 1, [chance]) == ()


@pytest.mark.parametrize("off", [1.0, 1.02])
def test_what_a_lead_says_is_proposed_whatever_is_told(off):
    """What was told is tried first."""
    record = made().record
    noise = estimate_noise(record)
    pieces = [p for active in find_activity(record, noise) for p in cut(record, noise, active)]
    (piece, lead), *_ = sources_of(leads_of(record, noise, pieces))
    burst = made().bursts[0]
    for settings in (
        DecodeSettings(carrier_hz=off * burst.carrier_hz),
        DecodeSettings(symbol_rate_bd=off * burst.symbol_rate_bd),
        DecodeSettings(carrier_hz=off * burst.carrier_hz, symbol_rate_bd=off * burst.symbol_rate_bd),
    ):
        untold = list(propose(piece, lead, RATE_HZ, DecodeSettings()))
        proposed = list(propose(piece, lead, RATE_HZ, settings))
        assert untold
        assert proposed[-len(untold) :] == untold
        assert len(proposed) > len(untold)


def test_polarity_and_code_change_bits_and_nothing_else():
    plain, other = told(), told(line_code="differential", polarity="inverted")
    for a, b in zip(plain.bursts, other.bursts, strict=True):
        assert a.symbols == b.symbols
        same = [str(int(x == y)) for x, y in zip(a.symbols, a.symbols[1:], strict=False)]
        assert b.bits == "".join(same)


def test_multiples_and_contradictions_by_number():
    settings = DecodeSettings(carrier_hz=100e3, symbol_rate_bd=10e3)
    assert told_multiple(settings, 10e3) == 1
    assert told_multiple(settings, 5_010.0) == 2
    assert told_multiple(settings, 3_333.0) == 3
    assert told_multiple(settings, 4_000.0) == 1
    assert told_multiple(DecodeSettings(), 5e3) == 1
    assert contradictions(settings, [Shown(100.2e3, 10.04e3)], 1) == ()
    both = ["told-carrier-contradicted", "told-symbol-rate-contradicted"]
    assert [n.code for n in contradictions(settings, [Shown(90e3, 4e3), Shown(80e3, 7e3)], 1)] == both
    # one of several as told is enough
    assert contradictions(settings, [Shown(90e3, 4e3), Shown(100e3, 10e3)], 1) == ()
    # off by one in a hundred, unless that is no more than what the samples leave open
    assert [n.code for n in contradictions(settings, [Shown(101e3, 10.1e3)], 1)] == both
    assert contradictions(settings, [Shown(101e3, 10.1e3, 300.0, 30.0)], 1) == ()


def test_few_of_many_values_are_named():
    text = contradictions(DecodeSettings(carrier_hz=1e3), [Shown(2e3 + 100.0 * k, 1.0) for k in range(9)], 1)[
        0
    ].text
    assert "2000 Hz, 2100 Hz, 2200 Hz, 2300 Hz and others up to 2800 Hz" in text


def test_few_flips_leave_the_rate_open_and_say_so():
    """Two flips make one interval, which any rate divides."""
    burst = made().bursts[0]
    from dsp.synth import BurstSpec, transmissions

    spec = BurstSpec(
        40.0 / burst.symbol_rate_bd, "1" * 8 + "0" * 8 + "1" * 8, burst.symbol_rate_bd, burst.carrier_hz
    )
    count = int((spec.end_s + 40.0 / burst.symbol_rate_bd) * RATE_HZ)
    noise = np.random.default_rng(3).normal(0.0, made().sigma, count)
    result = decode(transmissions([spec], RATE_HZ, count).samples + noise, RATE_HZ)
    assert result.bursts == ()
    assert result.signalling.kind == "undecided"
    assert result.refusal is not None
    assert result.refusal.code == "symbol-rate-ambiguous"
    # told, it is no question any more
    settings = DecodeSettings(carrier_hz=burst.carrier_hz, symbol_rate_bd=burst.symbol_rate_bd)
    known = decode(transmissions([spec], RATE_HZ, count).samples + noise, RATE_HZ, settings=settings)
    assert [b.symbols for b in known.bursts] == [spec.relative_symbols]
