"""Bursts that the user names or leaves out: marked wherever they stand, counted nowhere, and back after undo."""

import csv
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from generators.decodes import BURST, keyed

from app.__main__ import main
from app.demo import demo_path
from app.files.session import read_session, write_session
from app.jobs.contract import BURST_FIELDS
from app.model.capture import Capture, Channel, Segment
from app.model.commands_bursts import ExcludeBursts, RenameBurst
from app.model.document import Document
from app.model.items import BurstMark, DecodeRun, FlipMark, SessionData
from app.model.opinion import disagreements
from app.model.sharing import Kept, shared
from app.report.exports import ExportRequest, export
from app.report.gather import gathered
from app.report.page import report_html

STARTS_S = (0.001, 0.002, 0.003, 0.0045)
BURSTS = [
    replace(
        BURST,
        start_s=at,
        end_s=at + 4e-4,
        first_symbol_s=at,
        flips_s=(),
        flips_interval_s=(),
        talker=n % 2,
        cut_at_start=False,
        cut_at_end=False,
        carrier_hz=200_000.0 + 1000 * n,
        carrier_std_hz=1.0,
        line_code="differential" if n == 1 else "plain",
    )
    for n, at in enumerate(STARTS_S)
]
CHANNEL = "A"


@pytest.fixture
def data() -> SessionData:
    capture = Capture(
        "line.npy", "npy", 1e6, 0.0, (Channel("A", np.zeros(6000, "<i2")),), (Segment(0, 6000, 0.0),)
    )
    run = DecodeRun(1, 0, "A", (0.0, 0.006), "0.1.0", "", keyed(*BURSTS))
    return SessionData(captures=(capture,), decodes=(run,), next_key=2)


def span(n: int) -> tuple[float, float]:
    return BURSTS[n].start_s, BURSTS[n].end_s


@pytest.fixture
def document(data: SessionData) -> Document:
    """The second burst is left out, the third has a name."""
    made = Document()
    made.replace_all(data, None)
    made.run(ExcludeBursts(0, CHANNEL, (span(1),), True))
    made.run(RenameBurst(0, CHANNEL, span(2), "vent 2 <answers>"))
    return made


