"""The whole job on a real X server, from open to saved session, by mouse and keyboard from outside, a picture a step.

``pytest tests/gui/test_whole_job.py --screenshots FOLDER`` keeps the pictures, to be looked at: no check finds what a
stranger would stumble over.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from generators.long_runs import long_but
from gui.screen import MISSING, Hand, Screen, program_on, screen_of, wait_until
from PySide6.QtGui import QImage

from app.demo import demo_path
from app.files.session import read_session

pytestmark = [
    pytest.mark.xvfb,
    pytest.mark.skipif(bool(MISSING), reason=f"not installed: {', '.join(MISSING)}"),
]


@dataclass(frozen=True)
class Look:
    """Palette, scale of everything, and the window's size in pixels of the screen."""

    palette: str
    scale: float
    width: int
    height: int

    @property
    def name(self) -> str:
        return f"{self.palette}-{self.scale:.0%}-{self.width}x{self.height}".replace("%", "")


LOOKS = (
    Look("light", 1.0, 1600, 1000),
    Look("dark", 1.0, 1600, 1000),
    Look("light", 2.0, 2800, 1800),
    Look("dark", 2.0, 2800, 1800),
    Look("light", 1.0, 1024, 700),
    Look("dark", 1.0, 1024, 700),
)


class Album:
    """Keeps a picture of each step, numbered."""

    def __init__(self, screen: Screen, hand: Hand, folder: Path, look: Look) -> None:
        self._screen, self._hand, self._folder, self._look = screen, hand, folder, look
        self._count = 0
        self._before: bytes = b""

    def keep(self, step: str) -> QImage:
        """What is on the screen when it has come to rest; it differs from the step before."""
        self._hand.still()
        self._count += 1
        path = self._folder / f"{self._look.name}-{self._count:02}-{step}.png"
        image = self._screen.save(path, (self._look.width, self._look.height))
        pixels = self._screen.pixels().tobytes()
        assert pixels != self._before, f"{step} changed nothing that could be seen"
        self._before = pixels
        return image


@pytest.fixture
def folder(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    told = request.config.getoption("--screenshots")
    return Path(told) if told else tmp_path / "screenshots"


def find(hand: Hand, words: str) -> None:
    """Take an action by a word of it."""
    hand.key("F4")
    hand.type(words)
    hand.key("Return")


def open_and_decode(hand: Hand, album: Album) -> None:
    hand.key("ctrl+o")
    hand.dialog("Open captures")
    album.keep("open")
    hand.type(str(demo_path()))
    hand.key("Return")
    wait_until(lambda: hand.title.startswith("greenhouse-line"), "the capture")
    hand.focus()
    album.keep("opened")
    hand.key("ctrl+d")
    wait_until(lambda: "*" in hand.title, "the decode")
    album.keep("decoded")
    hand.key("ctrl+Down", "ctrl+Down")
    album.keep("burst")
    hand.key("ctrl+shift+k")
    album.keep("cursors")


def mark(hand: Hand, album: Album, look: Look) -> None:
    middle = (0.3 * look.width, 0.4 * look.height)
    hand.key("alt+4")
    hand.click(*middle)
    album.keep("flip")
    hand.do("keydown", "shift")
    hand.drag((0.2 * look.width, middle[1]), (0.4 * look.width, middle[1]))
    hand.do("keyup", "shift")
    album.keep("span")
    hand.key("ctrl+shift+m")
    hand.dialog("Keep span")
    album.keep("span-name")
    hand.key("Return")
    hand.gone("Keep span")
    hand.focus()
    hand.key("ctrl+i")
    for key, panel in ((5, "pictures"), (6, "notes"), (7, "warnings"), (3, "channels"), (4, "sent")):
        hand.key(f"ctrl+{key}")
        album.keep(f"panel-{panel}")


def look_around(hand: Hand, album: Album) -> None:
    hand.key("F4")
    hand.type("flip")
    album.keep("find")
    hand.key("Escape", "Escape")
    hand.key("F1")
    hand.dialog("Keyboard and mouse")
    album.keep("keys")
    hand.key("Escape")
    hand.gone("Keyboard and mouse")
    hand.focus()


def hand_on(hand: Hand, album: Album, figure: Path, session: Path) -> None:
    hand.key("ctrl+p")
    hand.dialog("Figure of the trace")
    album.keep("figure")
    hand.key("Return")
    hand.dialog("Export picture")
    hand.key("ctrl+a")
    hand.type(str(figure))
    hand.key("Return")
    wait_until(figure.exists, "the figure")
    hand.gone("Figure of the trace")
    hand.focus()
    hand.key("ctrl+s")
    hand.dialog("Save session")
    hand.key("ctrl+a")
    hand.type(str(session))
    hand.key("Return")
    wait_until(lambda: hand.title.startswith("greenhouse.h5") and "*" not in hand.title, "the session")
    hand.focus()
    album.keep("saved")


@pytest.mark.parametrize("look", long_but(0, of=LOOKS), ids=lambda look: look.name)
def test_from_an_empty_window_to_a_saved_session(look, folder, home, tmp_path):
    session, figure = tmp_path / "greenhouse.h5", tmp_path / "greenhouse.svg"
    with (
        screen_of(look.width, look.height) as screen,
        program_on(screen, home, scale=look.scale) as program,
    ):
        hand = Hand(screen)
        hand.take()
        hand.size(look.width, look.height)
        album = Album(screen, hand, folder, look)
        hand.still()
        find(hand, f"{look.palette} on")
        hand.focus()
        ground = album.keep("empty")
        assert (ground.pixelColor(look.width // 5, look.height * 4 // 5).lightness() < 128) == (
            look.palette == "dark"
        )
        hand.key("ctrl+alt+m")
        open_and_decode(hand, album)
        mark(hand, album, look)
        look_around(hand, album)
        hand_on(hand, album, figure, session)
        hand.key("ctrl+q")
        assert program.wait(20) == 0
        assert program.communicate()[1] == ""
    kept = read_session(session)
    assert len(kept.decodes[0].result.bursts) > 10
    assert len(kept.flips) >= 1
    assert len(kept.spans) == 1
    assert len(list(folder.glob(f"{look.name}-*.png"))) >= 15
    assert b"<text" in figure.read_bytes()
    assert np.isfinite(kept.flips[0].time_s)
