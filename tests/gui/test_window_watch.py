"""A watched folder: what is saved there opens, and is decoded like the capture before."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from app.files import watched_folder
from app.gui import watch_flow

HEADER = "time,wire A,wire B\ns,V,V\n"


def rows(phase: float) -> str:
    values = np.sin(np.arange(400) * 0.3 + phase)
    return HEADER + "".join(f"{i * 1e-5:.6f},{v:.4f},{-v:.4f}\n" for i, v in enumerate(values))


@pytest.fixture
def share(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(watch_flow, "_LOOK_EVERY_MS", 20)
    monkeypatch.setattr(watched_folder.WatchedFolder.__init__, "__defaults__", (0.05,))
    folder = tmp_path / "share"
    folder.mkdir()
    return folder


@pytest.fixture
def watching(share, make_window, answer):
    (share / "there before.csv").write_text(rows(0))
    window = make_window()
    answer("folder_to_watch", share)
    window.menus.actions["watch_folder"].trigger()
    assert window.menus.actions["watch_folder"].isChecked()
    return window


def names(window) -> list[str]:
    return [capture.name for capture in window.document.data.captures]


def test_only_what_is_saved_from_now_on_opens(watching, share, qtbot):
    (share / "first.csv").write_text(rows(1))
    qtbot.waitUntil(lambda: names(watching) == ["first.csv"])
    (share / "second.csv").write_text(rows(2))
    qtbot.waitUntil(lambda: names(watching) == ["first.csv", "second.csv"])
    assert watching.document.capture.name == "second.csv"


def test_channel_and_decode_are_carried_over(watching, share, qtbot, monkeypatch):
    asked = []
    monkeypatch.setattr(watching.decoding, "decode_all", lambda: asked.append(watching.document.capture.name))
    monkeypatch.setattr(type(watching.decoding), "has_decode", property(lambda _: True))
    (share / "first.csv").write_text(rows(1))
    qtbot.waitUntil(lambda: asked == ["first.csv"])
    watching.document.look_at(0, "wire A - wire B")
    (share / "second.csv").write_text(rows(2))
    qtbot.waitUntil(lambda: asked == ["first.csv", "second.csv"])
    assert watching.document.channel == "wire A - wire B"


def test_what_was_told_of_the_capture_before_is_told_of_the_next(watching, share, qtbot, tmp_path):
    from app.files.capture_options import ReadOptions

    raw = np.arange(1000, dtype=np.int16)
    raw.tofile(tmp_path / "line.raw")
    watching.files.open_paths([tmp_path / "line.raw"], ReadOptions(dtype="int16", rate_hz=5e5, scale=0.5))
    qtbot.waitUntil(lambda: names(watching) == ["line.raw"])
    shutil.copy(tmp_path / "line.raw", share / "next.raw")
    qtbot.waitUntil(lambda: names(watching) == ["line.raw", "next.raw"])
    assert (watching.document.capture.rate_hz, watching.document.capture.channels[0].scale) == (5e5, 0.5)


def test_a_second_time_stops_it(watching, share, qtbot):
    watching.menus.actions["watch_folder"].trigger()
    assert not watching.menus.actions["watch_folder"].isChecked()
    (share / "first.csv").write_text(rows(1))
    qtbot.wait(300)
    assert names(watching) == []


def test_a_folder_that_goes_away_is_told(watching, share, qtbot):
    shutil.rmtree(share)
    qtbot.waitUntil(lambda: watching.watching.folder is None)
    assert any("is not watched any more" in line.message.text for line in watching.messages.lines())
    assert not watching.menus.actions["watch_folder"].isChecked()


def test_no_folder_chosen_leaves_it_off(window, answer):
    answer("folder_to_watch", None)
    window.menus.actions["watch_folder"].trigger()
    assert not window.menus.actions["watch_folder"].isChecked()
