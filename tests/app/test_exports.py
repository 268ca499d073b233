"""Each export, read back by something else than our own reader."""

import csv
import io
import json
import wave
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import polars
import pytest
import scipy.io.wavfile
import sigmf
from generators.decodes import BURST, keyed
from generators.sessions import version_1

from app.__main__ import main
from app.demo import demo_path
from app.errors import UsageError
from app.files.captures import open_capture
from app.files.session import write_session
from app.jobs.contract import BURST_FIELDS
from app.model.capture import Capture, Channel, Segment
from app.model.items import Cursor, DecodeRun, FlipMark, Note, SessionData, SpanMark
from app.report.exports import BIT_FIELDS, ENDINGS, ExportRequest, export

RATE_HZ = 1e6
CODES = (np.arange(2000) * 37 % 201 - 100).astype("<i2")
WIDE = np.linspace(-1.0, 1.0, 2000)
BURSTS = [
    replace(
        BURST,
        start_s=s,
        end_s=s + 4e-4,
        first_symbol_s=s,
        flips_s=(s + 1e-4,),
        flips_interval_s=((s, s),),
        talker=n,
    )
    for n, s in enumerate((0.0012, 0.0018))
]


@pytest.fixture
def data() -> SessionData:
    """Two channels in two segments, two bursts and one mark of each kind; times begin at 1 ms."""
    capture = Capture(
        "line.npy",
        "npy",
        RATE_HZ,
        0.001,
        (Channel("A", CODES, 0.01, 24.0), Channel('hot, "B"', WIDE, unit="A")),
        (Segment(0, 1200, 0.001), Segment(1200, 2000, 0.005)),
        label="vent 2, told to open",
    )
    return SessionData(
        captures=(capture,),
        cursors=(Cursor(1, 0, "A", 0.0011),),
        spans=(SpanMark(2, 0, "answer", 0.0012, 0.0016),),
        flips=(FlipMark(3, 0, BURSTS[0].start_s + 3e-4),),
        notes=(Note(4, 0, 0.0015, 'two\nlines, "quoted"'), Note(5, None, None, "all quiet")),
        decodes=(DecodeRun(6, 0, "A", (0.001, 0.0022), "0.1.0", "", keyed(*BURSTS)),),
        next_key=9,
    )


def write(data: SessionData, path: Path, what: str, **asked: Any) -> list[Path]:
    return list(export(data, ExportRequest(what, path, **asked), "1"))


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_bits_as_rows_and_as_json(data: SessionData, tmp_path: Path) -> None:
    write(data, tmp_path / "b.csv", "bits")
    write(data, tmp_path / "b.json", "bits")
    table = rows(tmp_path / "b.csv")
    assert list(table[0]) == list(BIT_FIELDS)
    assert [row["bits"] for row in table] == ["1011", "1011"]
    assert [row["bits_by_hand"] for row in table] == [
        "1010",
        "",
    ]  # the flip set at the third edge turns the rest
    assert float(table[1]["start_s"]) == BURSTS[1].start_s
    assert table[0]["label"] == "vent 2, told to open"
    said = json.loads((tmp_path / "b.json").read_text())["bits"]
    assert [entry["bits_by_hand"] for entry in said] == ["1010", None]
    assert [str(entry["talker"]) for entry in said] == [row["talker"] for row in table]


def test_bursts_have_the_fields_of_the_decode(data: SessionData, tmp_path: Path) -> None:
    write(data, tmp_path / "b.json", "bursts")
    write(data, tmp_path / "b.csv", "bursts")
    said = json.loads((tmp_path / "b.json").read_text())["bursts"]
    assert set(BURST_FIELDS) < set(said[0])
    assert said[1]["confidence"] == list(BURST.confidence)
    table = rows(tmp_path / "b.csv")
    for row, entry in zip(table, said, strict=True):
        assert float(row["carrier_hz"]) == entry["carrier_hz"]
        assert row["symbols"] == entry["symbols"]


def test_marks_as_rows(data: SessionData, tmp_path: Path) -> None:
    write(data, tmp_path / "m.csv", "marks")
    table = [tuple(row.values()) for row in rows(tmp_path / "m.csv")]
    assert table == [
        ("note", "", "", "", "all quiet"),
        ("cursor", "line.npy", "0.0011", "", "A"),
        ("span", "line.npy", "0.0012", "0.0016", "answer"),
        ("flip", "line.npy", repr(BURSTS[0].start_s + 3e-4), "", ""),
        ("note", "line.npy", "0.0015", "", 'two\nlines, "quoted"'),
    ]


