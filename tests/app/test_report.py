"""The report: complete, whole in itself, and deaf to whatever a hostile session says."""

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import html5lib
import numpy as np
import pytest
from generators.decodes import BURST, keyed, refused
from generators.sessions import version_1

from app.__main__ import main
from app.demo import demo_path
from app.files.session import read_session, write_session
from app.model.capture import Capture, Channel, Segment
from app.model.cautions import CAUTIONS
from app.model.items import DecodeRun, FlipMark, Note, SessionData, SpanMark
from app.model.tolerance import Tolerance
from app.report.page import report_html
from app.report.timing import intervals
from dsp.edge_times import interval_std
from dsp.results import DecodeSettings

_PAGE = "html head meta title style body h1 h2 h3 p strong ul li section table caption thead tbody tr th td"
_PARTS = "div span code br figure figcaption svg defs clipPath rect path g text line circle"
ALLOWED = frozenset([*_PAGE.split(" "), *_PARTS.split(" ")])
EVIL = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>&lt;\x1b[31m\u202e\x00"


def page(data: SessionData, title: str = "session") -> str:
    return report_html(data, title, program_version="1")


def parsed(text: str):
    """The page as an independent parser reads it, which raises at the first error of markup."""
    return html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)


def names(tree) -> set[str]:
    return {re.sub(r"^\{.*\}", "", one.tag) for one in tree.iter() if isinstance(one.tag, str)}


def session(**changes: object) -> SessionData:
    """A capture with three bursts, as they were decoded."""
    time_s = np.arange(2000) / 1e6
    stored = (100 * np.sin(2 * np.pi * 2e5 * time_s)).astype("i2")
    capture = Capture(
        "line.npy", "npy", 1e6, 0.0, (Channel("A", stored, 0.01),), (Segment(0, 2000, 0.0),), sha256="ab" * 32
    )
    bursts = [
        replace(
            BURST,
            start_s=s,
            end_s=s + 4e-4,
            first_symbol_s=s,
            talker=n % 2,
            cut_at_end=False,
            flips_s=(s + 1e-4,),
            flips_interval_s=((s, s + 2e-4),),
        )
        for n, s in enumerate((0.0001, 0.0007, 0.0013))
    ]
    run = DecodeRun(1, 0, "A", (0.0, 0.002), "0.1.0", "cd" * 32, keyed(*bursts))
    return replace(SessionData(captures=(capture,), decodes=(run,), next_key=9), **changes)


def test_it_says_what_was_captured_found_and_how_to_check_it() -> None:
    text = page(
        session(notes=(Note(5, 0, 0.001, "the vent\nopened"),), spans=(SpanMark(6, 0, "answer", 0.0, 1e-3),))
    )
    for said in (
        *(
            "line.npy",
            "1 MHz",
            "203.7",
            "10.0005",
            "talker 1",
            "800.0",
            "ab" * 32,
            "cd" * 32,
            "the vent\nopened",
        ),
        *("Signal sheet", "answer time", "frame length", "Frames lined up", "1011", "3 bursts", "not stated"),
        *("modulation", "cycles per symbol", "mean level", "symbol period", "halfturn verify", "answer"),
    ):
        assert said in text, said
    assert all(caution.split(":")[0] in text for caution in CAUTIONS)


def test_it_says_what_its_words_mean() -> None:
    html = page(session())
    meanings = html[html.index("What the words mean") :]
    for word in ("burst", "talker", "flip", "Bd", "line code", "Es/N0", "(digits)", "Birge ratio", "SHA-256"):
        assert word in meanings, word
    assert html.index("For checking") < html.index("What the words mean") < html.index("Cautions")


def test_it_is_one_page_that_asks_for_nothing() -> None:
    text = page(session())
    tree = parsed(text)
    assert names(tree) <= ALLOWED
    assert not re.search(r"(?:src|href|action|xlink)\s*=", text)
    assert "url(" not in re.sub(r"url\(#clip-\w+\)", "", text)
    assert set(re.findall(r"https?://[^\"' ]+", text)) == {"http://www.w3.org/2000/svg"}
    assert "default-src 'none'" in text
    pictures = [one for one in tree.iter() if isinstance(one.tag, str) and one.tag.endswith("svg")]
    assert len(pictures) >= 4
    assert "nan" not in "".join(re.findall(r' d="[^"]*"', text)).lower()


