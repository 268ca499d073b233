"""``halfturn decode``, ``info`` and ``demo``: what is printed, what is written, the exit status."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from generators.decodes import burst, keyed, refused
from generators.interval_text import write_interval_text

from app.__main__ import main, missing_display
from app.cli.tables import CSV_FIELDS
from app.demo import demo_path
from app.files.capture_options import ReadOptions
from app.jobs import decoding

ROOT = Path(__file__).resolve().parents[2]
DISPLAYS = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")


@pytest.fixture
def found(monkeypatch) -> None:
    monkeypatch.setattr(decoding, "decode", lambda *a, **k: keyed(settings=k["settings"]))


@pytest.fixture
def nothing(monkeypatch) -> None:
    monkeypatch.setattr(decoding, "decode", lambda *a, **k: refused())


@pytest.fixture
def line(tmp_path) -> Path:
    path = tmp_path / "line.csv"
    write_interval_text(path, np.sin(np.arange(2000) / 3.0), 1e6)
    return path


@pytest.fixture
def no_display(monkeypatch) -> None:
    for name in DISPLAYS:
        monkeypatch.delenv(name, raising=False)


def test_the_table_has_bits_uncertainties_and_a_summary(found, line, capsys):
    assert main(["decode", str(line)]) == 0
    shown = capsys.readouterr()
    assert shown.err == ""
    rows = shown.out.splitlines()
    assert rows[0] == f"{line}: channel Line (V), 2000 samples at 1 MHz, span 0 s to 2 ms"
    (row,) = [text for text in rows if text.endswith("1011")]
    for part in ("0.0002100 s", "4+", "800.0(20) mV", "203.7102(35) kHz", "10.00050(25) kBd", "17.5(5) dB"):
        assert f"  {part}  " in row
    assert "The line is keyed by half turns of a carrier (bpsk, probability 0.97)" in shown.out
    assert "because a line at twice the carrier" in shown.out
    assert "note: burst 0: the burst is cut by the end of the span" in shown.out
    assert "do not include the instrument's own time base and gain" in shown.out


def test_json_on_standard_output_is_all_there_is(found, line, capsys):
    assert main(["decode", str(line), "--json", "-", "--carrier", "200k"]) == 0
    shown = capsys.readouterr()
    document = json.loads(shown.out)
    assert shown.err == ""
    assert document["errors"] == []
    (result,) = document["results"]
    assert result["file"] == str(line)
    assert result["settings"]["carrier_hz"] == 200_000.0
    assert result["sha256"] is None
    assert [entry["bits"] for entry in result["bursts"]] == ["1011"]


def test_json_and_rows_in_files_beside_the_table(found, line, tmp_path, capsys):
    (tmp_path / "out.json").write_text("old")
    options = ["--json", str(tmp_path / "out.json"), "--csv", str(tmp_path / "out.csv"), "--hash"]
    assert main(["decode", str(line), *options]) == 0
    assert "1011" in capsys.readouterr().out
    (result,) = json.loads((tmp_path / "out.json").read_text())["results"]
    assert result["sha256"] == hashlib.sha256(line.read_bytes()).hexdigest()
    (row,) = csv.DictReader(io.StringIO((tmp_path / "out.csv").read_text()))
    assert tuple(row) == CSV_FIELDS
    assert (row["file"], row["bits"], row["kind"], row["burst"]) == (str(line), "1011", "bpsk", "0")
    assert float(row["carrier_hz"]) == 203_710.25
    assert float(row["least_confidence"]) == 0.97
    assert sorted(path.name for path in tmp_path.iterdir()) == ["line.csv", "out.csv", "out.json"]


def test_rows_on_standard_output_are_all_there_is(found, line, capsys):
    assert main(["decode", str(line), "--csv", "-"]) == 0
    assert len(list(csv.reader(io.StringIO(capsys.readouterr().out)))) == 2


def test_nothing_found_is_status_1_with_the_reason_and_empty_lists(nothing, line, tmp_path, capsys):
    out = tmp_path / "out.json"
    assert main(["decode", str(line), "--json", str(out)]) == 1
    shown = capsys.readouterr()
    assert shown.err == f"halfturn: {line}: nothing found: no transmission stands out\n"
    (result,) = json.loads(out.read_text())["results"]
    assert result["bursts"] == []
    assert result["refusal"]["code"] == "no-bursts"


def test_of_several_files_the_others_are_done(found, line, tmp_path, capsys):
    gone = tmp_path / "gone.csv"
    assert main(["decode", str(gone), str(line), "--json", "-"]) == 3
    shown = capsys.readouterr()
    document = json.loads(shown.out)
    assert [result["file"] for result in document["results"]] == [str(line)]
    (error,) = document["errors"]
    assert error["file"] == str(gone)
    assert shown.err == f"halfturn: {error['error']}\n"
    assert str(gone) in error["error"]


def test_unreadable_input_is_in_the_errors_all_the_same(tmp_path, capsys):
    out = tmp_path / "out.json"
    assert main(["decode", str(tmp_path / "gone.csv"), "--json", str(out)]) == 3
    document = json.loads(out.read_text())
    assert document["results"] == []
    assert len(document["errors"]) == 1
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize(
    ("options", "reason"),
    [
        (["--span", "1ms:5ms"], "reaches outside"),
        (["--carrier", "600k"], "not below half the sample rate of 1 MHz"),
        (["--channel", "B"], "there is no channel 'B'"),
        (["--channel", "Line +"], "cannot read the expression"),
    ],
)
def test_what_cannot_be_done_is_status_2_and_nothing_is_written(
    found, line, tmp_path, capsys, options, reason
):
    assert main(["decode", str(line), "--json", str(tmp_path / "out.json"), *options]) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.count("\n") == 1
    assert reason in shown.err
    assert "line.csv" in shown.err
    assert [path.name for path in tmp_path.iterdir()] == ["line.csv"]


def test_a_refused_file_does_not_keep_the_others(found, line, tmp_path, capsys):
    longer = tmp_path / "longer.csv"
    write_interval_text(longer, np.zeros(6000), 1e6)
    assert main(["decode", str(line), str(longer), "--span", "1ms:5ms", "--json", "-"]) == 2
    document = json.loads(capsys.readouterr().out)
    assert [result["file"] for result in document["results"]] == [str(longer)]
    assert [error["file"] for error in document["errors"]] == [str(line)]


@pytest.mark.parametrize(
    ("target", "reason"),
    [
        (".", "is a folder"),
        ("no/where.json", "its folder does not exist"),
        ("line.csv", "is one of the inputs"),
    ],
)
def test_a_place_that_cannot_be_written_is_refused_before_any_work(
    found, line, monkeypatch, capsys, target, reason
):
    before = line.read_bytes()
    monkeypatch.chdir(line.parent)
    assert main(["decode", "line.csv", "--json", target]) == 2
    shown = capsys.readouterr()
    assert reason in shown.err
    assert shown.out == ""
    assert line.read_bytes() == before


def test_a_write_that_fails_leaves_the_old_file_whole(found, line, tmp_path, monkeypatch, capsys):
    out = tmp_path / "out.json"
    out.write_text("old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("app.cli.output.os.fsync", full)
    assert main(["decode", str(line), "--json", str(out)]) == 2
    assert "out.json cannot be written (No space left on device)" in capsys.readouterr().err
    assert out.read_text() == "old"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["line.csv", "out.json"]


def test_a_fault_in_the_program_is_one_line(line, monkeypatch, capsys):
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("twisted\npair")

    monkeypatch.setattr(decoding, "decode", broken)
    monkeypatch.delenv("HALFTURN_DEBUG", raising=False)
    assert main(["decode", str(line)]) == 3
    shown = capsys.readouterr().err
    assert shown == (
        f"halfturn: {line}: a fault in the program (RuntimeError: twisted pair); "
        "set HALFTURN_DEBUG=1 to see where\n"
    )
    monkeypatch.setenv("HALFTURN_DEBUG", "1")
    assert main(["decode", str(line)]) == 3
    assert "Traceback" in capsys.readouterr().err


def test_an_interrupt_is_one_line_and_writes_nothing(line, tmp_path, monkeypatch, capsys):
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(decoding, "decode", interrupted)
    assert main(["decode", str(line), "--json", str(tmp_path / "out.json")]) == 130
    assert capsys.readouterr().err == "halfturn: interrupted\n"
    assert not (tmp_path / "out.json").exists()


def test_progress_is_for_terminals(found, line, capsys, monkeypatch):
    main(["decode", str(line), "--json", "-"])
    assert capsys.readouterr().err == ""

    def reporting(*_: object, **told: object):
        told["progress"](0.5)
        return keyed()

    monkeypatch.setattr(decoding, "decode", reporting)
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    monkeypatch.setattr("app.cli.progress._EVERY_S", 0.0)
    main(["decode", str(line), "--json", "-"])
    shown = capsys.readouterr().err
    assert "decoding: 60 %" in shown
    assert shown.endswith("\r\x1b[K")


def test_several_processes_give_the_order_of_the_files(tmp_path, capsys):
    files = []
    for number, count in enumerate((30_000, 500, 700)):
        files.append(tmp_path / f"{number}.csv")
        write_interval_text(files[-1], np.zeros(count), 1e6)
    assert main(["decode", *map(str, files), str(tmp_path / "gone.csv"), "--jobs", "2", "--json", "-"]) == 3
    document = json.loads(capsys.readouterr().out)
    assert [result["file"] for result in document["results"]] == [str(path) for path in files]
    assert [result["samples"] for result in document["results"]] == [30_000, 500, 700]
    assert len(document["errors"]) == 1


def test_a_session_holds_captures_hashes_and_results(found, line, tmp_path, capsys):
    from app.files.session import read_session

    path = tmp_path / "kept.h5"
    options = ["--session", str(path), "--json", "-", "--timebase-ppm", "25", "--gain-percent", "3"]
    assert main(["decode", str(line), *options]) == 0
    (result,) = json.loads(capsys.readouterr().out)["results"]
    data = read_session(path)
    (capture,) = data.captures
    (run,) = data.decodes
    assert capture.sha256 == result["sha256"] == hashlib.sha256(line.read_bytes()).hexdigest()
    assert (capture.timebase_ppm, capture.gain_percent) == (25.0, 3.0)
    assert (run.capture, run.channel, run.span_s) == (0, "Line", (0.0, 0.002))
    # the statistical part alone: the tolerance stays with the capture
    assert run.result.bursts == (burst(),)
    assert data.next_key > run.key


def test_info_tells_and_writes(line, tmp_path, capsys):
    out = tmp_path / "out.json"
    assert main(["info", str(line), "--json", str(out)]) == 0
    shown = capsys.readouterr().out
    assert "2000 a channel in 1 segment\n" in shown
    assert "sample rate  1" in shown
    (entry,) = json.loads(out.read_text())["captures"]
    assert entry["samples"] == 2000
    assert entry["channels"][0]["min"] == pytest.approx(-1.0, abs=0.01)
    assert main(["info", str(tmp_path / "gone.csv"), str(line), "--json", "-"]) == 3
    document = json.loads(capsys.readouterr().out)
    assert (len(document["captures"]), len(document["errors"])) == (1, 1)


def test_the_demo_prints_and_says_that_there_is_no_display(found, no_display, capsys):
    assert main(["demo"]) == 0
    shown = capsys.readouterr()
    assert str(demo_path()) in shown.out
    assert "The line is keyed by half turns of a carrier" in shown.out
    assert shown.err.count("\n") == 1
    assert "no display" in shown.err


@pytest.fixture
def window(monkeypatch) -> list[tuple[list[Path], ReadOptions]]:
    """Stands in for the window and keeps what it was opened with."""
    opened: list[tuple[list[Path], ReadOptions]] = []
    module = ModuleType("app.gui.run")
    module.run_window = lambda files, reading: opened.append((files, reading)) or 0
    monkeypatch.setitem(sys.modules, "app.gui.run", module)
    monkeypatch.setenv("QT_QPA_PLATFORM", "offscreen")
    return opened


def test_the_demo_opens_the_window_on_its_capture(found, window, capsys):
    assert main(["demo"]) == 0
    assert window == [([demo_path()], ReadOptions())]
    assert main(["demo", "--no-window", "--json", "-"]) == 0
    assert len(window) == 1


def test_files_open_in_the_window_with_the_options(window, line, capsys):
    assert main([str(line), str(line.with_name("gone.csv")), "--rate", "2M"]) == 0
    assert window == [([line], ReadOptions(rate_hz=2e6))]
    assert "gone.csv: no such file" in capsys.readouterr().err
    assert main([]) == 0
    assert window[1] == ([], ReadOptions())


def test_without_a_display_the_window_is_refused(no_display, line, capsys):
    assert missing_display() is not None
    assert main([str(line)]) == 2
    shown = capsys.readouterr().err
    assert "no display" in shown
    assert shown.count("\n") == 1


def test_a_reader_that_leaves_is_no_error(line, tmp_path):
    with (tmp_path / "complaint").open("w+b") as complaint:
        with subprocess.Popen(
            [sys.executable, "-m", "app", "info", *[str(line)] * 2000],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=complaint,
        ) as running:
            assert running.stdout.readline().startswith(bytes(line))
            running.stdout.close()
            assert running.wait(30) == 141
        complaint.seek(0)
        assert complaint.read() == b""


def test_output_that_cannot_be_written_is_one_line(line):
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("this system has no /dev/full")
    with full.open("w") as out:
        done = subprocess.run(
            [sys.executable, "-m", "app", "info", str(line)],
            cwd=ROOT,
            stdout=out,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 3
    assert done.stderr.count("\n") == 1
    assert "No space left on device" in done.stderr


def test_an_interrupt_from_the_keyboard_ends_all_processes_quietly(tmp_path):
    files = []
    for number in range(6):
        files.append(str(tmp_path / f"{number}.csv"))
        write_interval_text(Path(files[-1]), np.zeros(30_000), 1e6)
    # whoever runs the tests in the background may have interrupts ignored, and a program inherits that
    heeding = (
        "import runpy, signal; signal.signal(signal.SIGINT, signal.default_int_handler); "
        "runpy.run_module('app', run_name='__main__', alter_sys=True)"
    )
    running = subprocess.Popen(
        [sys.executable, "-c", heeding, "decode", *files * 200, "--jobs", "2"],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert running.stdout.readline().startswith(files[0])
    os.killpg(running.pid, signal.SIGINT)
    try:
        complaint = running.communicate(timeout=30)[1]
    except subprocess.TimeoutExpired:
        # seen once on a loaded machine: an interrupt that meets a worker just starting may have to be repeated
        os.killpg(running.pid, signal.SIGINT)
        try:
            complaint = running.communicate(timeout=30)[1]
        finally:
            if running.poll() is None:
                os.killpg(running.pid, signal.SIGKILL)
                running.communicate()
    assert running.returncode == 130
    assert complaint.splitlines()[-1] == "halfturn: interrupted"
    assert "Traceback" not in complaint
