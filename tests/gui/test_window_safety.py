"""What the window does when disks fail, links lead nowhere and samples are damaged: it goes on, nothing is lost."""

from __future__ import annotations

import errno
import os
import shutil
from io import FileIO
from pathlib import Path

import h5py
import numpy as np
import pytest

from app.demo import demo_path
from app.files import replace as replacing
from app.files import schema
from app.files.captures import open_capture
from app.files.session import read_session, write_session
from app.files.session_samples import StoredSamples
from app.model.commands_captures import OpenCapture
from app.model.commands_marks import AddNote
from app.model.items import SessionData


def kept_files(tmp_path: Path) -> list[Path]:
    return sorted((tmp_path / "unsaved").glob("*.h5"))


def message_texts(window) -> list[str]:
    return [line.message.text for line in window.messages.lines()]


@pytest.mark.parametrize("error", [errno.ENOSPC, errno.EIO, errno.EROFS, errno.EACCES])
@pytest.mark.parametrize("call", ["write", "fsync", "open"])
def test_a_save_that_fails_keeps_the_work_and_says_why_in_one_sentence(
    window, quiet_capture, tmp_path, answer, qtbot, monkeypatch, error, call
):
    path = tmp_path / "s.h5"
    answer("where_to_save", path)
    window.bridge.run(OpenCapture(quiet_capture))
    window.files.save()
    qtbot.waitUntil(lambda: window.document.path == path, timeout=10_000)
    window.bridge.run(AddNote(0, None, "not to be lost"))

    def fail(*_given, **_named):
        raise OSError(error, os.strerror(error))

    with monkeypatch.context() as broken:
        if call == "write":
            broken.setattr(replacing, "FileIO", type("Failing", (FileIO,), {"write": fail}))
        else:
            broken.setattr(replacing.os, call, fail)
        window.files.save()
        qtbot.waitUntil(
            lambda: any("was not saved" in text for text in message_texts(window)), timeout=10_000
        )
    (said,) = [text for text in message_texts(window) if "was not saved" in text]
    assert os.strerror(error).lower() in said
    assert "\n" not in said
    assert window.isWindowModified()
    assert [note.text for note in window.document.data.notes] == ["not to be lost"]
    assert read_session(path).notes == ()
    window.keeper.tick()
    qtbot.waitUntil(lambda: len(kept_files(tmp_path)) == 1, timeout=10_000)
    window.files.save()  # the disk works again
    qtbot.waitUntil(lambda: not window.isWindowModified(), timeout=10_000)
    assert [note.text for note in read_session(path).notes] == ["not to be lost"]


def test_a_capture_that_a_session_links_to_is_asked_for(window, tmp_path, answer, qtbot):
    folder, far = tmp_path / "here", tmp_path / "far"
    folder.mkdir()
    far.mkdir()
    shutil.copy(demo_path(), folder / "line.csv")
    capture = open_capture(folder / "line.csv")
    write_session(folder / "s.h5", SessionData(captures=(capture,)), link_captures=True)
    (folder / "line.csv").rename(far / "renamed.csv")
    asked = answer("where_is_linked", far / "renamed.csv")
    window.open_paths([folder / "s.h5"])
    qtbot.waitUntil(lambda: bool(window.document.data.captures), timeout=10_000)
    assert [given[1] for given in asked] == ["line.csv"]
    assert window.document.data.captures[0].path == far / "renamed.csv"


def test_whoever_has_no_such_file_is_told_and_nothing_opens(window, tmp_path, answer, qtbot):
    shutil.copy(demo_path(), tmp_path / "line.csv")
    write_session(
        tmp_path / "s.h5", SessionData(captures=(open_capture(tmp_path / "line.csv"),)), link_captures=True
    )
    (tmp_path / "line.csv").unlink()
    asked = answer("where_is_linked", None)
    window.open_paths([tmp_path / "s.h5"])
    qtbot.waitUntil(lambda: len(asked) == 1, timeout=10_000)
    assert any("line.csv is not there" in text for text in message_texts(window))
    assert not window.document.data.captures


def test_samples_left_in_the_file_are_drawn_and_outlive_a_save(window, tmp_path, qtbot, monkeypatch):
    monkeypatch.setattr(schema, "READ_AT_ONCE_BYTES", 0)
    path = tmp_path / "s.h5"
    write_session(path, SessionData(captures=(open_capture(demo_path()),)))
    window.open_paths([path])
    qtbot.waitUntil(lambda: bool(window.document.data.captures), timeout=10_000)
    stored = window.document.data.captures[0].channels[0].stored
    assert isinstance(stored, StoredSamples)
    qtbot.waitUntil(lambda: window.area._envelopes[0].complete, timeout=10_000)
    wanted = open_capture(demo_path()).channels[0].stored
    window.bridge.run(AddNote(0, None, "one"))
    window.files.save()
    qtbot.waitUntil(lambda: not window.isWindowModified(), timeout=10_000)
    path.with_name("s.h5.bak").unlink()
    np.testing.assert_array_equal(stored[:], wanted)
    assert len(read_session(path).notes) == 1


def test_a_damaged_chunk_is_told_and_the_window_goes_on(window, tmp_path, qtbot, monkeypatch):
    monkeypatch.setattr(schema, "READ_AT_ONCE_BYTES", 0)
    path = tmp_path / "s.h5"
    write_session(path, SessionData(captures=(open_capture(demo_path()),)))
    with h5py.File(path) as file:
        info = file["captures/0/channels/0/samples"].id.get_chunk_info(0)
    raw = bytearray(path.read_bytes())
    raw[info.byte_offset + info.size // 2] ^= 4
    path.write_bytes(raw)
    window.open_paths([path])
    qtbot.waitUntil(lambda: bool(window.document.data.captures), timeout=10_000)
    qtbot.waitUntil(lambda: any("cannot be read" in text for text in message_texts(window)), timeout=20_000)
    window.decoding.decode_all()
    qtbot.waitUntil(lambda: window.runner.current() is None, timeout=20_000)
    assert not window.document.data.decodes
    assert all("\n" not in text for text in message_texts(window) if "cannot be read" in text)
