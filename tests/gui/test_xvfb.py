"""The program itself on a real X server, used with mouse and keyboard from outside."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from app.demo import demo_path
from app.files.session import read_session

ROOT = Path(__file__).parents[2]
MISSING = [name for name in ("Xvfb", "xdotool") if shutil.which(name) is None]

pytestmark = [
    pytest.mark.xvfb,
    pytest.mark.skipif(bool(MISSING), reason=f"not installed: {', '.join(MISSING)}"),
]


@pytest.fixture
def display() -> Iterator[str]:
    """A screen of our own, of 1600 by 900 points."""
    reader, writer = os.pipe()
    server = subprocess.Popen(
        ["Xvfb", "-displayfd", str(writer), "-screen", "0", "1600x900x24", "-nolisten", "tcp"],
        pass_fds=(writer,),
        stderr=subprocess.DEVNULL,
    )
    os.close(writer)
    with os.fdopen(reader) as told:
        number = told.readline().strip()
    yield f":{number}"
    server.terminate()
    server.wait(10)


class Hand:
    """Mouse and keyboard on one display."""

    def __init__(self, display: str) -> None:
        self._environment = {**os.environ, "DISPLAY": display}
        self.window = ""

    def do(self, *what: str) -> str:
        done = subprocess.run(
            ["xdotool", *what], env=self._environment, capture_output=True, text=True, check=False, timeout=20
        )
        return done.stdout.strip()

    def take(self) -> None:
        """Wait for the window, and give it the keyboard."""
        wait_until(lambda: bool(self.do("search", "--onlyvisible", "--name", "Halfturn")), "a window")
        self.window = self.do("search", "--onlyvisible", "--name", "Halfturn").splitlines()[0]
        self.focus()

    def focus(self) -> None:
        """Without a window manager nobody gives the keyboard back when a dialog goes."""
        self.do("windowfocus", "--sync", self.window)

    @property
    def title(self) -> str:
        return self.do("getwindowname", self.window)

    def drag(self, start: tuple[int, int], end: tuple[int, int]) -> None:
        middle = ((start[0] + end[0]) // 2, (start[1] + end[1]) // 2)
        self.do("mousemove", *map(str, start), "mousedown", "1")
        for place in (middle, end):
            self.do("mousemove", *map(str, place))
        self.do("mouseup", "1")


def wait_until(condition: Callable[[], bool], what: str, seconds: float = 40.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, f"waited in vain for {what}"
        time.sleep(0.05)


@pytest.fixture
def program(display: str, home: Path) -> Iterator[subprocess.Popen[str]]:
    environment = {**os.environ, "DISPLAY": display, "QT_QPA_PLATFORM": "xcb", "HOME": str(home)}
    running = subprocess.Popen(
        [sys.executable, "-m", "app", str(demo_path())],
        cwd=ROOT,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    yield running
    if running.poll() is None:
        running.kill()
    running.communicate(timeout=10)


def test_from_capture_to_saved_session_with_mouse_and_keyboard(display, program, tmp_path):
    path = tmp_path / "greenhouse.h5"
    hand = Hand(display)
    hand.take()
    wait_until(lambda: hand.title.startswith("greenhouse-line"), "the capture")
    hand.do("key", "ctrl+d")
    wait_until(lambda: "*" in hand.title, "the decode")
    # two flips by mouse, one of them taken back; a third by keyboard; a span, which is kept
    hand.do("key", "alt+4")
    hand.do("mousemove", "400", "300", "click", "1")
    hand.do("mousemove", "600", "300", "click", "1")
    hand.do("key", "ctrl+z")
    hand.do("mousemove", "700", "320", "key", "ctrl+f")
    hand.do("keydown", "shift")
    hand.drag((300, 320), (420, 320))
    hand.do("keyup", "shift")
    hand.do("key", "ctrl+shift+m")
    dialog = "Keep span"
    wait_until(lambda: bool(hand.do("search", "--onlyvisible", "--name", dialog)), "the question for a name")
    wait_until(lambda: hand.do("getwindowname", hand.do("getwindowfocus", "-f")) == dialog, "the focus")
    hand.do("key", "Return")
    wait_until(lambda: not hand.do("search", "--onlyvisible", "--name", dialog), "the span")
    hand.focus()
    hand.do("key", "ctrl+s")
    wait_until(lambda: bool(hand.do("search", "--onlyvisible", "--name", "Save session")), "the dialog")
    hand.do("key", "ctrl+a")
    hand.do("type", "--delay", "1", str(path))
    hand.do("key", "Return")
    wait_until(lambda: hand.title.startswith("greenhouse.h5") and "*" not in hand.title, "the session")
    hand.focus()
    hand.do("key", "ctrl+q")
    assert program.wait(20) == 0
    _, errors = program.communicate()
    assert errors == ""

    kept = read_session(path)
    assert len(kept.decodes) == 1
    assert len(kept.decodes[0].result.bursts) > 10
    early, late = sorted(flip.time_s for flip in kept.flips)
    assert early < late
    (span,) = kept.spans
    assert kept.captures[0].start_s < span.start_s < early < span.end_s < late
