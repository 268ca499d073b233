"""Sessions put together by hand, and what it means that two of them are the same."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np

from app.model.capture import Capture, Channel, NamedSpan, Segment
from app.model.items import ChannelLook, Cursor, DecodeRun, FlipMark, Note, SessionData, SpanMark
from dsp.results import (
    Alternative,
    Burst,
    Character,
    Decode,
    DecodeSettings,
    Notice,
    Refusal,
    Signalling,
)


def version_1() -> SessionData:
    """What ``tests/sessions/v1.h5`` holds; written once, so it must never change."""
    codes = (np.arange(40) * 37 % 101 - 50).astype("<i2")
    current = np.linspace(-0.5, 0.5, 40, dtype="<f4")
    opened = Capture(
        name="vent-opens.csv",
        format="csv",
        rate_hz=1.25e6,
        start_s=-4e-3,
        channels=(Channel("line", codes, 0.01, 24.0, "V"), Channel("supply", current, 1.0, 0.0, "A")),
        segments=(Segment(0, 25, -4e-3), Segment(25, 40, 1.5)),
        rate_std_hz=12.5,
        sha256="00" * 32,
        label="vent 2 told to open, 30 °C",
        timebase_ppm=25.0,
        gain_percent=3.0,
        warnings=(
            Notice("clipped", "the converter was at its end", 3, 17),
            Notice("odd", "no place", 1, None),
        ),
    )
    plain = Capture(
        name="quiet",
        format="npy",
        rate_hz=1e6,
        start_s=0.0,
        channels=(Channel("A", np.zeros(3, "i1"), unit="LSB"),),
        segments=(Segment(0, 3, 0.0),),
    )
    return SessionData(
        captures=(opened, plain),
        cursors=(Cursor(1, 0, "left", -0.00399), Cursor(2, 1, "", 1e-6)),
        spans=(SpanMark(3, 0, "answer of node 2", -0.004, -0.00398),),
        flips=(FlipMark(4, 0, -0.003985), FlipMark(5, 0, -0.00397, removes=True)),
        notes=(Note(6, None, None, "humidity sensors off\nfor the night"), Note(7, 1, 2e-6, "nothing here")),
        decodes=(
            DecodeRun(8, 0, "line - supply", (-0.004, 1.50001), "0.1.0", "11" * 32, _keyed()),
            DecodeRun(9, 1, "A", (0.0, 3e-6), "0.1.0", "", _refused()),
        ),
        created="2026-11-25T10:00:00+00:00",
        next_key=12,
    )


def version_2() -> SessionData:
    """What ``tests/sessions/v2.h5`` holds; written once, so it must never change."""
    data = version_1()
    quiet = replace(data.captures[1], spans=(NamedSpan("hum of the blower", 1e-6, 2e-6),))
    looks = (
        ChannelLook(10, 0, "supply", hidden=True),
        ChannelLook(11, 0, "line - supply", values=(22.5, 25.0)),
    )
    return replace(data, captures=(data.captures[0], quiet), looks=looks)


def version_3() -> SessionData:
    """What ``tests/sessions/v3.h5`` holds; written once, so it must never change."""
    data = version_2()
    hidden, scaled = data.looks
    line = ChannelLook(12, 0, "line", level=24.125)
    return replace(data, looks=(hidden, replace(scaled, level=23.5), line), next_key=13)


def _keyed() -> Decode:
    burst = Burst(
        start_s=-0.0039,
        end_s=-0.0035,
        start_probability=0.98,
        end_probability=0.95,
        cut_at_start=False,
        cut_at_end=True,
        talker=0,
        amplitude=0.8,
        amplitude_std=0.002,
        carrier_hz=203_710.25,
        carrier_std_hz=3.5,
        symbol_rate_bd=10_000.5,
        symbol_rate_std_bd=0.25,
        symbol_rate_alternatives_bd=(20_001.0, 5_000.25),
        cycles_per_symbol=20.37,
        esn0_db=17.5,
        esn0_std_db=0.5,
        first_symbol_s=-0.0039,
        flips_s=(-0.0038, -0.0037),
        flips_interval_s=((-0.00381, -0.00379), (-0.00371, -0.00369)),
        bits_per_symbol=1,
        symbols="1011",
        confidence=(0.999, 0.99, 0.97, 1.0),
        line_code="differential",
        bits="110",
        characters=None,
        warnings=("the burst is cut by the end of the span", "two rates fit"),
    )
    levels = replace(
        burst,
        start_s=-0.0034,
        end_s=-0.003,
        talker=None,
        amplitude_std=None,
        carrier_hz=None,
        carrier_std_hz=None,
        symbol_rate_alternatives_bd=(),
        cycles_per_symbol=None,
        flips_s=(),
        flips_interval_s=(),
        symbols="0101010101",
        confidence=(1.0,) * 10,
        line_code="plain",
        bits="0101010101",
        characters=(Character(-0.0034, 0x55, None, True), Character(-0.0032, 0, False, False)),
        warnings=(),
    )
    return Decode(
        DecodeSettings(203_700.0, None, "bpsk", "differential", "inverted"),
        Signalling("bpsk", 0.97, (Alternative("qpsk", 0.02), Alternative("ook", 0.01)), ("a line at 2 f",)),
        (burst, levels),
        None,
        (Notice("low-sampling", "six samples make a cycle", 1, None),),
    )


def _refused() -> Decode:
    signalling = Signalling("none", 0.999, (), ("nothing rises above the noise",))
    return Decode(
        DecodeSettings(symbol_rate_bd=9600.0),
        signalling,
        (),
        Refusal("no-bursts", "no transmission stands out"),
    )


def assert_same(first: SessionData, second: SessionData) -> None:
    """Everything is equal; samples in value and stored type."""
    for one in fields(SessionData):
        if one.name != "captures":
            assert getattr(first, one.name) == getattr(second, one.name), one.name
    assert len(first.captures) == len(second.captures)
    for a, b in zip(first.captures, second.captures, strict=True):
        _assert_same_capture(a, b)


def _assert_same_capture(a: Capture, b: Capture) -> None:
    for one in fields(Capture):
        if one.name not in ("channels", "path"):
            assert getattr(a, one.name) == getattr(b, one.name), one.name
    assert len(a.channels) == len(b.channels)
    for x, y in zip(a.channels, b.channels, strict=True):
        assert (x.name, x.unit, x.scale, x.offset) == (y.name, y.unit, y.scale, y.offset)
        assert x.stored.dtype == y.stored.dtype
        np.testing.assert_array_equal(x.stored, y.stored)


def with_samples(stored: np.ndarray, **changes: object) -> SessionData:
    """A session of one capture of one channel."""
    capture = Capture(
        "line", "raw", 1e6, 0.0, (Channel("A", stored, 0.5, 1.0),), (Segment(0, len(stored), 0.0),)
    )
    return SessionData(captures=(replace(capture, **changes),))  # type: ignore[arg-type]