def expected(first: int, last: int) -> np.ndarray:
    return np.stack([CODES * 0.01 + 24.0, WIDE], axis=1)[first:last]


FORMULAS = (
    "=1+1",
    "+1+1",
    "-1+1",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    "  =1",
    "＝1+1",
    "a;=1+1",
    "a\n@b",
    "-2+3+cmd|' /C x'!A0",
)
PLAIN = ("-5", "+3.2e5", "-12.5(4) mV", "vent 2 = open", "a-b", "", "µ", "x@y")


@pytest.mark.parametrize("text", FORMULAS)
def test_no_text_of_others_is_a_formula_in_a_spreadsheet(
    data: SessionData, tmp_path: Path, text: str
) -> None:
    """CWE-1236, Improper Neutralization of Formula Elements in a CSV File: an apostrophe before it."""
    capture = replace(data.captures[0], name=text, label=text)
    capture = replace(capture, channels=(replace(capture.channels[0], name=text), capture.channels[1]))
    hostile = replace(
        data,
        captures=(capture,),
        notes=(Note(4, 0, None, text),),
        spans=(SpanMark(2, 0, text, -0.25, 0.0016),),
        decodes=(replace(data.decodes[0], channel=capture.channels[1].name),),
    )
    for what in ("bits", "bursts", "marks", "samples"):
        write(hostile, tmp_path / "x.csv", what)
        for separator in ",;\t":
            raw = (tmp_path / "x.csv").read_text("utf-8")
            for row in csv.reader(io.StringIO(raw, newline=""), delimiter=separator):
                for found in row:
                    assert found.strip()[:1] not in tuple("=+@＝＋＠"), (what, separator, found)
                    assert not found.strip().startswith("-") or float(found.split(",")[0]) < 0
    # numbers stay numbers for another reader
    write(hostile, tmp_path / "m.csv", "marks")
    frame = polars.read_csv(tmp_path / "m.csv")
    assert frame.schema["start_s"] == polars.Float64
    assert -0.25 in frame["start_s"].to_list()


@pytest.mark.parametrize("text", PLAIN)
def test_text_that_is_no_formula_stays_as_it_is(data: SessionData, tmp_path: Path, text: str) -> None:
    write(replace(data, captures=(replace(data.captures[0], label=text),)), tmp_path / "b.csv", "bits")
    assert rows(tmp_path / "b.csv")[0]["label"] == text


