"""Sessions with a capture of every format, made in one place and opened in another."""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from app.errors import CaptureError, MissingLinkError
from app.files.autosave import SampleDigests, read_autosave, write_autosave
from app.files.captures import open_capture
from app.files.session import read_session, write_session
from app.model.capture import Capture
from app.model.items import Note, SessionData
from tests.fuzz.originals import Original, originals

ORIGINALS = originals()


def written(one: Original, folder: Path) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    suffix = one.suffix or {"text": ".csv", "WAV": ".wav"}.get(one.kind, ".bin")
    for ending, data in one.beside.items():
        (folder / f"line{ending}").write_bytes(data)
    path = folder / f"line{suffix}"
    path.write_bytes(one.data)
    return path


def opened(one: Original, folder: Path) -> Capture:
    path = written(one, folder)
    try:
        return replace(open_capture(path, one.options), label="vent 2 opens")
    except CaptureError:
        pytest.skip("this original is one that is refused")


def assert_same_samples(one: Capture, other: Capture) -> None:
    assert (one.rate_hz, one.start_s, one.segments) == (other.rate_hz, other.start_s, other.segments)
    assert (one.label, one.format, one.layout, one.warnings) == (
        other.label,
        other.format,
        other.layout,
        other.warnings,
    )
    for a, b in zip(one.channels, other.channels, strict=True):
        assert (a.name, a.unit, a.scale, a.offset) == (b.name, b.unit, b.scale, b.offset)
        np.testing.assert_array_equal(a.stored[:], b.stored[:])
        assert a.stored.dtype == b.stored.dtype


# dialects of text by the hundred, of which every fourth is opened each time
_MORE = {n for n, one in enumerate(ORIGINALS) if one.kind == "text" and n % 4}


def numbered() -> list[object]:
    return [
        pytest.param(one, id=f"{one.kind}-{n}", marks=pytest.mark.long if n in _MORE else ())
        for n, one in enumerate(ORIGINALS)
    ]


@pytest.mark.parametrize("one", numbered())
def test_a_linked_capture_of_every_format_opens_elsewhere(one: Original, tmp_path: Path) -> None:
    here, there = tmp_path / "here", tmp_path / "another machine" / "there"
    before = opened(one, here / "scope")
    write_session(here / "line.h5", SessionData(captures=(before,)), link_captures=True)
    there.parent.mkdir()
    shutil.move(here, there)
    (after,) = read_session(there / "line.h5").captures
    assert_same_samples(after, before_at(one, tmp_path, before))
    # saved again and moved on
    write_session(there / "line.h5", read_session(there / "line.h5"), link_captures=True)
    shutil.move(there, here)
    assert_same_samples(read_session(here / "line.h5").captures[0], after)


def before_at(one: Original, tmp_path: Path, before: Capture) -> Capture:
    """The capture opened anew: maps of the one that was moved are those of files that went."""
    again = open_capture(written(one, tmp_path / "again"), one.options)
    return replace(before, channels=again.channels)


@pytest.mark.parametrize("one", numbered())
def test_an_embedded_capture_of_every_format_needs_no_other_file(one: Original, tmp_path: Path) -> None:
    before = opened(one, tmp_path / "scope")
    write_session(tmp_path / "line.h5", SessionData(captures=(before,)))
    (tmp_path / "elsewhere").mkdir()
    shutil.move(tmp_path / "line.h5", tmp_path / "elsewhere" / "line.h5")
    (after,) = read_session(tmp_path / "elsewhere" / "line.h5").captures
    assert_same_samples(after, before)


@pytest.mark.parametrize("one", numbered())
def test_work_on_a_capture_of_every_format_is_kept_without_its_samples(one: Original, tmp_path: Path) -> None:
    before = opened(one, tmp_path / "scope")
    data = SessionData(captures=(before,), notes=(Note(1, 0, None, "unsaved"),), next_key=2)
    write_autosave(tmp_path / "kept.h5", data, None, SampleDigests())
    found = read_autosave(tmp_path / "kept.h5").data
    assert found.notes == data.notes
    assert_same_samples(found.captures[0], before)
    assert found.captures[0].path == before.path


WAV = next(one for one in ORIGINALS if one.kind == "WAV")


@pytest.fixture
def linked(tmp_path: Path) -> Path:
    capture = opened(WAV, tmp_path / "here" / "scope")
    write_session(tmp_path / "here" / "line.h5", SessionData(captures=(capture,)), link_captures=True)
    return tmp_path / "here" / "line.h5"


def test_a_capture_that_was_renamed_is_found_by_its_digest(linked: Path) -> None:
    file = linked.parent / "scope" / "line.wav"
    (file.parent / "a decoy.wav").write_bytes(file.read_bytes()[:-1] + b"\x55")
    file.rename(file.with_name("vent two.wav"))
    assert read_session(linked).captures[0].path == file.with_name("vent two.wav")


def test_a_capture_that_is_nowhere_near_is_found_where_one_says(linked: Path, tmp_path: Path) -> None:
    file = linked.parent / "scope" / "line.wav"
    far = tmp_path / "somewhere" / "else" / "renamed.data"
    far.parent.mkdir(parents=True)
    shutil.move(file, far)
    with pytest.raises(MissingLinkError, match=r"line\.wav is not there") as caught:
        read_session(linked)
    assert caught.value.name == "line.wav"
    assert read_session(linked, [far]).captures[0].path == far
    far.rename(far.with_name("line.wav"))
    assert read_session(linked, [far.parent]).captures[0].path == far.with_name("line.wav")
    far.with_name("line.wav").write_bytes(b"another")
    with pytest.raises(MissingLinkError):
        read_session(linked, [far.with_name("line.wav"), far.parent])


def test_a_pair_whose_samples_changed_is_told(tmp_path: Path) -> None:
    pair = next(one for one in ORIGINALS if one.kind == "SigMF")
    capture = opened(pair, tmp_path)
    write_session(tmp_path / "s.h5", SessionData(captures=(capture,)), link_captures=True)
    data = tmp_path / "line.sigmf-data"
    data.write_bytes(b"\0" * data.stat().st_size)
    with pytest.raises(MissingLinkError, match="has changed since the session was saved"):
        read_session(tmp_path / "s.h5")


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="this system has no links between files")
def test_a_folder_that_cannot_be_looked_into_is_passed_over(linked: Path) -> None:
    (linked.parent / "locked").mkdir(mode=0)
    file = linked.parent / "scope" / "line.wav"
    (linked.parent / "zone").mkdir()
    shutil.move(file, linked.parent / "zone" / "line.wav")
    assert read_session(linked).captures[0].samples > 0
    (linked.parent / "locked").chmod(0o700)
