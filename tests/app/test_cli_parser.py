"""The command line read into values, and refused in one line."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from app.__main__ import main
from app.cli.parser import COMMANDS, parse
from app.cli.settings_file import settings_of
from app.errors import UsageError
from dsp.results import DecodeSettings


@pytest.mark.parametrize(
    ("text", "limits"),
    [
        ("1.2ms:3.4ms", (0.0012, 0.0034)),
        (":3ms", (None, 0.003)),
        ("1ms:", (0.001, None)),
        (":", (None, None)),
        ("-1ms:2us", (-0.001, 2e-6)),
        ("0:1", (0.0, 1.0)),
        ("1m:2m", (0.001, 0.002)),
        ("1 ms : 2 ms", (0.001, 0.002)),
    ],
)
def test_spans_with_prefixes_and_open_ends(text, limits):
    assert parse(["decode", "x", "--span", text]).span == limits
    assert parse(["decode", f"--span={text}", "x"]).span == limits


def test_numbers_with_prefixes_and_units():
    given = parse(
        ["decode", "--rate", "2.5M", "a", "--carrier", "412.37kHz", "b", "--symbol-rate", "9600", "c"]
    )
    assert (given.rate, given.carrier, given.symbol_rate) == (2.5e6, 412_370.0, 9600.0)
    assert given.files == [Path("a"), Path("b"), Path("c")]
    assert parse(["decode", "x", "--symbol-rate", "500kBd", "--offset", "-2.5m"]).offset == -0.0025


def test_planar_and_interleaved_exclude_each_other():
    assert parse(["info", "x"]).interleaved is True
    assert parse(["info", "x", "--planar"]).interleaved is False
    with pytest.raises(UsageError, match="not allowed with"):
        parse(["info", "x", "--planar", "--interleaved"])


def test_files_without_a_command_are_for_the_window():
    given = parse(["a.csv", "--rate", "1k", "b.csv"])
    assert given.command == "window"
    assert given.files == [Path("a.csv"), Path("b.csv")]
    assert parse([]).files == []


@pytest.mark.parametrize(
    ("argv", "reason"),
    [
        (["decode"], "required: FILE"),
        (["decode", "x", "--span", "3ms:1ms"], "ends before it starts"),
        (["decode", "x", "--span", "1ms:1ms"], "ends before it starts"),
        (["decode", "x", "--span", "3ms"], "must be START:END"),
        (["decode", "x", "--span", "1:2:3"], "must be START:END"),
        (["decode", "x", "--span", "1:two"], "'two' is not a number"),
        (["decode", "x", "--rate", "0"], "'0' must be more than zero"),
        (["decode", "x", "--rate", "-1M"], "'-1M' must be more than zero"),
        (["decode", "x", "--rate", "fast"], "'fast' is not a number; write a number such as 412k"),
        (["decode", "x", "--rate", "1e30"], "makes no sense"),
        (["decode", "x", "--carrier", "1e999"], "too large"),
        (["decode", "x", "--carrier", "1MV"], "no SI prefix"),
        (["decode", "x", "--modulation", "morse"], "'bpsk'?, '?qpsk"),
        (["decode", "x", "--line-code", "x"], "'?plain'?, '?differential"),
        (["decode", "x", "--jobs", "0"], "whole number of 1 or more"),
        (["decode", "x", "--timebase-ppm", "-3"], "must not be negative"),
        (["decode", "x", "--sp", "1:2"], "unrecognized arguments"),
        (["decode", "x", "--carrier", "1k", "--modulation", "baseband"], "has no carrier"),
        (["decode", "x", "--carrier", "1k", "--symbol-rate", "9600"], "less than half a cycle"),
        (["decode", "x", "--json", "-", "--csv", "-"], "two results are to go to the same place"),
        (["info", "x", "--hash"], "unrecognized arguments: --hash"),
        (["--nonsense"], "unrecognized arguments: --nonsense"),
        (["decod"], "neither a command nor a file"),
    ],
)
def test_wrong_usage_is_one_line_and_status_2(argv, reason, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(argv) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.startswith("halfturn: ")
    assert shown.err.count("\n") == 1
    assert shown.err.endswith("\n")
    assert re.search(reason, shown.err)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("argv", [["--help"], ["decode", "-h"], ["info", "--help"], ["demo", "--help"]])
def test_help_is_on_standard_output(argv, capsys):
    assert main(argv) == 0
    shown = capsys.readouterr()
    assert shown.out.startswith("usage: halfturn")
    assert shown.err == ""


def test_help_names_every_command_and_the_exit_statuses(capsys):
    main(["--help"])
    shown = capsys.readouterr().out
    assert all(f"\n  {name} " in shown for name in COMMANDS)
    assert "3 unreadable input" in shown


def test_the_version_has_a_number(capsys):
    assert main(["--version"]) == 0
    name, number = capsys.readouterr().out.split()
    assert name == "halfturn"
    assert number[0].isdigit()


def settings_from(path: Path, *options: str):
    return settings_of(parse(["decode", "x", "--settings", str(path), *options]))


def test_settings_are_read_from_a_file_and_options_go_before(tmp_path):
    path = tmp_path / "kept.json"
    path.write_text('{"carrier_hz": 412370, "line_code": "differential", "timebase_ppm": 25}')
    assert settings_from(path) == (
        DecodeSettings(carrier_hz=412_370, line_code="differential"),
        25,
        None,
    )
    settings, ppm, gain = settings_from(
        path, "--line-code", "plain", "--timebase-ppm", "5", "--gain-percent", "2"
    )
    assert settings == DecodeSettings(carrier_hz=412_370, line_code="plain")
    assert (ppm, gain) == (5, 2)


def test_settings_are_found_in_what_decode_wrote(tmp_path):
    path = tmp_path / "before.json"
    kept = {"carrier_hz": None, "symbol_rate_bd": 9600.0, "polarity": "inverted", "gain_percent": None}
    path.write_text(json.dumps({"schema": 1, "results": [{"file": "x", "settings": kept}]}))
    assert settings_from(path)[0] == DecodeSettings(symbol_rate_bd=9600.0, polarity="inverted")
    path.write_text(json.dumps({"schema": 1, "results": []}))
    with pytest.raises(UsageError, match="not exactly one result"):
        settings_from(path)


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        ("{", "this is no JSON"),
        ("[1]", "this holds no settings"),
        ('{"carier_hz": 1}', "'carier_hz' is no setting; choose from carrier_hz"),
        ('{"carrier_hz": "1k"}', "give a number"),
        ('{"carrier_hz": true}', "give a number"),
        ('{"carrier_hz": NaN}', "give a number"),
        ('{"carrier_hz": 0}', "makes no sense"),
        ('{"gain_percent": -1}', "give a number"),
        ('{"modulation": 3}', "give a text"),
        ('{"modulation": "morse"}', "'morse' is no modulation"),
        ('{"carrier_hz": 1e3, "modulation": "pulses"}', "has no carrier"),
        ("[" * 100_000, "this is no JSON"),
    ],
)
def test_a_settings_file_that_cannot_be_used_is_refused(tmp_path, content, reason):
    path = tmp_path / "kept.json"
    path.write_text(content)
    with pytest.raises(UsageError, match=reason):
        settings_from(path)


def test_a_settings_file_that_is_missing_is_refused(tmp_path):
    with pytest.raises(UsageError, match=r"gone\.json: the settings cannot be read"):
        settings_from(tmp_path / "gone.json")