def test_a_file_of_a_hostile_name_is_no_formula_in_the_rows_of_a_decode(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("=1+1.npy").write_bytes(_demo_as_npy())
    assert main(["decode", "=1+1.npy", "--rate", "1.25M", "--csv", "x.csv", "--json", "x.json"]) == 0
    assert {row["file"] for row in rows(Path("x.csv"))} == {"'=1+1.npy"}
    assert json.loads(Path("x.json").read_text())["results"][0]["file"] == "=1+1.npy"


def _demo_as_npy() -> bytes:
    out = io.BytesIO()
    np.save(out, open_capture(demo_path()).channels[0].values(0, 6000))
    return out.getvalue()


def test_samples_as_rows(data: SessionData, tmp_path: Path) -> None:
    write(data, tmp_path / "s.csv", "samples", span_s=(0.0015, 0.0052))
    with (tmp_path / "s.csv").open(newline="") as file:
        assert next(csv.reader(file)) == ["time (s)", "A (V)", 'hot, "B" (A)']
    read = np.loadtxt(tmp_path / "s.csv", delimiter=",", skiprows=1)
    np.testing.assert_allclose(read[:, 1:], expected(500, 1400), rtol=1e-7)
    times = np.r_[0.0015 + np.arange(700) / RATE_HZ, 0.005 + np.arange(200) / RATE_HZ]
    np.testing.assert_allclose(read[:, 0], times, atol=1e-12)


def test_samples_as_array(data: SessionData, tmp_path: Path) -> None:
    write(data, tmp_path / "s.npy", "samples", span_s=(0.0015, 0.0052))
    np.testing.assert_allclose(np.load(tmp_path / "s.npy"), expected(500, 1400), rtol=1e-7)
    write(data, tmp_path / "a.npy", "samples", channel="A")
    one = np.load(tmp_path / "a.npy")
    assert (one.shape, one.dtype) == ((2000,), np.dtype("<f4"))
    np.testing.assert_allclose(one, expected(0, 2000)[:, 0], rtol=1e-6)
    write(data, tmp_path / "d.npy", "samples", channel="A / 2", span_s=(0.001, 0.0011))
    np.testing.assert_allclose(np.load(tmp_path / "d.npy"), expected(0, 100)[:, 0] / 2, rtol=1e-6)


def test_samples_as_wav(data: SessionData, tmp_path: Path) -> None:
    write(data, tmp_path / "s.wav", "samples", span_s=(0.001, 0.002))
    rate, read = scipy.io.wavfile.read(tmp_path / "s.wav")
    assert (rate, read.dtype) == (1_000_000, np.dtype("<f8"))
    np.testing.assert_allclose(read, expected(0, 1000), rtol=1e-7)
    write(data, tmp_path / "a.wav", "samples", channel="A")
    rate, read = scipy.io.wavfile.read(tmp_path / "a.wav")
    assert (read.dtype, read.shape) == (np.dtype("<f4"), (2000,))
    with pytest.raises(wave.Error, match="unknown format: 3"), wave.open(str(tmp_path / "a.wav")):
        pass  # float, as it should say


def test_samples_as_sigmf_with_annotations(data: SessionData, tmp_path: Path) -> None:
    assert write(data, tmp_path / "s.sigmf-meta", "samples", span_s=(0.0015, 0.0052)) == [
        tmp_path / "s.sigmf-meta",
        tmp_path / "s.sigmf-data",
    ]
    read = sigmf.sigmffile.fromfile(str(tmp_path / "s.sigmf-meta"))
    read.validate()
    assert read.sample_rate == RATE_HZ
    np.testing.assert_allclose(np.asarray(read[:]).reshape(-1, 2), expected(500, 1400), rtol=1e-7)
    assert [one["core:sample_start"] for one in read.get_captures()] == [0, 700]
    assert [one["core:global_index"] for one in read.get_captures()] == [0, 3500]
    found = {one["core:label"]: one for one in read.get_annotations()}
    assert set(found) == {"flip", "span", "note", "burst 0, talker 0", "burst 1, talker 1"}
    assert (found["span"]["core:sample_start"], found["span"]["core:sample_count"]) == (0, 100)
    assert (
        found["burst 1, talker 1"]["core:sample_start"],
        found["burst 1, talker 1"]["core:sample_count"],
    ) == (300, 400)
    assert found["burst 1, talker 1"]["core:comment"] == "A: 1011"


@pytest.mark.parametrize(
    ("what", "name", "asked", "why"),
    [
        ("bits", "b.wav", {}, "end in .csv, .json"),
        ("songs", "b.csv", {}, "cannot be exported"),
        ("samples", "s.npy", {"span_s": (0.0, 9.0)}, "reaches outside"),
        ("samples", "s.npy", {"channel": "C"}, "C"),
        ("samples", "s.npy", {"capture": 4}, "name one of the 1"),
        ("samples", "missing/s.npy", {}, "cannot be written"),
    ],
)
def test_what_cannot_be_exported_is_told(
    data: SessionData, tmp_path: Path, what: str, name: str, asked: dict[str, Any], why: str
) -> None:
    with pytest.raises(UsageError, match=why):
        write(data, tmp_path / name, what, **asked)
    assert list(tmp_path.iterdir()) == []


def test_the_command_exports(data: SessionData, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    session = tmp_path / "s.h5"
    write_session(session, data)
    for what, endings in ENDINGS.items():
        for ending in endings:
            out = tmp_path / f"{what}{ending}"
            assert main(["export", str(session), "--what", what, "-o", str(out)]) == 0
            assert str(out) in capsys.readouterr().out
            assert out.stat().st_size > 30
    assert main(["export", str(session), "-o", str(session)]) == 2
    assert main(["export", str(tmp_path / "none.h5"), "-o", str(tmp_path / "x.npy")]) == 3
    write_session(tmp_path / "v1.h5", version_1())
    assert main(["export", f"{tmp_path}/v1.h5#1", "-o", str(tmp_path / "x.npy")]) == 0
    np.testing.assert_array_equal(np.load(tmp_path / "x.npy"), np.zeros(3))
    assert main(["export", f"{tmp_path}/v1.h5#7", "-o", str(tmp_path / "x.npy")]) == 2
    np.save(tmp_path / "plain.npy", CODES)
    assert main(["export", str(tmp_path / "plain.npy"), "--rate", "1M", "-o", str(tmp_path / "x.wav")]) == 0
    assert (
        main(
            [
                "export",
                str(tmp_path / "plain.npy"),
                "--rate",
                "1M",
                "--what",
                "bits",
                "-o",
                str(tmp_path / "x.csv"),
            ]
        )
        == 2
    )
