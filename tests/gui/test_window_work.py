"""Long work off the window's thread: answers, progress, cancelling, overtaking, leaving."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest
from PySide6.QtCore import QThread

from app.errors import CancelledError
from app.gui.panels.work_bar import WorkBar
from app.gui.work import JobRunner


@pytest.fixture
def runner(qapp) -> Iterator[JobRunner]:
    made = JobRunner()
    yield made
    made.close()


class Answers:
    """Keeps what came back, and in which thread."""

    def __init__(self) -> None:
        self.done: list[object] = []
        self.failed: list[BaseException] = []
        self.threads: set[object] = set()

    def on_done(self, answer: object) -> None:
        self.done.append(answer)
        self.threads.add(QThread.currentThread())

    def on_failed(self, error: BaseException) -> None:
        self.failed.append(error)
        self.threads.add(QThread.currentThread())


def until_cancelled(progress, cancelled):
    """Works until it is told to stop."""
    while not cancelled():
        threading.Event().wait(0.001)
    raise CancelledError("stopped")


def test_work_runs_elsewhere_and_answers_here(runner, qtbot):
    answers = Answers()
    ran_in = []

    def call(progress, cancelled):
        ran_in.append(threading.current_thread())
        return 42

    runner.start("Adding", call, answers.on_done, answers.on_failed)
    assert answers.done == []
    qtbot.waitUntil(lambda: answers.done == [42])
    assert ran_in[0] is not threading.main_thread()
    assert answers.threads == {qtbot_thread()}
    assert runner.current() is None


def qtbot_thread() -> QThread:
    return QThread.currentThread()


def test_a_failure_comes_back_as_the_error(runner, qtbot):
    answers = Answers()

    def call(progress, cancelled):
        raise ValueError("no such thing")

    runner.start("Failing", call, answers.on_done, answers.on_failed)
    qtbot.waitUntil(lambda: bool(answers.failed))
    assert str(answers.failed[0]) == "no such thing"
    assert answers.done == []


def test_progress_is_shown_and_goes(runner, qtbot):
    bar = WorkBar(runner)
    qtbot.addWidget(bar)
    go_on = threading.Event()

    def call(progress, cancelled):
        progress(0.25)
        go_on.wait(5)

    answers = Answers()
    runner.start("Decoding vents", call, answers.on_done, answers.on_failed)
    qtbot.waitUntil(lambda: not bar.isHidden())
    qtbot.waitUntil(lambda: bar.bar.value() == 250)
    assert bar.title.text() == "Decoding vents"
    go_on.set()
    qtbot.waitUntil(bar.isHidden)
    assert answers.done == [None]


def test_cancelled_work_never_answers(runner, qtbot):
    answers = Answers()
    stopped = threading.Event()

    def call(progress, cancelled):
        try:
            until_cancelled(progress, cancelled)
        finally:
            stopped.set()

    runner.start("Waiting", call, answers.on_done, answers.on_failed)
    assert runner.waiting == 1
    runner.cancel()
    assert runner.current() is None
    assert stopped.wait(5)
    runner.start("Next", lambda p, c: "next", answers.on_done, answers.on_failed)
    qtbot.waitUntil(lambda: answers.done == ["next"])
    assert answers.failed == []


def test_an_answer_that_comes_after_cancelling_is_dropped(runner, qtbot):
    answers = Answers()
    go_on = threading.Event()
    runner.start("Slow", lambda p, c: go_on.wait(5), answers.on_done, answers.on_failed)
    runner.cancel()
    go_on.set()
    runner.start("Next", lambda p, c: "next", answers.on_done, answers.on_failed)
    qtbot.waitUntil(lambda: bool(answers.done))
    assert answers.done == ["next"]


def test_newer_work_overtakes_older_on_its_topic_only(runner, qtbot):
    answers = Answers()
    runner.start("Old", until_cancelled, answers.on_done, answers.on_failed, topic="decode")
    runner.start("Other", lambda p, c: "other", answers.on_done, answers.on_failed, topic="open")
    runner.start("New", lambda p, c: "new", answers.on_done, answers.on_failed, topic="decode")
    qtbot.waitUntil(lambda: sorted(map(str, answers.done)) == ["new", "other"])
    assert answers.failed == []


def test_closing_cancels_and_waits(qapp):
    runner = JobRunner()
    answers = Answers()
    ended = threading.Event()

    def call(progress, cancelled):
        try:
            until_cancelled(progress, cancelled)
        finally:
            ended.set()

    runner.start("Waiting", call, answers.on_done, answers.on_failed)
    runner.close()
    assert ended.is_set() or not any(t.name.startswith("halfturn-work") for t in threading.enumerate())
    with pytest.raises(RuntimeError, match="after shutdown"):
        runner.start("Too late", until_cancelled, answers.on_done, answers.on_failed)