def test_a_hostile_session_brings_no_markup_in(tmp_path: Path) -> None:
    data = version_1()
    capture = replace(data.captures[0], name=EVIL, label=EVIL, format=EVIL, sha256=EVIL)
    capture = replace(capture, channels=tuple(replace(one, unit=EVIL[:30]) for one in capture.channels))
    run = data.decodes[0]
    result = replace(run.result, signalling=replace(run.result.signalling, reasons=(EVIL,)))
    burst = replace(result.bursts[0], warnings=(EVIL,), symbols="<b>1", bits="<i>0")
    result = replace(result, bursts=(burst,), warnings=(replace(result.warnings[0], text=EVIL),))
    notes = (Note(6, 0, 0.0, EVIL),)
    spans = (SpanMark(3, 0, EVIL, -0.004, 0.0),)
    decodes = (replace(run, result=result, samples_sha256=EVIL, channel="line", program_version=EVIL),)
    text = page(
        replace(data, captures=(capture, data.captures[1]), notes=notes, spans=spans, decodes=decodes), EVIL
    )
    assert names(parsed(text)) <= ALLOWED
    assert not any(name[:2] == "on" for one in parsed(text).iter() for name in one.attrib)
    assert "&lt;script&gt;alert(1)" in text
    for forbidden in ("\x1b", "\x00", "\u202e", "<script", "<img"):
        assert forbidden not in text


def test_corrections_by_hand_stand_beside_what_the_decoder_found() -> None:
    flip = FlipMark(5, 0, 0.0001 + 1e-4, removes=True)
    text = page(session(flips=(flip,)))
    assert "by hand " in text
    assert "no flip here" in text


@pytest.mark.parametrize("data", [SessionData(), version_1(), session(decodes=())])
def test_a_session_of_any_kind_gives_a_page(data: SessionData) -> None:
    assert names(parsed(page(data))) <= ALLOWED


def test_a_refusal_is_told(tmp_path: Path) -> None:
    run = DecodeRun(1, 0, "A", (0.0, 0.002), "0.1.0", "", refused())
    assert "no transmission stands out" in page(session(decodes=(run,)))


def test_answer_times_are_those_between_talkers() -> None:
    def burst(start_s: float, end_s: float, talker: int, **changes: object):
        return replace(BURST, start_s=start_s, end_s=end_s, talker=talker, cut_at_end=False, **changes)

    rows = [
        burst(0, 1, 0),
        burst(1.2, 2, 1),
        burst(3, 4, 0),
        burst(4.4, 5, 1),
        burst(5.5, 6, 1),
        burst(8, 9, 0),
    ]
    found = {(one.before, one.after): one for one in intervals(rows, [0.0, 7.0], Tolerance(), sample_s=1e-6)}
    answer = found[0, 1]
    assert answer.is_answer
    assert answer.mean_s == pytest.approx(0.3)
    assert answer.std_s == pytest.approx(
        0.1
    )  # half the range of two, over the root of two, times the root of two
    assert (answer.shortest_s, answer.longest_s, answer.count) == (pytest.approx(0.2), pytest.approx(0.4), 2)
    assert not found[1, 1].is_answer
    assert not found[1, 0].is_answer  # the one that asks takes its time
    assert found[1, 0].count == 1  # that across the edge at 7 s does not count
    # of a single one the edges tell how well it is known
    assert found[1, 0].std_s == pytest.approx(interval_std(rows[1], rows[2], 1e-6))


def test_a_single_interval_a_burst_and_a_start_have_their_uncertainty() -> None:
    """Of two bursts, one answering the other, every quantity of the sheet and every start of the table."""
    whole = session()
    run = whole.decodes[0]
    bursts = run.result.bursts[:2]
    two = replace(run, result=replace(run.result, bursts=bursts))
    tree = parsed(page(replace(whole, decodes=(two,))))
    told = {}
    for table in tree.iter("table"):
        for row in table.iter("tr"):
            cells = ["".join(cell.itertext()) for cell in row.findall("td")]
            if table.get("class") == "sheet" and cells:
                told[cells[0], cells[1]] = cells[2:]
            if table.get("class") == "bursts" and cells:
                assert re.fullmatch(r"[\d.]+\(\d+\) .?s", cells[1]), cells
    for (name, of), (value, count) in told.items():
        if name not in ("modulation", "line code"):
            assert re.search(r"\d\(\d+\)", value), (name, of, value)
            assert re.search(r"\d+ (burst|pair|sample)", count), (name, of, count)
    assert told["answer time", "talker 0 → talker 1"][1] == "1 pair"


