"""Derived channels against the same arithmetic written out in numpy."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from app.errors import UsageError
from app.model.capture import Capture, Channel, Segment
from app.model.expressions import LONGEST_TEXT, ChannelSource, channel_source

A = np.arange(-50, 50, dtype=np.int16)
B = (A[::-1] // 3).astype(np.int8)
CURRENT = np.linspace(0.0, 1.0, 100)


@pytest.fixture
def capture() -> Capture:
    channels = (
        Channel("A", A, 0.5, 1.0),
        Channel("B", B, 2.0),
        Channel("Channel A", A, 0.25),
        Channel("A-B", A, 3.0),
        Channel("line (near)", A, 4.0),
        Channel("2", A, 5.0),
        Channel("I", CURRENT, unit="A"),
    )
    return Capture("vent", "test", 1e6, 0.0, channels, (Segment(0, 100, 0.0),))


a = (A * 0.5 + 1.0).astype(np.float32)
b = (B * 2.0).astype(np.float32)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("A - B", a - b),
        ("A-B", A * 3.0),
        ("(A + B) / 2", (a + b) / 2),
        ("0.5*A - B", 0.5 * a - b),
        ("-A", -a),
        ("+A*-B", -(a * b)),
        ("A - 0.97 * B", a - 0.97 * b),
        ("A / 4 - -1e-1", a / 4 + 0.1),
        ("Channel A - B", A * 0.25 - b),
        ("`Channel A` - 'B'", A * 0.25 - b),
        ('"line (near)" * 2', A * 8.0),
        ("line (near) * 2", A * 8.0),
        ("`2` - 2", A * 5.0 - 2),
        ("2*A", 2 * a),
        ("`A-B` + A", A * 3.0 + a),
        ("2 - 3 * (4 - A)", 2 - 3 * (4 - a)),
    ],
)
def test_values_equal_the_same_sum_in_numpy(capture: Capture, text: str, expected: np.ndarray) -> None:
    source = channel_source(capture, text)
    np.testing.assert_allclose(source[:], expected, rtol=1e-6)
    np.testing.assert_array_equal(source[30:70], source[:][30:70])


def test_no_text_is_the_first_channel_as_stored(capture: Capture) -> None:
    source = channel_source(capture)
    assert (source.name, source.unit, len(source)) == ("A", "V", 100)
    assert source.stored is capture.channels[0].stored
    assert (source.scale, source.offset) == (0.5, 1.0)


def test_a_quoted_or_bracketed_plain_name_is_still_the_stored_channel(capture: Capture) -> None:
    assert channel_source(capture, "(`2`)").stored is capture.channels[5].stored


def test_derived_channel_stands_for_itself(capture: Capture) -> None:
    source = channel_source(capture, "A - B")
    assert (source.name, source.stored, source.scale, source.offset) == ("A - B", source, 1.0, 0.0)


def test_narrow_samples_stay_single_precision(capture: Capture) -> None:
    assert channel_source(capture, "0.1 * A - B / 3")[0:5].dtype == np.float32
    assert channel_source(capture, "A - I")[0:5].dtype == np.float64


@pytest.mark.parametrize(
    ("text", "unit"),
    [("A - B", "V"), ("2 * A - 1", "V"), ("A - I", ""), ("A * I", "V·A"), ("A / I", "V/A"), ("A / B", ""),
     ("1 / I", "1/A"), ("3 * I / 2", "A")],
)  # fmt: skip
def test_unit_follows_the_arithmetic(capture: Capture, text: str, unit: str) -> None:
    assert channel_source(capture, text).unit == unit


def test_nothing_is_read_before_a_slice_is_asked_for_and_then_only_that() -> None:
    asked: list[tuple[int, int]] = []

    class Spy(Channel):
        def values(self, start: int, stop: int) -> np.ndarray:
            asked.append((start, stop))
            return super().values(start, stop)

    capture = Capture("spy", "test", 1.0, 0.0, (Spy("A", A), Spy("B", B)), (Segment(0, 100, 0.0),))
    source = channel_source(capture, "A - B")
    assert asked == []
    assert source[90:500].shape == (10,)
    assert asked == [(90, 100), (90, 100)]


def test_empty_and_reversed_slices_are_empty(capture: Capture) -> None:
    source = channel_source(capture, "A - B")
    assert source[5:5].shape == source[9:3].shape == (0,)
    with pytest.raises(ValueError, match="step 1"):
        source[0:10:2]
    with pytest.raises(TypeError, match="slices"):
        source[3]


def test_division_through_zero_is_infinite_without_a_warning(capture: Capture) -> None:
    values = channel_source(capture, "1 / (A - 1)")[:]
    assert np.isinf(values).sum() == 1


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("C", "no channel 'C'; the capture has A, B, Channel A"),
        ("A - Bee", "no channel 'Bee'"),
        ("Ab", "no channel 'Ab'"),
        ("`A", "cannot read '`'"),
        ("A -", "cannot read the expression"),
        ("A B", "cannot read the expression"),
        ("(A", "cannot read the expression"),
        ("()", "more in it than"),
        ("1 + 2", "names no channel"),
        ("A ** 2", "cannot read the expression"),
        ("A // 2", "cannot read the expression"),
        ("A(2)", "more in it than"),
        ("A % 2", "cannot read '%'"),
        ("A[0]", r"cannot read '\['"),
        ("A.real", r"cannot read '\.'"),
        ("__import__('os')", "no channel '__import__'"),
        ("lambda: A", "no channel 'lambda'"),
        ("A / 0", "divides by zero"),
        ("A / (1 - 1)", "divides by zero"),
        ("1e999 * A", "too large"),
        ("1e300 * 1e300 * A", "too large"),
        ("", "1 to"),
        ("A + " * LONGEST_TEXT + "A", "1 to"),
        ("(" * 300 + "A" + ")" * 300, "cannot read the expression"),
        ("-" * 900 + "A", "nested"),
        ("A\n;import os", "cannot read ';'"),
    ],
)
def test_what_cannot_be_read_is_one_line(capture: Capture, text: str, says: str) -> None:
    with pytest.raises(UsageError, match=says) as error:
        channel_source(capture, text)
    assert "\n" not in str(error.value)


def test_a_source_serves_a_capture_from_a_map(tmp_path: Path) -> None:
    A.tofile(tmp_path / "a.bin")
    mapped = np.memmap(tmp_path / "a.bin", np.int16, "r")
    capture = Capture("m", "raw", 1.0, 0.0, (Channel("A", mapped, 2.0),), (Segment(0, 100, 0.0),))
    source = channel_source(capture, "A")
    assert isinstance(source, ChannelSource)
    assert isinstance(source.stored, np.memmap)
    np.testing.assert_array_equal(source[:], A * 2.0)


# --- functions


@pytest.fixture
def waves() -> Capture:
    """Two segments of a carrier on a level; in the second it is twice as strong."""
    rng = np.random.default_rng(2)
    m = np.arange(40_000)
    wave = (
        24.0
        + np.where(m < 20_000, 1.0, 2.0) * np.sin(2 * np.pi * 0.1 * m)
        + 0.01 * rng.standard_normal(m.size)
    )
    channels = (Channel("line", wave.astype(np.float32)), Channel("lowpass", wave))
    return Capture(
        "vent", "test", 1e6, 0.0, channels, (Segment(0, 20_000, 0.0), Segment(20_000, 40_000, 0.1))
    )


def inner(values):
    return np.concatenate((values[2000:18_000], values[22_000:38_000]))


@pytest.mark.parametrize(
    ("text", "level", "amplitude"),
    [
        ("lowpass(line, 10k)", 24.0, 0.0),
        ("highpass(line, 10k)", 0.0, 1.0),
        ("bandpass(line, 50k, 0.2M)", 0.0, 1.0),
        ("ac(line, 1e3)", 0.0, 1.0),
        ("delay(line, 2.5u)", 24.0, 1.0),
        ("-highpass( line , 10000 ) * 2", 0.0, 2.0),
        ("lowpass(highpass(line, 10k), 200k)", 0.0, 1.0),
        ("lowpass - line", 0.0, 0.0),
    ],
)
def test_a_function_of_a_channel(waves, text, level, amplitude):
    source = channel_source(waves, text)
    assert source.unit == "V"
    values = source[0:40_000][2000:18_000]
    assert values.mean() == pytest.approx(level, abs=0.01)
    assert np.sqrt(2) * values.std() == pytest.approx(amplitude, abs=0.03)


def test_an_envelope_is_the_amplitude_and_does_not_cross_segments(waves):
    values = channel_source(waves, "envelope(highpass(line, 10k), 5k)")[0:40_000]
    # the ends, where the carrier is cut anywhere, are left out
    assert values[1000:19_000] == pytest.approx(1.0, abs=0.05)
    assert values[21_000:39_000] == pytest.approx(2.0, abs=0.05)
    # over the edge between segments the one does not run into the other
    assert values[19_990:20_000].mean() < 1.2
    assert values[20_000:20_010].mean() > 1.7


def test_the_envelope_leaves_the_level_out(waves):
    """The supply is far larger than what is sent; without a high-pass it used to be the envelope."""
    plain = channel_source(waves, "envelope(line, 5k)")[0:40_000]
    lifted = channel_source(waves, "envelope(line + 24, 5k)")[0:40_000]
    for part, amplitude in ((slice(1000, 19_000), 1.0), (slice(21_000, 39_000), 2.0)):
        assert plain[part] == pytest.approx(amplitude, abs=0.08)
        assert lifted[part] == pytest.approx(plain[part], abs=1e-3)


def test_parts_of_a_filtered_channel_fit_together(waves):
    source = channel_source(waves, "bandpass(line, 50k, 200k) - delay(line, 300n)")
    whole = source[0:40_000]
    at = 0
    for size in (1, 700, 18_999, 600, 9_000, 10_700):
        np.testing.assert_allclose(source[at : at + size], whole[at : at + size], rtol=0, atol=1e-6)
        at += size


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("lowpass(line)", "lowpass(channel, corner)"),
        ("lowpass(line, 1k, 2k)", "lowpass(channel, corner)"),
        ("lowpass(1, 2)", "takes a channel"),
        ("lowpass(line, line)", "takes a channel"),
        ("lowpass(line, 600k)", "half the sample rate"),
        ("bandpass(line, 20k, 10k)", "not below the upper"),
        ("smooth(line, 3)", "no channel 'smooth'"),
        ("lowpass(line, =3)", "cannot read"),
        ("lowpass(line 3)", "cannot read"),
        ("line, line", "more in it"),
    ],
)
def test_functions_that_cannot_be_read(waves, text, says):
    with pytest.raises(UsageError, match=re.escape(says)):
        channel_source(waves, text)
