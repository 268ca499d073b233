"""A window with settings of its own, no question answered unless a test says how, and nothing left behind."""

from __future__ import annotations

import os

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import QSettings, QTimer
from PySide6.QtWidgets import QApplication
from pytestqt.qtbot import QtBot

from app.gui import ask
from app.gui.window import MainWindow
from app.model.capture import Capture, Channel, Segment

QUESTIONS = (
    "files_to_open",
    "session_to_open",
    "where_to_save",
    "what_to_do_with_changes",
    "decode_settings",
    "read_options",
    "capture_details",
    "derived_channel",
    "span_name",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    # the offscreen platform says so of every window with a least size; it means nothing
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.qt_log_ignore("does not support propagateSizeHints", extend=True))


@pytest.fixture(autouse=True)
def no_questions(monkeypatch: pytest.MonkeyPatch) -> None:
    """A question nobody expects fails the test instead of holding it up."""

    def unexpected(name: str) -> Callable[..., object]:
        def fail(*_args: object) -> object:
            raise AssertionError(f"the window asked {name}")

        return fail

    for name in QUESTIONS:
        monkeypatch.setattr(ask, name, unexpected(name))


@pytest.fixture
def answer(monkeypatch: pytest.MonkeyPatch) -> Callable[[str, object], list[tuple[object, ...]]]:
    """``answer("where_to_save", path)`` answers a question; the list given back fills with what was asked."""

    def set_answer(name: str, value: object) -> list[tuple[object, ...]]:
        asked: list[tuple[object, ...]] = []

        def reply(*args: object) -> object:
            asked.append(args)
            return value

        monkeypatch.setattr(ask, name, reply)
        return asked

    return set_answer


@pytest.fixture
def settings(tmp_path: Path) -> QSettings:
    return QSettings(str(tmp_path / "settings.ini"), QSettings.Format.IniFormat)


@pytest.fixture
def make_window(qtbot: QtBot, settings: QSettings) -> Iterator[Callable[[], MainWindow]]:
    """Makes shown windows, and closes them at the end whatever is unsaved."""
    made: list[MainWindow] = []

    def make() -> MainWindow:
        window = MainWindow(settings)
        qtbot.addWidget(window)
        window.show()
        made.append(window)
        return window

    yield make
    for window in made:
        shut(window)
        running = [timer for timer in window.findChildren(QTimer) if timer.isActive()]
        assert not running, f"timers left running: {[timer.parent() for timer in running]}"
    QApplication.clipboard().clear()


@pytest.fixture
def window(make_window: Callable[[], MainWindow]) -> MainWindow:
    return make_window()


def shut(window: MainWindow) -> None:
    """Close a window without being asked about changes."""
    if window.isVisible():
        window.document.mark_saved(window.document.state, Path("nowhere.h5"))
        window.close()
    assert not window.isVisible()


@pytest.fixture
def quiet_capture() -> Capture:
    """A tenth of a second of two channels, a tone and its half."""
    stored = np.round(8000 * np.sin(2 * np.pi * 1000 * np.arange(10_000) / 100_000)).astype(np.int16)
    channels = (Channel("wire A", stored, 1e-3), Channel("wire B", stored // 2, 1e-3))
    return Capture("vents", "made up", 1e5, 0.5, channels, (Segment(0, 10_000, 0.5),))
