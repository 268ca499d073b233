"""``halfturn measure``: readings with their uncertainty."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from generators.decodes import burst, capture, keyed, refused
from generators.interval_text import write_interval_text

from app.__main__ import main
from app.errors import UsageError
from app.jobs import decoding
from app.jobs.decoding import DecodeRequest
from app.jobs.measuring import run_measure
from app.model.capture import Segment
from dsp.results import Decode, DecodeSettings, Signalling

ENTRY = [
    "file",
    "sample_rate_hz",
    "start_s",
    "samples",
    "channel",
    "unit",
    "span_s",
    "settings",
    "warnings",
    "signalling",
    "readings",
]


@pytest.fixture
def line(tmp_path) -> Path:
    path = tmp_path / "line.csv"
    noise = np.random.default_rng(3).normal(0, 0.01, 4000)
    write_interval_text(path, 24.0 + np.sin(2 * np.pi * 0.0371 * np.arange(4000)) + noise, 1e6)
    return path


def decoder(monkeypatch, decode: Decode) -> None:
    monkeypatch.setattr(decoding, "decode", lambda *a, **k: decode)


def readings_of(capsys) -> dict[str, dict]:
    (entry,) = json.loads(capsys.readouterr().out)["measurements"]
    assert list(entry) == ENTRY
    return {reading["name"]: reading for reading in entry["readings"]}


def test_readings_have_value_unit_and_uncertainty(line, monkeypatch, capsys):
    decoder(monkeypatch, keyed())
    assert main(["measure", str(line), "--span", "1ms:3ms", "--json", "-"]) == 0
    found = readings_of(capsys)
    assert found["mean"]["value"] == pytest.approx(24.0, abs=0.02)
    assert found["mean"]["count"] == 2000
    assert found["mean"]["std"] == pytest.approx(0.01 / math.sqrt(2000), rel=0.3)
    assert found["peak_to_peak"]["value"] == pytest.approx(2.0, abs=0.1)
    assert found["noise"]["value"] == pytest.approx(0.01, rel=0.3)
    assert (found["carrier"]["value"], found["carrier"]["std"]) == (203_710.25, 3.5)
    assert found["carrier"]["count"] == 81
    assert found["symbol_period"]["value"] == pytest.approx(1 / 10_000.5)
    assert found["symbol_period"]["std"] == pytest.approx(0.25 / 10_000.5**2)
    assert (found["symbol_period"]["unit"], found["symbol_period"]["count"]) == ("s", 4)
    assert found["amplitude_talker_0"]["value"] == 0.8


def test_the_instruments_part_is_apart_and_combined(line, monkeypatch, capsys):
    decoder(monkeypatch, keyed())
    main(["measure", str(line), "--json", "-", "--timebase-ppm", "50", "--gain-percent", "2"])
    found = readings_of(capsys)
    part = 203_710.25 * 50e-6 / math.sqrt(3)
    assert found["carrier"]["tolerance_std"] == pytest.approx(part)
    assert found["carrier"]["statistical_std"] == 3.5
    assert found["carrier"]["std"] == pytest.approx(math.hypot(3.5, part))
    assert found["mean"]["tolerance_std"] == pytest.approx(24 * 0.02 / math.sqrt(3), rel=1e-3)


def test_the_table_is_for_people(line, monkeypatch, capsys):
    decoder(monkeypatch, keyed(burst(talker=None)))
    assert main(["measure", str(line)]) == 0
    shown = capsys.readouterr().out
    assert "  carrier        203.7102(35) kHz over 81 cycles\n" in shown
    assert "  symbol period  99.9950(25) µs over 4 symbols\n" in shown
    assert "  amplitude      800.0(20) mV\n" in shown


def test_a_bare_tone_has_a_carrier_and_no_symbols(line, monkeypatch, capsys):
    decoder(monkeypatch, Decode(DecodeSettings(), Signalling("tone", 0.99), ()))
    assert main(["measure", str(line)]) == 0
    shown = capsys.readouterr().out
    (carrier,) = [row for row in shown.splitlines() if row.startswith("  carrier")]
    assert float(carrier.split()[1].partition("(")[0]) == pytest.approx(37.1, abs=0.001)
    assert "no symbol period: the signalling is tone" in shown


def test_what_is_not_there_is_said(line, monkeypatch, capsys):
    decoder(monkeypatch, refused())
    assert main(["measure", str(line)]) == 0
    assert "no carrier or symbol period: no transmission stands out" in capsys.readouterr().out


def test_nothing_is_measured_across_segments(monkeypatch):
    decoder(monkeypatch, keyed())
    line = capture(np.zeros(300), segments=(Segment(0, 100, 0.0), Segment(100, 300, 0.01)))
    with pytest.raises(UsageError, match="covers 2 segments"):
        run_measure(DecodeRequest(line))
    assert run_measure(DecodeRequest(line, span_s=(0.01, None))).readings


def test_a_span_without_a_number_is_refused(monkeypatch):
    decoder(monkeypatch, refused())
    with pytest.raises(UsageError, match="no finite sample"):
        run_measure(DecodeRequest(capture(np.full(50, np.nan))))
