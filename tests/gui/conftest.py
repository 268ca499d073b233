"""A window with settings of its own, no question answered unless a test says how, and nothing left behind."""

from __future__ import annotations

import gc
import os

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtCore import QSettings, QTimer
from PySide6.QtGui import QPalette
from PySide6.QtWidgets import QApplication
from pytestqt.qtbot import QtBot

from app.gui import ask, ask_handover
from app.gui.window import MainWindow
from app.jobs.decoding import DecodeOutcome, DecodeRequest
from app.model.capture import Capture, Channel, Segment
from app.model.commands_captures import OpenCapture
from app.model.tolerance import Tolerance
from dsp.results import Burst, Decode, Signalling

QUESTIONS = (
    "files_to_open",
    "session_to_open",
    "where_to_save",
    "where_to_export",
    "where_to_export_plot",
    "where_to_export_table",
    "cursor_name",
    "level",
    "level_line",
    "what_to_do_with_changes",
    "decode_settings",
    "read_options",
    "capture_details",
    "derived_channel",
    "channel_meaning",
    "pair_of_channels",
    "folder_to_watch",
    "span_name",
)


HANDOVER_QUESTIONS = (
    *("where_to_report", "what_to_export", "what_to_share", "where_to_share", "opinion_to_open"),
    *("recover", "overwrite_changed", "where_is_linked"),
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
    for name in HANDOVER_QUESTIONS:
        monkeypatch.setattr(ask_handover, name, unexpected(name))


@pytest.fixture
def answer(monkeypatch: pytest.MonkeyPatch) -> Callable[[str, object], list[tuple[object, ...]]]:
    """``answer("where_to_save", path)`` answers a question; the list given back fills with what was asked."""

    def set_answer(name: str, value: object) -> list[tuple[object, ...]]:
        asked: list[tuple[object, ...]] = []

        def reply(*args: object) -> object:
            asked.append(args)
            return value

        monkeypatch.setattr(ask_handover if name in HANDOVER_QUESTIONS else ask, name, reply)
        return asked

    return set_answer


@pytest.fixture(autouse=True)
def garbage_in_this_thread() -> Iterator[None]:
    """As in the program: widgets of an earlier test must not be taken down in a worker's thread of this one."""
    gc.disable()
    yield
    if gc.get_count()[0] > 50_000:
        gc.collect()
    gc.enable()


@pytest.fixture
def settings(tmp_path: Path) -> QSettings:
    return QSettings(str(tmp_path / "settings.ini"), QSettings.Format.IniFormat)


@pytest.fixture
def make_window(qtbot: QtBot, settings: QSettings) -> Iterator[Callable[[], MainWindow]]:
    """Makes shown windows, and closes them at the end whatever is unsaved."""

    def make() -> MainWindow:
        window = MainWindow(settings)
        qtbot.addWidget(window, before_close_func=shut)
        window.show()
        return window

    yield make
    QApplication.clipboard().clear()
    QApplication.setPalette(QPalette())


@pytest.fixture
def window(make_window: Callable[[], MainWindow]) -> MainWindow:
    return make_window()


def shut(window: MainWindow) -> None:
    """Close a window without being asked about changes; nothing may go on running in it."""
    if window.isVisible():
        window.document.mark_saved(window.document.state, Path("nowhere.h5"))
        window.close()
    assert not window.isVisible()
    running = [timer for timer in window.findChildren(QTimer) if timer.isActive()]
    assert not running, f"timers left running: {[timer.parent() for timer in running]}"


def made_up_burst(start_s: float, symbols: str) -> Burst:
    """A burst of 1 ms symbols with a flip just after each edge at which they turn over."""
    edges = [i for i in range(1, len(symbols)) if symbols[i] != symbols[i - 1]]
    flips_s = tuple(start_s + edge * 1e-3 + 2e-6 for edge in edges)
    return Burst(
        start_s=start_s,
        end_s=start_s + len(symbols) * 1e-3,
        start_probability=0.99,
        end_probability=0.99,
        cut_at_start=False,
        cut_at_end=False,
        talker=0,
        amplitude=8.0,
        amplitude_std=0.01,
        carrier_hz=1000.0,
        carrier_std_hz=0.2,
        symbol_rate_bd=1000.0,
        symbol_rate_std_bd=0.1,
        symbol_rate_alternatives_bd=(),
        cycles_per_symbol=1.0,
        esn0_db=18.0,
        esn0_std_db=0.5,
        first_symbol_s=start_s,
        flips_s=flips_s,
        flips_interval_s=tuple((time_s - 1e-5, time_s + 1e-5) for time_s in flips_s),
        bits_per_symbol=1,
        symbols=symbols,
        confidence=(0.99,) * len(symbols),
        line_code="plain",
        bits=symbols,
    )


@pytest.fixture
def made_up_decode(monkeypatch: pytest.MonkeyPatch) -> list[DecodeRequest]:
    """Any decode finds two made-up bursts; the list fills with what was asked for."""
    asked: list[DecodeRequest] = []
    bursts = (made_up_burst(0.510, "1110010000"), made_up_burst(0.550, "10101010"))

    def run(request: DecodeRequest, _progress: object, _cancelled: object) -> DecodeOutcome:
        asked.append(request)
        first_s = request.capture.start_s
        span_s = request.span_s or (first_s, first_s + request.capture.duration_s)
        return DecodeOutcome(
            channel=request.channel or request.capture.channels[0].name,
            unit="V",
            sample_rate_hz=request.capture.rate_hz,
            start_s=first_s,
            samples=request.capture.samples,
            span_s=(span_s[0] or first_s, span_s[1] or first_s),
            tolerance=Tolerance(),
            result=Decode(request.settings, Signalling("bpsk", 0.99, (), ("made up",)), bursts),
            samples_sha256="00" * 32,
        )

    monkeypatch.setattr("app.jobs.decoding.run_decode", run)
    return asked


@pytest.fixture
def decoded(
    window: MainWindow, quiet_capture: Capture, made_up_decode: list[DecodeRequest], qtbot: QtBot
) -> MainWindow:
    """A window on a capture in which two bursts were found."""
    window.bridge.run(OpenCapture(quiet_capture))
    window.menus.actions["decode_all"].trigger()
    qtbot.waitUntil(lambda: len(window.view.bursts) == 2)
    return window


@pytest.fixture
def quiet_capture() -> Capture:
    """A tenth of a second of two channels, a tone and its half."""
    stored = np.round(8000 * np.sin(2 * np.pi * 1000 * np.arange(10_000) / 100_000)).astype(np.int16)
    channels = (Channel("wire A", stored, 1e-3), Channel("wire B", stored // 2, 1e-3))
    return Capture("vents", "made up", 1e5, 0.5, channels, (Segment(0, 10_000, 0.5),))
