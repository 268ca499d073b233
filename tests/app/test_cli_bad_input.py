"""What cannot be read, or can be read only in part: one line, the exit status, nothing written."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from generators.files import write_text

from app.__main__ import main


def text(content: str) -> Callable[[Path], None]:
    return lambda path: path.write_text(content) and None


def garbage(path: Path) -> None:
    path.write_bytes(np.random.default_rng(1).bytes(5000))


def locked(path: Path) -> None:
    path.write_text("0,1\n1,2\n")
    path.chmod(0)
    if os.access(path, os.R_OK):
        pytest.skip("this user may read everything")


def dangling(path: Path) -> None:
    path.symlink_to(path.with_name("nowhere"))


UNREADABLE = {
    "missing": ("gone.csv", lambda path: None, "gone.csv"),
    "empty": ("line.csv", text(""), "empty"),
    "blank": ("line.csv", text("\n\n  \n"), "line.csv"),
    "folder": ("line.csv", Path.mkdir, "folder|directory"),
    "locked": ("line.csv", locked, "ermission"),
    "dangling": ("line.csv", dangling, "line.csv"),
    "garbage": ("line.csv", garbage, "line.csv"),
    "garbage wav": ("line.wav", garbage, "line.wav"),
    "garbage npy": ("line.npy", garbage, "line.npy"),
    "words": ("line.csv", text("the vent\nmotor is\nnot turning\n"), "number"),
    "no rate": ("line.csv", text("1.5\n2.5\n3.5\n4.5\n5.5\n"), "rate"),
    "ragged": ("line.csv", text("t,A,B\ns,V,V\n0,1,2\n1,2,3\n2,3\n3,4,5\n4,5,6\n"), "row 5|line 5"),
    "raw without a type": ("line.raw", garbage, "--dtype"),
    "damaged session": (
        "line.h5",
        lambda path: path.write_bytes(b"\x89HDF\r\n\x1a\n" + bytes(200)) and None,
        "line.h5",
    ),
}


@pytest.mark.parametrize("command", ["info", "decode", "measure"])
@pytest.mark.parametrize("case", UNREADABLE)
def test_unreadable_input(command, case, tmp_path, monkeypatch, capsys):
    name, make, reason = UNREADABLE[case]
    monkeypatch.chdir(tmp_path)
    make(Path(name))
    before = sorted(tmp_path.iterdir())
    assert main([command, name]) == 3
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.startswith(f"halfturn: {name}")
    assert shown.err.count("\n") == 1
    assert "Traceback" not in shown.err
    assert any(word in shown.err for word in reason.split("|")), shown.err
    assert sorted(tmp_path.iterdir()) == before


def write_with(value: float, path: Path) -> None:
    samples = np.sin(np.arange(3000) / 3.0)
    samples[700:703] = value
    write_text(path, samples, 1e6)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_a_value_that_is_no_number_is_counted(value, tmp_path, capsys):
    write_with(value, tmp_path / "line.csv")
    assert main(["info", str(tmp_path / "line.csv"), "--json", "-"]) == 0
    (entry,) = json.loads(capsys.readouterr().out)["captures"]
    assert [notice["count"] for notice in entry["warnings"] if notice["first_sample"] == 700] == [3]
    assert entry["channels"][0]["max"] == pytest.approx(1.0, abs=0.01)


def test_decoding_skips_what_is_no_number_and_says_so(tmp_path, capsys):
    write_with(np.nan, tmp_path / "line.csv")
    assert main(["decode", str(tmp_path / "line.csv"), "--json", "-"]) in (0, 1)
    (result,) = json.loads(capsys.readouterr().out)["results"]
    (skipped,) = [notice for notice in result["warnings"] if notice["code"] == "not-finite-skipped"]
    assert (skipped["count"], skipped["first_sample"]) == (3, 700)
    assert "nothing is decoded there" in skipped["text"]


def test_nothing_but_values_that_are_no_numbers(tmp_path, capsys):
    path = tmp_path / "line.npy"
    np.save(path, np.full(500, np.nan))
    assert main(["decode", str(path), "--rate", "1M", "--json", "-"]) == 1
    shown = capsys.readouterr()
    (result,) = json.loads(shown.out)["results"]
    assert result["refusal"]["code"] == "no-usable-samples"
    assert "nothing found" in shown.err


def test_a_cell_that_is_no_number_is_told_with_its_row(tmp_path, capsys):
    path = tmp_path / "line.csv"
    path.write_text("t,A\ns,V\n0,1\n1,2\n2,three\n3,4\n")
    assert main(["info", str(path)]) == 0
    assert "row 5 ('three')" in capsys.readouterr().out
