"""What README and DEVELOPERS say of sessions, held against the program."""

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
from generators.sessions import version_1, version_2

from app.files.schema_table import layout
from app.files.session import read_session, write_session
from app.model.items import BurstMark, Pin, SessionData

ROOT = Path(__file__).parents[2]
ROWS = [row for row in layout()]


def with_marks() -> SessionData:
    """A session that has something of everything."""
    data = version_2()
    key = data.next_key
    return replace(
        data,
        next_key=key + 4,
        burst_marks=(
            BurstMark(key, 0, "line", 1e-3, "request"),
            BurstMark(key + 1, 0, "line", 2e-3, "", True),
        ),
        pins=(
            Pin(key + 2, 0, "night", "frequency", "A to B", 412.37e3, 40.0, "Hz"),
            Pin(key + 3, 1, "", "flips", "Selected span", 3.0, None, ""),
        ),
    )


def test_names_of_bursts_and_pinned_readings_come_back_as_they_were(tmp_path: Path) -> None:
    data = with_marks()
    write_session(tmp_path / "s.h5", data)
    again = read_session(tmp_path / "s.h5")
    assert again.burst_marks == data.burst_marks
    assert again.pins == data.pins


def table() -> str:
    lines = ["| path | type | unit | meaning |", "| --- | --- | --- | --- |"]
    lines += [f"| `{path}` | {kind} | {unit} | {meaning} |" for path, kind, unit, meaning in ROWS]
    return "\n".join(lines)


def test_developers_describes_the_layout_as_it_is() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    found = re.search(r"<!-- layout -->\n(.*)\n<!-- end of layout -->", text, re.S)
    assert found is not None
    assert found[1] == table()


def names_in(path: Path) -> set[str]:
    """Everything in a file, written as in the layout, numbers as N."""
    found: set[str] = set()

    def add(name: str, thing: h5py.Group | h5py.Dataset) -> None:
        plain = "/" + re.sub(r"(?<=/)\d+", "N", name) if name else ""
        found.update(f"{plain or '/'}@{attribute}" for attribute in thing.attrs)
        if isinstance(thing, h5py.Dataset):
            found.add(plain)
            found.update(f"{plain}.{column}" for column in thing.dtype.names or ())

    with h5py.File(path) as file:
        add("", file)
        file.visititems(add)
    return found


def test_a_session_holds_what_the_layout_names_and_nothing_else(tmp_path: Path) -> None:
    write_session(tmp_path / "s.h5", with_marks())
    named = {path for path, *_ in ROWS}
    # a session whose captures are all embedded has no link, and these have nothing derived and nothing told
    told = {f"/captures/N@file_{name}" for name in ("dtype", "channels", "skip", "planar")}
    assert names_in(tmp_path / "s.h5") == named - {"/captures/N@link", "/captures/N@derived"} - told


def test_the_layout_names_a_unit_or_says_that_there_is_none() -> None:
    units = {path: unit for path, _, unit, _ in ROWS}
    assert {units[path] for path in units if path.endswith("_s")} == {"s"}
    assert {units[path] for path in units if path.endswith("_hz")} == {"Hz"}
    assert {units[path] for path in units if path.endswith("_bd")} == {"Bd"}


def python_in_readme() -> list[str]:
    return re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.S)


def test_five_lines_of_h5py_read_a_session(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (lines,) = [block for block in python_in_readme() if "h5py" in block]
    assert len(lines.splitlines()) == 5
    data = version_1()
    write_session(tmp_path / "greenhouse.h5", data)
    monkeypatch.chdir(tmp_path)
    found: dict[str, object] = {}
    exec(compile(lines, "README.md", "exec"), found)
    channel = data.captures[0].channels[0]
    np.testing.assert_array_equal(found["volts"], channel.stored * 0.01 + 24.0)
    assert found["bits"] == "110" + "0101010101"
    session = found["session"]
    assert session["decodes/0/bursts"]["bits_end"].tolist() == [3, 13]
    session.close()


@pytest.mark.skipif(shutil.which("h5dump") is None, reason="needs h5dump of the HDF5 tools")
def test_h5dump_reads_every_value(tmp_path: Path) -> None:
    """A reader that is not h5py, of another build of the library."""
    write_session(tmp_path / "s.h5", version_1())
    dumped = subprocess.run(
        ["h5dump", str(tmp_path / "s.h5")], capture_output=True, text=True, check=True
    ).stdout
    for said in ("halfturn-session", "vent 2 told to open", "1.25e+06", "answer of node 2", '"1", "1", "0"'):
        assert said in dumped, said
    samples = subprocess.run(
        ["h5dump", "-d", "/captures/0/channels/0/samples", "-y", "-w", "0", str(tmp_path / "s.h5")],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    found = [int(n) for n in re.findall(r"-?\d+", samples.split("DATA {")[1].split("}")[0])]
    assert found == version_1().captures[0].channels[0].stored.tolist()
