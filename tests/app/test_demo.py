"""The built-in capture: where it is, what it is made by, and that the program reads it as it was made."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest
from generators.running import halfturn_decode
from generators.scoring import score

import app.demo
from app.demo import demo_path


@pytest.fixture(scope="module")
def maker() -> ModuleType:
    path = Path(__file__).resolve().parents[2] / "assets" / "make_demo.py"
    spec = importlib.util.spec_from_file_location("make_demo", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_path_is_a_file_below_a_megabyte():
    assert demo_path().is_file()
    assert demo_path().stat().st_size < 1_000_000


def test_an_installed_package_finds_the_file_inside_itself(tmp_path, monkeypatch):
    (tmp_path / "app" / "assets").mkdir(parents=True)
    inside = tmp_path / "app" / "assets" / app.demo.NAME
    inside.write_text("x")
    monkeypatch.setattr(app.demo, "__file__", str(tmp_path / "app" / "demo.py"))
    assert demo_path() == inside
    inside.unlink()
    with pytest.raises(FileNotFoundError, match="install it again"):
        demo_path()


def test_the_file_is_what_the_script_makes(maker, tmp_path):
    maker.write(tmp_path / "again.csv")
    made = (tmp_path / "again.csv").read_text().split()
    kept = demo_path().read_text().split()
    # another processor may round one step of the converter the other way
    assert len(made) == len(kept)
    assert sum(a != b for a, b in zip(made, kept, strict=True)) < 10


def test_every_burst_comes_out_as_sent(maker):
    sent = maker.greenhouse_line().bursts
    status, document = halfturn_decode([demo_path()])
    result = document["results"][0]
    assert status == 0
    assert result["sample_rate_hz"] == pytest.approx(maker.RATE_HZ, rel=1e-9)
    assert result["start_s"] == pytest.approx(maker.START_S)
    assert result["unit"] == "V"
    shifted = [
        {**b, **{k: b[k] - maker.START_S for k in ("start_s", "end_s", "first_symbol_s")}}
        for b in result["bursts"]
    ]
    got = score(sent, {**result, "bursts": shifted})
    assert got.complaints() == []
    talkers = {(p.truth.talker, p.found["talker"]) for p in got.pairs}
    assert len(talkers) == len({found for _, found in talkers}) == 3


def test_the_frames_hold_what_was_asked_and_answered(maker):
    # CRC-8 of polynomial 0x07 and zero start, "123456789" gives 0xF4: catalogued check value
    assert maker.check("".join(f"{octet:08b}" for octet in b"123456789")) == f"{0xF4:08b}"
    for burst in maker.greenhouse_line().bursts:
        assert burst.symbols.startswith(maker.SYNC)
        assert maker.check(burst.symbols[len(maker.SYNC) :]) == "0" * 8
