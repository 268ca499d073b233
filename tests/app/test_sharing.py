"""Copies cut down, and another person's session beside one's own."""

import hashlib
import json
import shutil
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
from generators.decodes import keyed
from generators.sessions import assert_same, version_1
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from app.__main__ import main
from app.demo import demo_path
from app.errors import UsageError
from app.files import inputs
from app.files.captures import open_capture
from app.files.session import read_session, write_session
from app.files.session_size import written_bytes
from app.jobs.digest import samples_sha256
from app.jobs.shared_digests import with_own_digests
from app.jobs.spans import select
from app.model.commands import CommandError
from app.model.expressions import channel_source
from app.model.items import Cursor, DecodeRun, FlipMark, Note, SessionData, SpanMark
from app.model.opinion import TakeOpinion, disagreements, matched
from app.model.sharing import SHARED_CUT, Kept, shared


@pytest.fixture(scope="module")
def decoded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("decoded") / "demo.h5"
    assert main(["decode", str(demo_path()), "--span", ":20ms", "--session", str(path)]) == 0
    return path


def test_the_whole_kept_is_the_session_itself() -> None:
    data = version_1()
    assert_same(shared(data, [Kept(0), Kept(1)]), data)


def test_a_copy_holds_the_stretches_and_what_stands_on_them(decoded: Path, tmp_path: Path) -> None:
    data = read_session(decoded)
    data = replace(
        data,
        cursors=(Cursor(50, 0, "in", 0.002), Cursor(51, 0, "out", 0.009)),
        spans=(SpanMark(52, 0, "in", 0.001, 0.003), SpanMark(53, 0, "out", 0.009, 0.01)),
        flips=(FlipMark(54, 0, 0.0021), FlipMark(55, 0, 0.0092)),
        notes=(Note(56, None, None, "all"), Note(57, 0, 0.002, "in"), Note(58, 0, 0.009, "out")),
        next_key=60,
    )
    spans = ((0.001, 0.005), (0.0135, 0.0172))
    copy = shared(data, [Kept(0, spans)])
    (capture,) = copy.captures
    original = data.captures[0]
    assert [(s.last - s.first, round(s.start_s, 9)) for s in capture.segments] == [
        (5000, 0.001),
        (4625, 0.0135),
    ]
    first = round((0.001 - original.start_s) * original.rate_hz)
    np.testing.assert_array_equal(
        capture.channels[0].stored[:5000], original.channels[0].stored[first : first + 5000]
    )
    names = [[one.name for one in marks] for marks in (copy.cursors, copy.spans)]
    assert names == [["in"], ["in"]]
    assert [one.time_s for one in copy.flips] == [0.0021]
    assert [one.text for one in copy.notes] == ["all", "in"]
    kept = [b.bits for b in copy.decodes[0].result.bursts]
    inside = [
        b.bits
        for b in data.decodes[0].result.bursts
        if any(a <= b.start_s and b.end_s <= e for a, e in spans)
    ]
    assert kept == inside
    assert len(kept) == 4
    assert copy.decodes[0].result.warnings[-1].code == SHARED_CUT
    write_session(tmp_path / "copy.h5", copy)
    assert_same(read_session(tmp_path / "copy.h5"), copy)