def captions(tree) -> list[str]:
    return ["".join(one.itertext()) for one in tree.iter("figcaption")]


def test_a_burst_is_shown_whole_and_no_decision_as_if_it_were_certain() -> None:
    sure = replace(BURST, symbols="10" * 24, bits="10" * 24, confidence=(1.0,) * 48, cut_at_end=False)
    run = replace(
        session().decodes[0], result=keyed(replace(sure, start_s=1e-4, first_symbol_s=1e-4, end_s=9e-4))
    )
    shown = captions(parsed(page(session(decodes=(run,)))))
    (burst,) = [one for one in shown if one.startswith("Burst 0")]
    assert "48 symbols, each right with probability above 0.9999" in burst
    assert "symbols are shown" not in burst


def test_a_length_is_never_certain() -> None:
    sure = [
        replace(one, start_probability=1.0, end_probability=1.0) for one in session().decodes[0].result.bursts
    ]
    text = page(session(decodes=(replace(session().decodes[0], result=keyed(*sure)),)))
    assert "each length right with probability above 0.999" in text
    assert "each right to the symbol with probability above 0.999" in text


def test_every_talker_is_numbered_in_the_overview() -> None:
    tree = parsed(page(session()))
    overview = next(tree.iter("figure"))
    words = [one for one in overview.iter() if str(one.tag).endswith("text")]
    numbers = {"".join(one.itertext()) for one in words if one.get("font-size") == "9"}
    assert numbers == {"0", "1"}


def test_what_is_not_there_is_not_explained(tmp_path: Path) -> None:
    data = session()
    run = replace(data.decodes[0], result=refused())
    (overview,) = captions(parsed(page(replace(data, decodes=(run,)))))
    assert overview == "The decoded span: least and largest value at each place."


def test_it_says_what_the_decoder_was_told() -> None:
    assert "nothing was told, all was found; polarity normal" in page(session())
    told = DecodeSettings(carrier_hz=2e5, line_code="differential", polarity="inverted")
    run = replace(session().decodes[0], result=replace(session().decodes[0].result, settings=told))
    text = page(session(decodes=(run,)))
    assert "told: carrier 200 kHz, line code differential; polarity inverted" in text


def test_the_command_writes_the_page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = ["--span", ":4ms"]
    out = tmp_path / "r.html"
    assert main(["report", str(demo_path()), *told, "-o", str(out)]) == 0
    text = out.read_text()
    assert names(parsed(text)) <= ALLOWED
    assert "11101000" in text
    assert main(["decode", str(demo_path()), *told, "--session", str(tmp_path / "s.h5")]) == 0
    assert main(["report", str(tmp_path / "s.h5"), "-o", str(out)]) == 0
    bits = read_session(tmp_path / "s.h5").decodes[0].result.bursts[0].bits
    assert bits in out.read_text()
    capsys.readouterr()
    assert main(["report", str(tmp_path / "s.h5"), "--carrier", "1k", "-o", str(out)]) == 2
    assert main(["report", str(tmp_path / "none.h5"), "-o", str(out)]) == 3
    assert main(["report", str(demo_path()), "-o", str(tmp_path)]) == 2
    np.save(tmp_path / "flat.npy", np.zeros(3000))
    assert main(["report", str(tmp_path / "flat.npy"), "--rate", "1M", "-o", str(out)]) == 1
    assert "No bits are given" in out.read_text()
    assert main(["report", str(tmp_path / "s.h5"), "-o", "-"]) == 0
    assert capsys.readouterr().out.startswith("<!DOCTYPE html>")


def test_a_decode_of_a_channel_that_is_not_there_is_told_with_the_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = session()
    run = replace(data.decodes[0], channel="B")
    write_session(tmp_path / "s.h5", replace(data, decodes=(run,)))
    assert main(["report", str(tmp_path / "s.h5"), "-o", str(tmp_path / "r.html")]) == 3
    said = capsys.readouterr().err
    assert "s.h5: the decode of channel “B” of line.npy cannot be shown" in said
    assert len(said.splitlines()) == 1
    assert not (tmp_path / "r.html").exists()


