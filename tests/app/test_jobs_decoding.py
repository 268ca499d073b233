"""The decode job: what it hands to the decoder and what it makes of the answer."""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np
import pytest
from generators.decodes import capture, keyed

from app.errors import CancelledError, UsageError
from app.jobs import decoding
from app.jobs.decoding import DecodeRequest, run_decode
from app.jobs.inspecting import inspect_capture
from app.model.capture import Capture, Channel, Segment
from dsp.errors import BadInputError
from dsp.results import DecodeSettings, Notice


class Decoder:
    """Stands in for the decoder and keeps what it was called with."""

    def __init__(self) -> None:
        self.samples: Any = None
        self.told: dict[str, Any] = {}

    def __call__(self, samples: Any, rate_hz: float, **told: Any) -> Any:
        self.samples, self.told = samples, {"rate_hz": rate_hz, **told}
        return keyed(settings=told["settings"])


@pytest.fixture
def decoder(monkeypatch) -> Decoder:
    stand_in = Decoder()
    monkeypatch.setattr(decoding, "decode", stand_in)
    return stand_in


def test_a_plain_channel_goes_in_as_it_is_stored(decoder):
    stored = np.arange(1000, dtype=np.int8)
    line = Capture(
        "x", "raw", 2e6, 0.5, (Channel("Line", stored, 0.25, -1.0, "A"),), (Segment(0, 1000, 0.5),)
    )
    outcome = run_decode(DecodeRequest(line, settings=DecodeSettings(polarity="inverted")))
    assert decoder.samples is stored
    assert decoder.told["rate_hz"] == 2e6
    assert (decoder.told["scale"], decoder.told["offset"], decoder.told["start_s"]) == (0.25, -1.0, 0.5)
    assert decoder.told["segments"] == ((0, 1000, 0.5),)
    assert decoder.told["settings"].polarity == "inverted"
    assert (outcome.channel, outcome.unit) == ("Line", "A")
    assert outcome.span_s == pytest.approx((0.5, 0.5005))
    assert outcome.samples_sha256 is None


def test_an_expression_goes_in_lazily(decoder):
    line = capture(np.arange(100, dtype=np.int16), np.full(100, 3, np.int16))
    outcome = run_decode(DecodeRequest(line, "A - B"))
    assert outcome.channel == "A - B"
    assert (decoder.told["scale"], decoder.told["offset"]) == (1.0, 0.0)
    assert len(decoder.samples) == 100
    assert decoder.samples[10:12].tolist() == [7.0, 8.0]


def test_the_span_and_the_edges_of_segments_reach_the_decoder(decoder):
    line = capture(np.zeros(300), segments=(Segment(0, 100, 0.0), Segment(100, 300, 0.01)))
    run_decode(DecodeRequest(line, span_s=(0.00005, 0.0101)))
    assert decoder.told["segments"] == ((50, 100, pytest.approx(0.00005)), (100, 200, 0.01))


def test_samples_that_are_no_numbers_are_left_out_and_told(decoder):
    values = np.zeros(1000, np.float32)
    values[500:520] = np.nan
    line = capture(values, warnings=(Notice("clipped", "seen", 1, 3), Notice("late", "unseen", 1, 900)))
    outcome = run_decode(DecodeRequest(line, span_s=(None, 0.0008)))
    assert decoder.told["segments"] == ((0, 500, 0.0), (520, 800, pytest.approx(0.00052)))
    codes = [notice.code for notice in outcome.result.warnings]
    assert codes == ["clipped", "not-finite-skipped", "low-sampling"]
    assert "20 samples" in outcome.result.warnings[1].text


def test_with_no_usable_sample_the_decoder_is_not_asked(decoder):
    outcome = run_decode(DecodeRequest(capture(np.full(100, np.nan))))
    assert decoder.samples is None
    assert outcome.result.refusal.code == "no-usable-samples"
    assert outcome.result.bursts == ()


def test_the_digest_is_that_of_the_stored_samples_of_the_span(decoder):
    stored = np.arange(1000, dtype=">i2")
    outcome = run_decode(DecodeRequest(capture(stored), span_s=(0.0001, 0.0003), hash_wanted=True))
    assert outcome.samples_sha256 == hashlib.sha256(stored[100:300].astype("<i2").tobytes()).hexdigest()


@pytest.mark.parametrize(
    ("settings", "reason"),
    [
        (DecodeSettings(carrier_hz=6e5), "a carrier of 600 kHz is not below half the sample rate of 1 MHz"),
        (DecodeSettings(symbol_rate_bd=6e5), "a symbol rate of 600 kBd is not below half the sample rate"),
        (DecodeSettings(carrier_hz=1e5, modulation="baseband"), "baseband signalling has no carrier"),
        (DecodeSettings(carrier_hz=1e4, symbol_rate_bd=1e5), "less than half a cycle"),
        (DecodeSettings(modulation="tone"), "'tone' is no modulation; choose from bpsk, qpsk"),
        (DecodeSettings(line_code="x"), "'x' is no line code; choose from plain"),
        (DecodeSettings(polarity="x"), "'x' is no polarity; choose from normal"),
        (DecodeSettings(carrier_hz=-1.0), "a carrier of -1 Hz makes no sense"),
        (DecodeSettings(symbol_rate_bd=float("nan")), "a symbol rate of nan Bd makes no sense"),
    ],
)
def test_settings_that_cannot_be_are_refused_before_any_work(decoder, settings, reason):
    with pytest.raises(UsageError, match=reason):
        run_decode(DecodeRequest(capture(np.zeros(100)), settings=settings))
    assert decoder.samples is None


def test_what_the_decoder_refuses_is_a_usage_error(monkeypatch):
    def refuse(*_: Any, **__: Any) -> None:
        raise BadInputError("too odd a rate")

    monkeypatch.setattr(decoding, "decode", refuse)
    with pytest.raises(UsageError, match=r"line\.npy: too odd a rate"):
        run_decode(DecodeRequest(capture(np.zeros(100))))


def test_an_unknown_channel_is_refused(decoder):
    with pytest.raises(UsageError, match="no channel 'C'"):
        run_decode(DecodeRequest(capture(np.zeros(100), np.zeros(100)), "C"))


def test_being_cancelled_comes_out(decoder):
    with pytest.raises(CancelledError):
        run_decode(DecodeRequest(capture(np.zeros(100))), cancelled=lambda: True)


def test_the_range_of_a_channel_is_found_in_blocks_with_scale_and_sign():
    stored = np.zeros(600_000, np.int16)
    stored[123], stored[599_999] = -100, 40
    line = Capture("x", "raw", 1.0, 0.0, (Channel("A", stored, -0.5, 1.0),), (Segment(0, 600_000, 0.0),))
    seen: list[float] = []
    (facts,) = inspect_capture(line, seen.append).channels
    assert (facts.lowest, facts.highest) == (-19.0, 51.0)
    assert seen == [1.0]
    with pytest.raises(CancelledError):
        inspect_capture(line, cancelled=lambda: True)
