"""Which bursts of a channel are shown after newer decodes, and what is not worked out twice."""

from __future__ import annotations

from dataclasses import replace

from app.model.items import DecodeRun, FlipMark, SessionData
from app.model.shown import BurstBook
from dsp.results import Burst, Decode, DecodeSettings, Signalling


def burst(start_s: float, symbols: str = "1100") -> Burst:
    """Symbols of 1 ms."""
    return Burst(
        start_s=start_s,
        end_s=start_s + 1e-3 * len(symbols),
        start_probability=1.0,
        end_probability=1.0,
        cut_at_start=False,
        cut_at_end=False,
        talker=None,
        amplitude=1.0,
        amplitude_std=None,
        carrier_hz=None,
        carrier_std_hz=None,
        symbol_rate_bd=1000.0,
        symbol_rate_std_bd=None,
        symbol_rate_alternatives_bd=(),
        cycles_per_symbol=None,
        esn0_db=None,
        esn0_std_db=None,
        first_symbol_s=start_s,
        flips_s=(),
        flips_interval_s=(),
        bits_per_symbol=1,
        symbols=symbols,
        confidence=(1.0,) * len(symbols),
        line_code="plain",
        bits=symbols,
    )


def run(key: int, span_s: tuple[float, float], *bursts: Burst, channel: str = "A") -> DecodeRun:
    result = Decode(DecodeSettings(), Signalling("bpsk", 1.0), bursts)
    return DecodeRun(key, 0, channel, span_s, "0", "", result)


WHOLE = run(1, (0.0, 1.0), burst(0.1), burst(0.2), burst(0.3))


def starts(data: SessionData, channel: str = "A") -> list[float]:
    return [one.burst.start_s for one in BurstBook().bursts_of(data, 0, channel)]


def test_a_newer_decode_hides_what_lies_under_its_span():
    newer = run(2, (0.1995, 0.2505), burst(0.2001, "11"), burst(0.24))
    data = SessionData(decodes=(WHOLE, newer))
    assert starts(data) == [0.1, 0.2001, 0.24, 0.3]
    assert starts(SessionData(decodes=(newer, WHOLE))) == [0.1, 0.2, 0.3]


def test_a_burst_that_only_touches_the_span_stays():
    data = SessionData(decodes=(WHOLE, run(2, (burst(0.1).end_s, 0.2))))
    assert starts(data) == [0.1, 0.2, 0.3]
    assert starts(SessionData(decodes=(WHOLE, run(2, (0.1039, 0.2001))))) == [0.3]


def test_other_channels_and_captures_have_bursts_of_their_own():
    other = replace(run(3, (0.0, 1.0), burst(0.4)), capture=1)
    data = SessionData(decodes=(WHOLE, run(2, (0.0, 1.0), burst(0.5), channel="B"), other))
    assert starts(data) == [0.1, 0.2, 0.3]
    assert starts(data, "B") == [0.5]
    assert starts(data, "A - B") == []


def test_only_the_burst_with_another_flip_is_worked_out_again():
    book = BurstBook()
    data = SessionData(decodes=(WHOLE,))
    before = book.bursts_of(data, 0, "A")
    flips = (FlipMark(1, 0, 0.201), FlipMark(2, 1, 0.301))
    after = book.bursts_of(replace(data, flips=flips), 0, "A")
    assert [a is b for a, b in zip(before, after, strict=True)] == [True, False, True]
    assert after[1].symbols == "1011"
    assert after[1].marks == flips[:1]
    again = book.bursts_of(data, 0, "A")
    assert again[1].symbols == "1100"
