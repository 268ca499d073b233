"""The JSON field by field against the contract, written down here once more by hand."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from generators.decodes import burst, capture, keyed, refused

from app.jobs import decoding
from app.jobs.contract import decode_document, decode_entry, error_entry, info_document, info_entry, to_text
from app.jobs.decoding import DecodeOutcome, DecodeRequest, run_decode
from app.jobs.inspecting import inspect_capture
from app.model.capture import NamedSpan
from dsp.results import Character, DecodeSettings, Notice

NUMBER = (int, float)
SIGNALLING = {"kind": str, "probability": float, "alternatives": list, "reasons": list}
WARNING = {"code": str, "count": int, "first_sample": (int, type(None)), "text": str}
RESULT = {
    "file": str,
    "sha256": (str, type(None)),
    "sample_rate_hz": NUMBER,
    "start_s": NUMBER,
    "samples": int,
    "channel": str,
    "unit": str,
    "span_s": list,
    "settings": dict,
    "warnings": list,
    "refusal": (dict, type(None)),
    "signalling": dict,
    "bursts": list,
}
BURST = {
    "start_s": NUMBER,
    "end_s": NUMBER,
    "start_probability": NUMBER,
    "end_probability": NUMBER,
    "cut_at_start": bool,
    "cut_at_end": bool,
    "talker": int,
    "amplitude": NUMBER,
    "amplitude_std": NUMBER,
    "carrier_hz": NUMBER,
    "carrier_std_hz": NUMBER,
    "symbol_rate_bd": NUMBER,
    "symbol_rate_std_bd": NUMBER,
    "symbol_rate_alternatives_bd": list,
    "cycles_per_symbol": NUMBER,
    "esn0_db": NUMBER,
    "esn0_std_db": NUMBER,
    "first_symbol_s": NUMBER,
    "flips_s": list,
    "flips_interval_s": list,
    "bits_per_symbol": int,
    "symbols": str,
    "confidence": list,
    "line_code": str,
    "bits": str,
    "characters": type(None),
    "warnings": list,
}
INFO = {
    "file": str,
    "format": str,
    "sample_rate_hz": NUMBER,
    "sample_rate_std_hz": type(None),
    "start_s": NUMBER,
    "samples": int,
    "segments": int,
    "channels": list,
    "warnings": list,
}


def outcome_of(monkeypatch, decode, **request) -> DecodeOutcome:
    monkeypatch.setattr(decoding, "decode", lambda *a, **k: decode)
    line = request.pop("line", None) or capture(np.arange(1000, dtype=np.int16), start_s=-0.0002)
    return run_decode(DecodeRequest(line, **request))


def strictly(document) -> dict:
    """Through text and back, where anything that is not strict JSON fails."""

    def refuse(constant: str) -> None:
        raise AssertionError(constant)

    return json.loads(to_text(document), parse_constant=refuse)


def assert_fields(found: dict, wanted: dict) -> None:
    assert list(found) == list(wanted)
    for name, kind in wanted.items():
        assert isinstance(found[name], kind), (name, found[name])


def test_every_field_of_a_decode_is_there_in_order(monkeypatch):
    outcome = outcome_of(monkeypatch, keyed(), span_s=(-0.0001, 0.0007))
    document = strictly(
        decode_document("1.2.3", [decode_entry("a/b.csv", "ab12", outcome)], [error_entry("c", "gone")])
    )
    assert list(document) == ["halfturn", "schema", "results", "errors"]
    assert (document["halfturn"], document["schema"]) == ("1.2.3", 1)
    assert document["errors"] == [{"file": "c", "error": "gone"}]
    (result,) = document["results"]
    assert_fields(result, RESULT)
    assert result["file"] == "a/b.csv"
    assert result["sha256"] == "ab12"
    assert result["sample_rate_hz"] == 1e6
    assert result["start_s"] == -0.0002
    assert result["samples"] == 1000
    assert (result["channel"], result["unit"]) == ("A", "V")
    assert result["span_s"] == [-0.0001, 0.0007]
    assert result["settings"] == {
        "carrier_hz": None,
        "symbol_rate_bd": None,
        "modulation": None,
        "line_code": None,
        "polarity": "normal",
        "timebase_ppm": None,
        "gain_percent": None,
    }
    assert result["refusal"] is None
    assert_fields(result["warnings"][0], WARNING)
    assert_fields(result["signalling"], SIGNALLING)
    assert result["signalling"]["alternatives"] == [{"kind": "qpsk", "probability": 0.02}]
    (entry,) = result["bursts"]
    assert_fields(entry, BURST)
    assert {name: entry[name] for name in BURST} == {
        "start_s": 0.00021,
        "end_s": 0.00061,
        "start_probability": 0.98,
        "end_probability": 0.95,
        "cut_at_start": False,
        "cut_at_end": True,
        "talker": 0,
        "amplitude": 0.8,
        "amplitude_std": 0.002,
        "carrier_hz": 203710.25,
        "carrier_std_hz": 3.5,
        "symbol_rate_bd": 10000.5,
        "symbol_rate_std_bd": 0.25,
        "symbol_rate_alternatives_bd": [20001.0],
        "cycles_per_symbol": 20.37,
        "esn0_db": 17.5,
        "esn0_std_db": 0.5,
        "first_symbol_s": 0.00021,
        "flips_s": [0.00031, 0.00041],
        "flips_interval_s": [[0.0003, 0.00032], [0.0004, 0.00042]],
        "bits_per_symbol": 1,
        "symbols": "1011",
        "confidence": [0.999, 0.99, 0.97, 1.0],
        "line_code": "plain",
        "bits": "1011",
        "characters": None,
        "warnings": ["the burst is cut by the end of the span"],
    }


def test_a_refusal_has_empty_lists_and_its_reason(monkeypatch):
    result = strictly(decode_entry("a", None, outcome_of(monkeypatch, refused())))
    assert_fields(result, RESULT)
    assert result["bursts"] == []
    assert result["refusal"] == {"code": "no-bursts", "text": "no transmission stands out"}


def test_start_stop_characters_are_written_out(monkeypatch):
    told = keyed(burst(characters=(Character(0.00021, 0x5A, None, True),)))
    (entry,) = strictly(decode_entry("a", None, outcome_of(monkeypatch, told)))["bursts"]
    assert entry["characters"] == [{"start_s": 0.00021, "value": 90, "parity_ok": None, "stop_ok": True}]


def test_what_is_not_finite_is_null_and_numpy_numbers_are_numbers(monkeypatch):
    odd = keyed(
        burst(
            esn0_db=math.nan,
            carrier_std_hz=math.inf,
            flips_s=(np.float64(0.1), -math.inf),
            talker=np.int64(2),
            cut_at_start=np.bool_(True),
        )
    )
    (entry,) = strictly(decode_entry("a", None, outcome_of(monkeypatch, odd)))["bursts"]
    assert (entry["esn0_db"], entry["carrier_std_hz"]) == (None, None)
    assert entry["flips_s"] == [0.1, None]
    assert entry["talker"] == 2
    assert entry["cut_at_start"] is True


def test_numbers_keep_all_their_digits(monkeypatch):
    exact = 203_710.123_456_789_01
    (entry,) = strictly(decode_entry("a", None, outcome_of(monkeypatch, keyed(burst(carrier_hz=exact)))))[
        "bursts"
    ]
    assert entry["carrier_hz"] == exact


def test_uncertainties_contain_the_stated_tolerance(monkeypatch):
    line = capture(np.zeros(1000, np.int16), timebase_ppm=100.0, gain_percent=3.0, rate_std_hz=2.0)
    result = strictly(decode_entry("a", None, outcome_of(monkeypatch, keyed(), line=line)))
    (entry,) = result["bursts"]
    common = math.hypot(100e-6 / math.sqrt(3), 2e-6)
    assert entry["carrier_std_hz"] == pytest.approx(math.hypot(3.5, 203_710.25 * common))
    assert entry["symbol_rate_std_bd"] == pytest.approx(math.hypot(0.25, 10_000.5 * common))
    assert entry["amplitude_std"] == pytest.approx(math.hypot(0.002, 0.8 * 0.03 / math.sqrt(3)))
    assert result["settings"]["timebase_ppm"] == 100.0
    assert result["settings"]["gain_percent"] == 3.0


def test_the_settings_in_force_are_those_of_the_result(monkeypatch):
    told = keyed(settings=DecodeSettings(carrier_hz=203_710.0, line_code="differential"))
    settings = strictly(decode_entry("a", None, outcome_of(monkeypatch, told)))["settings"]
    assert settings["carrier_hz"] == 203_710.0
    assert settings["line_code"] == "differential"


def test_every_field_of_info_is_there_in_order():
    values = np.array([-2.0, np.nan, 3.0, np.inf], np.float32)
    line = capture(values, np.array([7, -8, 1, 1], np.int8), warnings=(Notice("nan", "one", 1, 1),))
    document = strictly(info_document("1.2.3", [info_entry("a", inspect_capture(line))], []))
    assert list(document) == ["halfturn", "schema", "captures", "errors"]
    (entry,) = document["captures"]
    assert_fields(entry, INFO)
    named = replace(line, spans=(NamedSpan("vent", 0.0, 1e-6),))
    with_spans = strictly(info_entry("a", inspect_capture(named)))
    assert with_spans.pop("spans") == [{"name": "vent", "start_s": 0.0, "end_s": 1e-6}]
    assert_fields(with_spans, INFO)
    assert entry["channels"] == [
        {"name": "A", "unit": "V", "min": -2.0, "max": 3.0},
        {"name": "B", "unit": "V", "min": -8.0, "max": 7.0},
    ]
    assert entry["warnings"] == [{"code": "nan", "count": 1, "first_sample": 1, "text": "one"}]
    assert entry["samples"] == 4


def test_a_channel_without_a_finite_sample_has_no_range():
    entry = strictly(info_entry("a", inspect_capture(capture(np.full(3, np.nan)))))
    assert entry["channels"] == [{"name": "A", "unit": "V", "min": None, "max": None}]
