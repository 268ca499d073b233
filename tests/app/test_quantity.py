"""Quantities as text and back."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.model.quantity import format_quantity, format_stretch, format_value, parse_quantity

POWERS = {"p": 1e-12, "n": 1e-9, "µ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6, "G": 1e9, "T": 1e12}


@pytest.mark.parametrize(
    ("value", "std", "unit", "text"),
    [
        (412_370.0, 40.0, "Hz", "412.37(4) kHz"),
        # JCGM 100:2008 7.2.2, example 2: m = 100,021 47(35) g
        (100.02147, 0.00035, "g", "100.02147(35) g"),
        # electron mass as CODATA 2014 printed it (from memory)
        (9.10938356e-31, 1.1e-38, "kg", "9.10938356(11)e-31 kg"),
        (123.4, 9.96, "V", "123(10) V"),
        (0.05, 0.00996, "V", "50(10) mV"),
        (1.0, 0.0354, "V", "1.000(35) V"),
        (1.0, 0.0355, "V", "1.00(4) V"),
        (1.0, 0.0949, "V", "1.00(9) V"),
        (1.0, 0.0951, "V", "1.00(10) V"),
        (999_999.6, 5.0, "Hz", "1.000000(5) MHz"),
        (999.96, 0.1, "Hz", "999.96(10) Hz"),
        (-0.0004, 0.01, "V", "0(10) mV"),
        (-1.5, 0.02, "V", "-1.500(20) V"),
        (3.0, 120.0, "V", "0(120) V"),
        (1234.0, 130.0, "FS", "1230(130) FS"),
        (15.2, 0.4, "dB", "15.2(4) dB"),
        (0.0005432, 3e-7, "s", "543.20(30) µs"),
        (12_000.0, 4.0, "s", "12000(4) s"),
        (9600.0, 0.0, "Bd", "9.6 kBd"),
        (412_370.123456, None, "Hz", "412.37 kHz"),
        (412_371.523456, math.nan, "Hz", "412.372 kHz"),
        (0.0, None, "V", "0 V"),
        (-0.0, None, "V", "0 V"),
        (118.0, None, "", "118"),
        (None, 1.0, "Hz", "unknown"),
        (math.inf, 1.0, "Hz", "unknown"),
    ],
)
def test_concise_notation(value: float | None, std: float | None, unit: str, text: str) -> None:
    assert format_quantity(value, std, unit) == text


@given(
    st.floats(-1e11, 1e11, allow_subnormal=False),
    st.floats(1e-10, 1e6),
    st.sampled_from(["Hz", "s", "V", "Bd", "FS", "dB"]),
)
def test_what_is_written_reads_back_within_the_rounding(value: float, std: float, unit: str) -> None:
    text = format_quantity(value, std, unit)
    match = re.fullmatch(r"(-?\d+(?:\.(\d+))?)\((\d+)\)(?:e(-?\d+))? (\S+)", text)
    assert match is not None, text
    number, decimals, digits, exponent, shown_unit = match.groups()
    factor = 10.0 ** int(exponent or 0) * POWERS[shown_unit.removesuffix(unit)]
    last = factor * 10.0 ** -len(decimals or "")
    assert math.isclose(int(digits) * last, std, rel_tol=0.14)
    assert abs(float(number) * factor - value) <= 0.51 * std + 1e-12 * abs(value)


@pytest.mark.parametrize(
    ("text", "units", "value"),
    [
        ("2.5M", ("Hz",), 2.5e6),
        ("412k", ("Hz",), 412e3),
        ("412.37k", ("Hz",), 412_370.0),
        ("9600", ("Bd",), 9600.0),
        ("1.2MHz", ("Hz",), 1.2e6),
        ("1.2 MHz", ("Hz",), 1.2e6),
        ("500kBd", ("Bd",), 500e3),
        ("1.2ms", ("s",), 0.0012),
        ("-3us", ("s",), -3e-6),
        ("3µs", ("s",), 3e-6),
        ("3μs", ("s",), 3e-6),
        ("1e-3", ("s",), 1e-3),
        (".5m", ("s",), 0.5e-3),
        ("2m", (), 2e-3),
        ("1s", ("s",), 1.0),
    ],
)
def test_numbers_with_prefixes_are_read(text: str, units: tuple[str, ...], value: float) -> None:
    assert parse_quantity(text, *units) == value


@pytest.mark.parametrize(
    "text", ["", "M", "1.2x", "1.2mm", "nan", "inf", "1e999", "1,5k", "1.2 kV", "0x10", "١"]
)
def test_what_is_no_quantity_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=re.escape(repr(text))):
        parse_quantity(text, "Hz")


def test_a_value_alone_has_the_digits_asked_for() -> None:
    assert format_value(1.25e6, "Sa/s") == "1.25 MSa/s"
    assert format_value(0.123456789, "s", 4) == "123.5 ms"
    assert format_value(None, "s") == "unknown"


@pytest.mark.parametrize(
    ("start", "end", "text"),
    [
        (-1.0, 101.0, "-1 s to 101 s (102 s)"),
        (77.76999968, 77.77000008, "77.76999968 s to 77.77000008 s (400 ns)"),
        (0.0, 0.0, "0 s to 0 s (0 s)"),
    ],
)
def test_the_ends_of_a_stretch_can_be_told_apart(start: float, end: float, text: str) -> None:
    assert format_stretch(start, end, "s") == text