def test_a_copy_opens_elsewhere_and_its_bits_verify(
    decoded: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    out = elsewhere / "copy.h5"
    told = ["--span", "1ms:9ms", "--channel", "Line"]
    assert main(["share", str(decoded), *told]) == 0
    said = capsys.readouterr().out
    assert not out.exists()
    assert main(["share", str(decoded), *told, "-o", str(out)]) == 0
    stated = int(said.split("about ")[1].split()[0])
    assert stated == pytest.approx(out.stat().st_size, rel=0.5)
    assert out.stat().st_size < decoded.stat().st_size / 3
    capsys.readouterr()
    assert main(["verify", str(out)]) == 0
    assert main(["share", str(decoded), "--span", "5s:6s"]) == 2
    assert main(["share", str(decoded), "--channel", "C"]) == 2
    assert main(["share", str(decoded), "--capture", "3"]) == 2
    assert main(["share", str(demo_path())]) == 3


def test_channels_are_left_out_with_their_decodes() -> None:
    data = version_1()
    copy = shared(data, [Kept(0, channels=("line",))])
    assert [one.name for one in copy.captures[0].channels] == ["line"]
    assert copy.decodes == ()  # of "line - supply"
    assert shared(data, [Kept(1)]).decodes[0].capture == 0
    with pytest.raises(UsageError, match="no channel"):
        shared(data, [Kept(0, channels=("C",))])
    with pytest.raises(UsageError, match="nothing is chosen"):
        shared(data, [])


def test_the_size_told_beforehand_is_about_right(tmp_path: Path) -> None:
    data = version_1()
    noise = np.random.default_rng(3).normal(0, 6, 700_000).astype("<i2")
    capture = replace(data.captures[1], channels=(replace(data.captures[1].channels[0], stored=noise),))
    capture = replace(capture, segments=(replace(capture.segments[0], last=700_000),))
    big = SessionData(captures=(capture,))
    write_session(tmp_path / "s.h5", big)
    assert written_bytes(big) == pytest.approx((tmp_path / "s.h5").stat().st_size, rel=0.1)


def test_their_marks_stand_beside_mine_and_differences_are_listed(decoded: Path) -> None:
    mine = read_session(decoded)
    burst = mine.decodes[0].result.bursts[0]
    flip = FlipMark(40, 0, burst.flips_s[1], removes=True)
    theirs = replace(
        mine,
        captures=(mine.captures[0].with_label("vent 2 opens"),),
        cursors=(Cursor(41, 0, "A", 0.001),),
        spans=(SpanMark(42, 0, "answer", 0.002, 0.003),),
        flips=(flip,),
        notes=(Note(43, 0, 0.002, "looks odd"),),
        next_key=50,
    )
    taken = TakeOpinion(theirs).apply(mine)
    assert [one.name for one in taken.spans] == ["answer (theirs)"]
    assert [one.name for one in taken.cursors] == ["A (theirs)", "no flip (theirs)"]
    assert [one.text for one in taken.notes] == ["looks odd (theirs)"]
    assert taken.flips == mine.flips == ()
    keys = [one.key for items in (taken.spans, taken.cursors, taken.notes, taken.decodes) for one in items]
    assert len(set(keys)) == len(keys)
    found = disagreements(taken, theirs)
    assert [one.what for one in found] == ["label", "bits of Line", "flip by hand", "span"]
    assert (found[1].mine, found[1].theirs != burst.bits) == (burst.bits, True)
    assert disagreements(mine, mine) == ()


def test_a_session_on_other_captures_is_no_second_opinion(decoded: Path) -> None:
    with pytest.raises(CommandError, match="None of the captures"):
        TakeOpinion(version_1()).apply(read_session(decoded))
    assert matched(version_1(), version_1()) == {0: 0, 1: 1}


def test_a_cut_copy_is_a_second_opinion_on_its_stretch(decoded: Path) -> None:
    mine = read_session(decoded)
    copy = shared(mine, [Kept(0, ((0.001, 0.009),))])
    assert matched(mine, copy) == {0: 0}
    assert disagreements(mine, copy) == ()


def test_bursts_that_a_cut_copy_holds_in_part_are_no_differences(decoded: Path) -> None:
    mine = read_session(decoded)
    first, *_, last = mine.decodes[0].result.bursts
    limits = ((first.start_s + first.end_s) / 2, (last.start_s + last.end_s) / 2)
    copy = shared(mine, [Kept(0, (limits,))])
    assert len(copy.decodes[0].result.bursts) < len(mine.decodes[0].result.bursts)
    assert disagreements(mine, copy) == ()
    assert disagreements(copy, mine) == ()


def test_of_long_bits_the_first_place_where_they_part_is_told(decoded: Path) -> None:
    mine = read_session(decoded)
    bits = "1100" * 3000
    other = bits[:5000] + "1" + bits[5000:]

    def with_bits(text: str) -> SessionData:
        run = mine.decodes[0]
        burst = replace(
            run.result.bursts[0], bits=text, symbols="", confidence=(), flips_s=(), flips_interval_s=()
        )
        return replace(mine, decodes=(replace(run, result=replace(run.result, bursts=(burst,))),))

    (found,) = disagreements(with_bits(bits), with_bits(other))
    # 1100 1100… and 1 1100 1100…: the inserted 1 is like the next bit, the one after that is not
    assert found.mine == "from bit 5002: " + bits[5002:5026]
    assert found.theirs == "from bit 5002: " + other[5002:5026]
    (found,) = disagreements(with_bits(bits), with_bits(bits[:11000]))
    assert (found.mine, found.theirs) == ("from bit 11000: " + bits[11000:11024], "ends after 11000 bits")


def test_an_opinion_of_many_marks_is_taken_in_at_once(decoded: Path) -> None:
    mine = read_session(decoded)
    cursors = tuple(Cursor(n + 100, 0, f"c{n}", 0.001) for n in range(200_000))
    taken = TakeOpinion(replace(mine, cursors=cursors, next_key=300_000)).apply(mine)
    assert len(taken.cursors) == 200_000
    assert len({one.key for one in taken.cursors} | {one.key for one in taken.decodes}) == 200_000 + len(
        taken.decodes
    )
    assert taken.next_key == mine.next_key + 200_000


def test_a_cut_copy_is_checked_by_itself_and_a_changed_sample_is_noticed(
    decoded: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mine, copy = tmp_path / "mine.h5", tmp_path / "copy.h5"
    shutil.copy(decoded, mine)
    assert (
        main(["share", str(mine), "--span", "1ms:5.0003ms", "--span", "13.5ms:17.2ms", "-o", str(copy)]) == 0
    )
    elsewhere = tmp_path / "elsewhere" / "copy.h5"
    elsewhere.parent.mkdir()
    copy.rename(elsewhere)
    mine.unlink()
    assert main(["verify", str(elsewhere), "--json", str(tmp_path / "v")]) == 0
    assert "samples: the same" in capsys.readouterr().out
    (said,) = json.loads((tmp_path / "v").read_text())["decodes"]
    assert said["samples_same"] is True
    # the digest is that of the stored numbers, one after the other, as anybody can work out
    with h5py.File(elsewhere) as file:
        first = file["captures/0/channels/0/samples"][:]
        segments = file["captures/0/segments"][:]
        assert segments["last"][-1] == len(first)
        assert hashlib.sha256(first.tobytes()).hexdigest() == said["samples_sha256"]
    with h5py.File(elsewhere, "r+") as file:
        samples = file["captures/0/channels/0/samples"]
        samples[17] = np.nextafter(samples[17], np.inf, dtype=samples.dtype)
    inputs._read.cache_clear()
    assert main(["verify", str(elsewhere)]) == 1
    assert "samples: DIFFERENT" in capsys.readouterr().out


@given(st.lists(st.tuples(st.floats(0, 0.04), st.floats(1e-4, 0.02)), min_size=1, max_size=3), st.data())
@settings(max_examples=40, deadline=None)
def test_digests_hold_whatever_is_kept(chosen: list[tuple[float, float]], more: st.DataObject) -> None:
    """Of a decode that is kept whole the old digest is that of the copy's samples, too."""
    capture = open_capture(demo_path())
    begin, end = capture.start_s, capture.start_s + capture.samples / capture.rate_hz
    limits = sorted(more.draw(st.lists(st.floats(begin, end), min_size=2, max_size=2, unique=True)))
    assume(limits[1] - limits[0] > 10 / capture.rate_hz)
    span_s = (limits[0], limits[1])
    source = channel_source(capture, None)
    digest = samples_sha256(source.stored, select(capture, span_s).segments)
    run = DecodeRun(1, 0, source.name, span_s, "0", digest, keyed())
    whole = SessionData(captures=(capture,), decodes=(run,), next_key=2)
    spans = tuple((begin + a, min(end, begin + a + b)) for a, b in chosen)
    try:
        copy = with_own_digests(shared(whole, [Kept(0, spans)]))
    except UsageError:
        return
    for kept in copy.decodes:
        again = channel_source(copy.captures[0], kept.channel)
        segments = select(copy.captures[0], kept.span_s).segments
        assert kept.samples_sha256 == samples_sha256(again.stored, segments)
