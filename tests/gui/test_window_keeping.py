"""Unsaved work outlives a window that was killed; two windows on one session notice each other."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest

from app.demo import demo_path
from app.errors import SessionError
from app.files import session as session_files
from app.files.autosave import SampleDigests, read_autosave, write_autosave
from app.files.captures import open_capture
from app.files.replace import state_of
from app.files.session import read_session, write_session
from app.gui import keeping
from app.model.commands_captures import CloseCapture, OpenCapture
from app.model.commands_marks import AddNote
from app.model.items import Note, SessionData

ROOT = Path(__file__).parents[2]


def kept_files(tmp_path: Path) -> list[Path]:
    return sorted((tmp_path / "unsaved").glob("*.h5"))


def message_texts(window) -> list[str]:
    return [line.message.text for line in window.messages.lines()]


CRASH = """
import sys, time
from pathlib import Path
from PySide6.QtCore import QSettings, QTimer
from PySide6.QtWidgets import QApplication
from app.gui.window import MainWindow
from app.model.commands_marks import AddNote

application = QApplication([])
window = MainWindow(QSettings(sys.argv[1], QSettings.Format.IniFormat))
window.show()
window.open_paths([Path(sys.argv[2])])
deadline = time.monotonic() + 30
while not window.document.data.captures and time.monotonic() < deadline:
    application.processEvents()
window.bridge.run(AddNote(0, None, "written before the crash"))
window.keeper.tick()
while not list(Path(sys.argv[1]).parent.glob("unsaved/*.h5")) and time.monotonic() < deadline:
    application.processEvents()
