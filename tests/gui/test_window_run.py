"""The program as it starts, an exception that nobody caught, and the whole path on the demo capture."""

from __future__ import annotations

import sys
import threading
import weakref

import numpy as np
import pytest
from PySide6.QtCore import QTimer
from PySide6.QtWidgets import QApplication, QWidget

from app.demo import demo_path
from app.files.capture_options import ReadOptions
from app.gui import run
from app.gui.window import MainWindow


def the_window() -> MainWindow:
    (window,) = [
        one for one in QApplication.topLevelWidgets() if isinstance(one, MainWindow) and one.isVisible()
    ]
    return window


def test_the_program_opens_what_it_is_told_and_ends(tmp_path, settings, monkeypatch, qapp):
    path = tmp_path / "vents.bin"
    np.arange(-500, 500, dtype=np.int16).tofile(path)
    monkeypatch.setattr(run, "program_settings", lambda: settings)
    seen = []

    def look() -> None:
        window = the_window()
        capture = window.document.capture
        if capture is None:
            QTimer.singleShot(20, look)
            return
        seen.append((capture.name, capture.rate_hz, capture.samples, len(window.messages.lines())))
        window.close()

    QTimer.singleShot(20, look)
    assert run.run_window([path], ReadOptions(rate_hz=5e6, dtype="int16")) == 0
    assert seen == [("vents.bin", 5e6, 1000, 1)]
    assert settings.value("windowGeometry") is not None


def test_widgets_are_never_taken_down_in_a_workers_thread(settings, monkeypatch, qapp):
    monkeypatch.setattr(run, "program_settings", lambda: settings)
    taken_down_in: list[threading.Thread] = []
    early: list[threading.Thread] = []

    class Panel(QWidget):
        def __init__(self) -> None:
            super().__init__()
            self.itself = self

    def work() -> None:
        kept = []
        for _ in range(200_000):
            one: list = []
            one.append(one)
            kept.append(one)

    def begin() -> None:
        weakref.finalize(Panel(), lambda: taken_down_in.append(threading.current_thread()))
        worker = threading.Thread(target=work)
        worker.start()
        worker.join()
        early.extend(taken_down_in)
        look()

    def look() -> None:
        if taken_down_in:
            the_window().close()
        else:
            QTimer.singleShot(50, look)

    QTimer.singleShot(20, begin)
    assert run.run_window([]) == 0
    assert early == []
    assert taken_down_in == [threading.main_thread()]


def test_what_draws_is_made_once_the_window_has_been_painted(settings, monkeypatch, qapp):
    monkeypatch.setattr(run, "program_settings", lambda: settings)
    seen = []

    def look() -> None:
        window = the_window()
        seen.append(window.area.is_made)
        if seen[-1]:
            window.close()
        else:
            QTimer.singleShot(20, look)

    QTimer.singleShot(0, look)
    assert run.run_window([]) == 0
    assert (seen[0], seen[-1]) == (False, True)


@pytest.mark.parametrize("where", ["slot", "thread"])
def test_an_exception_nobody_caught_is_told(window, qtbot, where):
    def break_down() -> None:
        raise ZeroDivisionError("division by nothing")

    before = sys.excepthook, threading.excepthook
    with run.ErrorCatcher(window):
        if where == "thread":
            thread = threading.Thread(target=break_down)
            thread.start()
            thread.join()
        else:
            try:
                break_down()
            except ZeroDivisionError as error:
                sys.excepthook(type(error), error, error.__traceback__)
        qtbot.waitUntil(lambda: window.messages.lines()[0].message.weight == "error")
    assert (sys.excepthook, threading.excepthook) == before
    line = window.messages.lines()[0]
    assert "division by nothing" in line.message.text
    assert "break_down" in line.message.details


def test_the_demo_from_capture_to_session_and_back(window, make_window, tmp_path, answer, qtbot):
    window.open_paths([demo_path()])
    qtbot.waitUntil(lambda: window.document.capture is not None, timeout=20_000)
    window.menus.actions["decode_all"].trigger()
    qtbot.waitUntil(lambda: bool(window.view.runs), timeout=30_000)
    bursts = window.view.bursts
    assert len(bursts) > 10
    assert window.bursts.model.rowCount() == len(bursts)
    first = bursts[0].burst
    edges = [i for i in range(1, len(first.symbols)) if first.symbols[i] != first.symbols[i - 1]]
    quiet = next(i for i in range(1, len(first.symbols)) if i not in edges)
    at_s = first.first_symbol_s + quiet / first.symbol_rate_bd
    window.area.flip_place_wanted.emit(at_s)
    automatic = next(flip for flip in window.link.flips if flip.origin == "auto")
    window.area.flip_delete_wanted.emit(automatic)
    corrected = window.view.bursts[0]
    assert corrected.comparison.missed == corrected.comparison.extra == 1
    turned = sorted((quiet, edges[0]))
    assert corrected.changed == tuple(range(*turned))
    window.menus.actions["undo"].trigger()
    window.menus.actions["undo"].trigger()
    assert window.view.bursts[0].symbols == first.symbols
    window.menus.actions["redo"].trigger()
    window.menus.actions["redo"].trigger()

    path = tmp_path / "greenhouse.h5"
    answer("where_to_save", path)
    window.menus.actions["save"].trigger()
    qtbot.waitUntil(lambda: window.document.path == path, timeout=20_000)
    again = make_window()
    again.open_paths([path])
    qtbot.waitUntil(lambda: again.document.capture is not None, timeout=20_000)
    assert [one.bits for one in again.view.bursts] == [one.bits for one in window.view.bursts]
    assert again.view.bursts[0].changed == corrected.changed
    assert again.bursts.sentence.text() == window.bursts.sentence.text()
