"""The program itself on a real X server, used with mouse and keyboard from outside."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from subprocess import Popen

import pytest
from gui.screen import MISSING, Hand, Screen, program_on, screen_of, wait_until

from app.demo import demo_path
from app.files.session import read_session

pytestmark = [
    pytest.mark.xvfb,
    pytest.mark.skipif(bool(MISSING), reason=f"not installed: {', '.join(MISSING)}"),
]


@pytest.fixture
def display() -> Iterator[Screen]:
    with screen_of(1600, 900) as screen:
        yield screen


@pytest.fixture
def program(display: Screen, home: Path) -> Iterator[Popen[str]]:
    with program_on(display, home, str(demo_path())) as running:
        yield running


def test_from_capture_to_saved_session_with_mouse_and_keyboard(display, program, tmp_path):
    path = tmp_path / "greenhouse.h5"
    hand = Hand(display)
    hand.take()
    wait_until(lambda: hand.title.startswith("greenhouse-line"), "the capture")
    hand.focus()
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
    hand.dialog("Keep span")
    hand.do("key", "Return")
    hand.gone("Keep span")
    hand.focus()
    hand.do("key", "ctrl+s")
    hand.dialog("Save session")
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