print("kept", flush=True)
application.exec()
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="the way to kill a window here needs SIGKILL")
@pytest.mark.parametrize("kind", ["capture", "session"])
def test_work_of_a_killed_window_is_offered_and_taken_up(
    kind, tmp_path, settings, make_window, answer, qtbot
):
    file = demo_path()
    if kind == "session":
        write_session(tmp_path / "line.h5", SessionData(captures=(open_capture(demo_path()),)))
        file = tmp_path / "line.h5"
    environment = dict(os.environ, QT_QPA_PLATFORM="offscreen")
    with subprocess.Popen(
        [sys.executable, "-c", CRASH, settings.fileName(), str(file)],
        cwd=ROOT,
        env=environment,
        stdout=subprocess.PIPE,
        text=True,
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "kept\n"
        (left,) = kept_files(tmp_path)
        assert left.stat().st_size < 60_000  # samples by reference
        child.send_signal(signal.SIGKILL)
    window = make_window()
    asked = answer("recover", "restore")
    window.keeper.offer()
    assert len(asked) == 1
    qtbot.waitUntil(lambda: bool(window.document.data.captures), timeout=10_000)
    (note,) = window.document.data.notes
    assert note.text == "written before the crash"
    stored = window.document.data.captures[0].channels[0].stored
    np.testing.assert_array_equal(stored, open_capture(demo_path()).channels[0].stored)
    assert window.isWindowModified()
    assert window.document.path == (file if kind == "session" else None)
    qtbot.waitUntil(lambda: left not in kept_files(tmp_path))
    assert len(kept_files(tmp_path)) == 1  # it is unsaved still


def leave_behind(tmp_path: Path, data: SessionData, origin: Path | None = None) -> Path:
    """Work as a window that ended without being closed leaves it."""
    left = tmp_path / "unsaved" / "1-dead.h5"
    left.parent.mkdir(exist_ok=True)
    write_autosave(left, data, origin, SampleDigests(), None if origin is None else state_of(origin))
    return left


def test_work_taken_up_stays_in_its_file_until_it_is_kept_in_another(
    window, quiet_capture, tmp_path, answer, qtbot, monkeypatch
):
    left = leave_behind(
        tmp_path, SessionData((quiet_capture,), notes=(Note(1, 0, None, "mine"),), next_key=2)
    )
    answer("recover", "restore")

    def refuse(*_: object) -> None:
        raise SessionError("the disk is full")

    with monkeypatch.context() as patched:
        patched.setattr("app.files.autosave.write_autosave", refuse)
        window.keeper.offer()
        qtbot.waitUntil(lambda: any("disk is full" in text for text in message_texts(window)), timeout=10_000)
        assert [note.text for note in window.document.data.notes] == ["mine"]
        assert kept_files(tmp_path) == [left]
    window.keeper.tick()
    qtbot.waitUntil(lambda: left not in kept_files(tmp_path), timeout=10_000)
    assert len(kept_files(tmp_path)) == 1


def test_a_session_saved_by_another_since_the_crash_is_asked_about(
    window, quiet_capture, tmp_path, answer, qtbot
):
    path = tmp_path / "s.h5"
    data = SessionData((quiet_capture,))
    write_session(path, data)
    leave_behind(tmp_path, replace(data, notes=(Note(1, 0, None, "mine"),), next_key=2), path)
    write_session(path, replace(data, notes=(Note(1, 0, None, "theirs"),), next_key=2))
    answer("recover", "restore")
    window.keeper.offer()
    qtbot.waitUntil(lambda: window.document.path == path, timeout=10_000)
    asked = answer("overwrite_changed", "stay")
    window.files.save()
    assert len(asked) == 1
    assert [note.text for note in read_session(path).notes] == ["theirs"]


def test_a_save_by_another_window_in_the_moment_of_ones_own_is_not_overwritten(
    window, quiet_capture, tmp_path, answer, qtbot, monkeypatch
):
    path = tmp_path / "s.h5"
    write_session(path, SessionData((quiet_capture,)))
    window.open_paths([path])
    qtbot.waitUntil(lambda: bool(window.document.data.captures), timeout=10_000)
    window.bridge.run(AddNote(0, None, "mine"))
    theirs = SessionData((quiet_capture,), notes=(Note(1, 0, None, "theirs"),), next_key=2)
    store = session_files.store_tree

    def meanwhile(*given: object, **more: object) -> None:
        monkeypatch.setattr(session_files, "store_tree", store)
        write_session(path, theirs)
        store(*given, **more)

    monkeypatch.setattr(session_files, "store_tree", meanwhile)
    window.files.save()
    qtbot.waitUntil(
        lambda: any("has just saved it" in text for text in message_texts(window)), timeout=10_000
    )
    assert [note.text for note in read_session(path).notes] == ["theirs"]
    assert window.isWindowModified()
    asked = answer("overwrite_changed", "overwrite")
    window.files.save()
    qtbot.waitUntil(lambda: not window.isWindowModified(), timeout=10_000)
    assert len(asked) == 1
    assert [note.text for note in read_session(path).notes] == ["mine"]
    assert [note.text for note in read_session(path.with_name("s.h5.bak")).notes] == ["theirs"]


def test_work_is_kept_until_it_is_saved(window, quiet_capture, tmp_path, answer, qtbot):
    window.keeper.tick()
    assert kept_files(tmp_path) == []
    window.bridge.run(OpenCapture(quiet_capture))
    window.bridge.run(AddNote(0, None, "one"))
    window.keeper.tick()
    qtbot.waitUntil(lambda: len(kept_files(tmp_path)) == 1)
    assert [note.text for note in read_autosave(kept_files(tmp_path)[0]).data.notes] == ["one"]
    answer("where_to_save", tmp_path / "s.h5")
    window.files.save()
    qtbot.waitUntil(lambda: kept_files(tmp_path) == [], timeout=10_000)


def test_a_step_that_takes_something_away_is_kept_at_once(window, quiet_capture, tmp_path, qtbot):
    window.bridge.run(OpenCapture(quiet_capture))
    window.bridge.run(OpenCapture(quiet_capture))
    window.bridge.run(CloseCapture(0))
    qtbot.waitUntil(lambda: len(kept_files(tmp_path)) == 1)
    qtbot.waitUntil(lambda: len(read_autosave(kept_files(tmp_path)[0]).data.captures) == 1)


def test_work_of_a_window_that_is_there_is_not_offered(window, make_window, quiet_capture, tmp_path, qtbot):
    window.bridge.run(OpenCapture(quiet_capture))
    window.bridge.run(AddNote(0, None, "one"))
    window.keeper.tick()
    qtbot.waitUntil(lambda: len(kept_files(tmp_path)) == 1)
    make_window().keeper.offer()  # a question would fail the test


def test_kept_work_can_be_thrown_away_or_left(window, quiet_capture, tmp_path, answer):
    (tmp_path / "unsaved").mkdir()
    left = tmp_path / "unsaved" / "1-left.h5"
    write_autosave(left, SessionData(captures=(quiet_capture,)), None, SampleDigests())
    asked = answer("recover", "later")
    window.keeper.offer()
    assert (len(asked), left.exists()) == (1, True)
    answer("recover", "discard")
    window.keeper.offer()
    assert not left.exists()
    left.write_bytes(b"\x89HDF\r\n\x1a\nbroken")
    window.keeper.offer()
    assert any("is damaged" in text for text in message_texts(window))


def test_a_place_where_nothing_can_be_kept_is_told_once(window, quiet_capture, tmp_path):
    (tmp_path / "unsaved").write_text("in the way")
    window.bridge.run(OpenCapture(quiet_capture))
    window.bridge.run(AddNote(0, None, "one"))
    window.keeper.tick()
    window.keeper.tick()
    assert sum("keeping unsaved work" in text for text in message_texts(window)) == 1
    assert window.document.data.notes[0].text == "one"


def test_a_session_saved_by_another_window_is_noticed(
    window, make_window, quiet_capture, tmp_path, answer, qtbot
):
    path = tmp_path / "s.h5"
    write_session(path, SessionData(captures=(quiet_capture,)))
    window.open_paths([path])
    qtbot.waitUntil(lambda: bool(window.document.data.captures), timeout=10_000)
    other = make_window()
    other.open_paths([path])
    qtbot.waitUntil(lambda: bool(other.document.data.captures), timeout=10_000)
    assert sum("open in another window" in text for text in message_texts(other)) == 1
    assert not any("open in another window" in text for text in message_texts(window))
    window.keeper.tick()
    window.keeper.tick()
    assert sum("open in another window" in text for text in message_texts(window)) == 1
    other.bridge.run(AddNote(0, None, "theirs"))
    other.files.save()
    qtbot.waitUntil(lambda: not other.isWindowModified(), timeout=10_000)
    window.keeper.tick()
    window.keeper.tick()
    assert sum("was saved by another window" in text for text in message_texts(window)) == 1
    window.bridge.run(AddNote(0, None, "mine"))
    asked = answer("overwrite_changed", "stay")
    window.files.save()
    assert len(asked) == 1
    assert [note.text for note in read_session(path).notes] == ["theirs"]
    answer("overwrite_changed", "elsewhere")
    answer("where_to_save", tmp_path / "mine.h5")
    window.files.save()
    qtbot.waitUntil(lambda: not window.isWindowModified(), timeout=10_000)
    assert [note.text for note in read_session(path).notes] == ["theirs"]
    assert [note.text for note in read_session(tmp_path / "mine.h5").notes] == ["mine"]


def test_a_session_that_is_open_once_is_not_said_to_be_open_twice(window, quiet_capture, tmp_path, qtbot):
    path = tmp_path / "s.h5"
    write_session(path, SessionData(captures=(quiet_capture,)))
    window.open_paths([path])
    qtbot.waitUntil(lambda: bool(window.document.data.captures), timeout=10_000)
    window.keeper.tick()
    assert not any("open in another window" in text for text in message_texts(window))
    assert [one.name for one in tmp_path.iterdir() if one.name.startswith(".s.h5")] == [".s.h5.open"]


def test_one_window_saving_again_and_again_asks_nothing(window, quiet_capture, tmp_path, answer, qtbot):
    answer("where_to_save", tmp_path / "s.h5")
    window.bridge.run(OpenCapture(quiet_capture))
    for text in ("one", "two"):
        window.bridge.run(AddNote(0, None, text))
        window.files.save()
        qtbot.waitUntil(lambda: not window.isWindowModified(), timeout=10_000)
    window.keeper.tick()
    assert not any("another window" in text for text in message_texts(window))


def test_a_folder_that_vanished_leaves_the_work_in_memory(window, quiet_capture, tmp_path, answer, qtbot):
    folder = tmp_path / "network"
    folder.mkdir()
    answer("where_to_save", folder / "s.h5")
    window.bridge.run(OpenCapture(quiet_capture))
    window.bridge.run(AddNote(0, None, "one"))
    window.files.save()
    qtbot.waitUntil(lambda: not window.isWindowModified(), timeout=10_000)
    window.bridge.run(AddNote(0, None, "two"))
    folder.rename(tmp_path / "gone")
    window.files.save()
    qtbot.waitUntil(lambda: any("was not saved" in text for text in message_texts(window)), timeout=10_000)
    assert window.isWindowModified()
    assert [note.text for note in window.document.data.notes] == ["one", "two"]
    window.keeper.tick()
    qtbot.waitUntil(lambda: len(kept_files(tmp_path)) == 1)
    assert [note.text for note in read_session(tmp_path / "gone" / "s.h5").notes] == ["one"]


def test_samples_that_changed_meanwhile_are_not_taken_for_the_old_ones(tmp_path):
    np.save(tmp_path / "line.npy", np.arange(100.0))
    from app.files.capture_options import ReadOptions

    capture = open_capture(tmp_path / "line.npy", ReadOptions(rate_hz=1e6))
    data = SessionData(captures=(capture,), notes=(Note(1, 0, None, "one"),), next_key=2)
    kept = tmp_path / "kept.h5"
    write_autosave(kept, data, None, SampleDigests())
    with h5py.File(kept) as file:
        assert "samples" not in file["captures/0/channels/0"]
    assert read_autosave(kept).data.notes == data.notes
    np.save(tmp_path / "other.npy", np.arange(100.0) + 1)
    os.replace(tmp_path / "other.npy", tmp_path / "line.npy")
    with pytest.raises(SessionError, match="no longer"):
        read_autosave(kept)
    (tmp_path / "line.npy").unlink()
    with pytest.raises(SessionError, match=r"no longer in .*put the file back"):
        read_autosave(kept)


def test_samples_that_stand_in_no_file_are_kept_themselves(tmp_path, quiet_capture):
    alone = replace(quiet_capture, path=None)
    write_autosave(tmp_path / "kept.h5", SessionData(captures=(alone,)), None, SampleDigests())
    found = read_autosave(tmp_path / "kept.h5").data.captures[0]
    np.testing.assert_array_equal(found.channels[0].stored, quiet_capture.channels[0].stored)


def test_the_interval_is_half_a_minute():
    assert keeping.EVERY_MS == 30_000