def test_the_largest_numbers_that_a_session_may_hold_give_a_page() -> None:
    data = session()
    absurd = replace(
        data.decodes[0].result.bursts[0],
        amplitude=1e30,
        amplitude_std=np.inf,
        carrier_hz=1e18,
        carrier_std_hz=np.inf,
        symbol_rate_bd=1e-15,
        symbol_rate_std_bd=np.inf,
        cycles_per_symbol=1e30,
        esn0_db=1e308,
        esn0_std_db=np.inf,
        talker=2**62,
    )
    for bursts in ((absurd,), (absurd, *data.decodes[0].result.bursts[1:])):
        run = replace(data.decodes[0], result=keyed(*bursts))
        assert parsed(page(replace(data, decodes=(run,)))) is not None


def test_of_very_many_captures_each_has_a_row_and_the_first_are_told_at_length() -> None:
    data = session()
    count = 75
    captures = tuple(replace(data.captures[0], name=f"line{n}.npy", label=f"vent {n}") for n in range(count))
    runs = tuple(replace(data.decodes[0], key=n + 1, capture=n) for n in range(count))
    text = page(replace(data, captures=captures, decodes=runs, next_key=count + 1))
    tree = parsed(text)
    rows = {"".join(one.itertext()) for one in tree.iter("tr")}
    assert any(row.startswith("74line74.npyvent 741 MHz") for row in rows)
    assert any(row.startswith("74line74.npyAbpsk") for row in rows)
    assert f"{count} channels of {count} captures were decoded: {3 * count} bursts in all" in text
    assert "the first 60 are told of at length below" in text
    assert text.count(">Signal sheet<") == 60
    assert "line59.npy, channel A" in text
    assert "line60.npy, channel A" not in text


def test_marks_and_notes_by_the_thousand_are_cut_short_and_said_to_be() -> None:
    data = session(
        notes=tuple(Note(n + 10, None, None, f"note {n}") for n in range(3000)),
        spans=tuple(SpanMark(n + 4000, 0, f"span {n}", 0.0, 1e-3) for n in range(501)),
        next_key=9000,
    )
    text = page(data)
    assert "The first 500 of 3000 notes" in text
    assert "The first 500 of 501 spans" in text
    assert "note 499" in text
    assert "note 500" not in text


def test_the_longest_tables_say_what_they_leave_out() -> None:
    data = session()
    many = tuple(
        replace(BURST, start_s=n * 1e-6, end_s=n * 1e-6 + 1e-7, first_symbol_s=n * 1e-6) for n in range(700)
    )
    run = replace(data.decodes[0], result=keyed(*many))
    text = page(replace(data, decodes=(run,)))
    assert "The first 500 of 700 bursts" in text
    assert "of 700 bursts, evenly chosen" in text
    # what no eye can tell apart is one thing in a picture, whose size does not grow with the bursts
    (overview,) = [one for one in parsed(text).iter("figure") if "bursts shaded" in "".join(one.itertext())]
    assert sum(str(one.tag).endswith("rect") for one in overview.iter()) < 20


@pytest.mark.skipif(shutil.which("chromium") is None, reason="needs the chromium browser")
def test_a_browser_shows_the_page_and_prints_it(tmp_path: Path) -> None:
    data = session(notes=(Note(5, None, None, EVIL),))
    write_session(tmp_path / "s.h5", data)
    (tmp_path / "r.html").write_text(page(read_session(tmp_path / "s.h5"), EVIL), encoding="utf-8")
    options = (
        "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking"
    )
    options += " --disable-component-update --disable-sync --enable-logging=stderr --v=0"
    command = ["chromium", *options.split(), f"--user-data-dir={tmp_path / 'profile'}"]
    shown = subprocess.run(
        [*command, "--dump-dom", f"file://{tmp_path}/r.html"],
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    assert "Signal sheet" in shown.stdout
    assert "<script" not in shown.stdout
    assert "CONSOLE" not in shown.stderr
    subprocess.run(
        [*command, f"--print-to-pdf={tmp_path / 'r.pdf'}", f"file://{tmp_path}/r.html"],
        capture_output=True,
        check=True,
        timeout=120,
    )
    assert (tmp_path / "r.pdf").read_bytes().startswith(b"%PDF-")