def test_rows_and_json_have_every_burst_and_say_which_is_left_out(document: Document, tmp_path: Path) -> None:
    for what in ("bits", "bursts"):
        export(document.data, ExportRequest(what, tmp_path / "x.csv"), "1")
        with (tmp_path / "x.csv").open(newline="", encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
        assert [row["excluded"] for row in rows] == ["0", "1", "0", "0"]
        assert [row["name"] for row in rows] == ["", "", "vent 2 <answers>", ""]
        assert [float(row["start_s"]) for row in rows] == list(STARTS_S)
        export(document.data, ExportRequest(what, tmp_path / "x.json"), "1")
        entries = json.loads((tmp_path / "x.json").read_text())[what]
        assert [entry["excluded"] for entry in entries] == [False, True, False, False]
        if what == "bursts":
            assert all(set(BURST_FIELDS) <= set(entry) for entry in entries)
            assert entries[1]["symbols"] == BURSTS[1].symbols


def test_marks_as_rows_name_the_bursts(document: Document, tmp_path: Path) -> None:
    export(document.data, ExportRequest("marks", tmp_path / "m.csv"), "1")
    with (tmp_path / "m.csv").open(newline="", encoding="utf-8") as file:
        rows = [(row["kind"], row["text"]) for row in csv.DictReader(file)]
    assert rows == [("burst left out", ""), ("burst", "vent 2 <answers>")]


def test_annotations_say_it(document: Document, tmp_path: Path) -> None:
    export(document.data, ExportRequest("samples", tmp_path / "x.sigmf-meta"), "1")
    comments = [
        one["core:comment"] for one in json.loads((tmp_path / "x.sigmf-meta").read_text())["annotations"]
    ]
    assert [c.split(":")[0] for c in comments] == ["A", "A (left out)", "A (vent 2 <answers>)", "A"]


def test_figures_and_times_pass_over_it(document: Document, data: SessionData) -> None:
    (part,) = gathered(document.data)
    assert part.left_out == (1,)
    assert part.summary.bursts == 3
    kept = [BURSTS[n].carrier_hz for n in (0, 2, 3)]
    assert part.summary.carrier_hz is not None
    assert part.summary.carrier_hz.value == pytest.approx(sum(k for k in kept if k) / 3)
    # neither from nor to it, nor over it from the first to the third
    assert [(one.before, one.after, one.count) for one in part.intervals] == [(0, 1, 1)]
    (whole,) = gathered(data)
    assert sum(one.count for one in whole.intervals) == 3


def test_the_report_shows_it_says_so_and_counts_it_not(document: Document) -> None:
    html = report_html(document.data, "s", program_version="1")
    assert "1 burst left out by hand is not counted." in html
    assert "left out by hand, not counted" in html
    assert "number 1 in the table of bursts" in html
    assert "vent 2 &lt;answers&gt;" in html
    assert "vent 2 <answers>" not in html
    sheet = html[html.index("Signal sheet") : html.index("Pictures")]
    assert "differential" not in sheet


def test_all_left_out_is_said_and_no_figure_is_made(data: SessionData) -> None:
    document = Document()
    document.replace_all(data, None)
    document.run(ExcludeBursts(0, CHANNEL, tuple(map(span, range(4))), True))
    html = report_html(document.data, "s", program_version="1")
    assert "all its bursts are left out by hand" in html
    assert "4 bursts left out by hand are not counted." in html
    (part,) = gathered(document.data)
    assert (part.summary.bursts, part.summary.carrier_hz, part.intervals) == (0, None, ())


def test_undo_brings_it_back_and_a_saved_session_keeps_it(document: Document, tmp_path: Path) -> None:
    write_session(tmp_path / "s.h5", document.data)
    (again,) = gathered(read_session(tmp_path / "s.h5"))
    assert (again.left_out, again.names[2].name) == ((1,), "vent 2 <answers>")
    document.undo()
    document.undo()
    (part,) = gathered(document.data)
    assert (part.left_out, part.summary.bursts) == ((), 4)


def test_a_copy_keeps_what_is_said_of_the_bursts_in_it(document: Document, tmp_path: Path) -> None:
    two = replace(document.data, captures=(*document.data.captures, *document.data.captures))
    two = replace(two, burst_marks=tuple(replace(m, capture=1) for m in two.burst_marks))
    two = replace(two, decodes=tuple(replace(run, capture=1) for run in two.decodes))
    copy = shared(two, [Kept(1, ((0.0015, 0.0025),))])
    write_session(tmp_path / "copy.h5", copy)
    again = read_session(tmp_path / "copy.h5")
    assert [(mark.capture, mark.excluded, mark.name) for mark in again.burst_marks] == [(0, True, "")]
    assert shared(two, [Kept(0)]).burst_marks == ()


def test_another_person_who_counts_it_is_told(document: Document, data: SessionData) -> None:
    found = disagreements(document.data, data)
    assert [(one.what, one.mine, one.theirs) for one in found] == [
        ("burst of A", "left out", "counted"),
        ("burst of A", "vent 2 <answers>", "counted"),
    ]


def test_verify_compares_it_and_says_that_it_is_left_out(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "s.h5"
    assert main(["decode", str(demo_path()), "--session", str(path)]) == 0
    document = Document()
    document.replace_all(read_session(path), path)
    (run,) = document.data.decodes
    first = run.result.bursts[0]
    document.run(ExcludeBursts(0, run.channel, ((first.start_s, first.end_s),), True))
    document.run(RenameBurst(0, run.channel, (first.start_s, first.end_s), "odd one"))
    write_session(path, document.data)
    capsys.readouterr()
    assert main(["verify", str(path), "--json", str(tmp_path / "v.json")]) == 0
    said = capsys.readouterr().out
    assert re.search(r"burst 0 at .*: same: \d+ bits \(odd one; left out\)", said)
    bursts = json.loads((tmp_path / "v.json").read_text())["decodes"][0]["bursts"]
    assert [one["excluded"] for one in bursts] == [True] + [False] * (len(bursts) - 1)
    assert bursts[0]["name"] == "odd one"
    assert all(one["verdict"] == "same" for one in bursts)


def test_decoding_a_session_anew_says_that_what_was_done_by_hand_is_not_in_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "s.h5"
    assert main(["decode", str(demo_path()), "--span", ":4ms", "--session", str(path)]) == 0
    found = read_session(path)
    first = found.decodes[0].result.bursts[0]
    marks = (BurstMark(10, 0, found.decodes[0].channel, first.start_s + 1e-4, excluded=True),)
    write_session(
        path, replace(found, burst_marks=marks, flips=(FlipMark(11, 0, first.flips_s[0], True),), next_key=12)
    )
    capsys.readouterr()
    assert main(["decode", str(path), "--json", "-"]) == 0
    told = capsys.readouterr()
    assert (
        "without what was done by hand in the session (1 flip set or taken out and 1 burst left out)"
        in told.err
    )
    assert len(told.err.splitlines()) == 1
    assert json.loads(told.out)["results"][0]["bursts"][0]["bits"] == first.bits
    write_session(path, found)
    assert main(["decode", str(path), "--json", "-"]) == 0
    assert capsys.readouterr().err == ""
