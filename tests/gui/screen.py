"""A screen of our own (Xvfb), and a hand that uses mouse and keyboard on it from outside the program."""

from __future__ import annotations

import os
import shutil
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PySide6.QtGui import QImage

ROOT = Path(__file__).parents[2]
MISSING = [name for name in ("Xvfb", "xdotool") if shutil.which(name) is None]
_STILL_S = 0.35


@dataclass(frozen=True)
class Screen:
    """``name`` is what ``DISPLAY`` says; ``memory`` is the file that holds its pixels."""

    name: str
    memory: Path

    def pixels(self) -> np.ndarray:
        """Shape (height, width, 4), bytes in the order blue, green, red, unused.

        The file is an X window dump: a header of 32-bit numbers, most significant byte first, of which the first is
        its length, the fifth and sixth width and height, the thirteenth the bytes in a line and the twentieth the
        number of colours of 12 bytes each that stand before the pixels (X11/XWDFile.h, version 7).
        """
        content = self.memory.read_bytes()
        header = struct.unpack(">25I", content[:100])
        wide, high, stride = header[4], header[5], header[12]
        begin = header[0] + 12 * header[19]
        rows = np.frombuffer(content, np.uint8, stride * high, begin).reshape(high, stride)
        return rows[:, : 4 * wide].reshape(high, wide, 4)

    def save(self, path: Path, size: tuple[int, int] | None = None) -> QImage:
        """What is on the screen, or in its top left corner, as PNG."""
        pixels = self.pixels()
        if size is not None:
            pixels = pixels[: size[1], : size[0]]
        pixels = np.ascontiguousarray(pixels)
        high, wide = pixels.shape[:2]
        image = QImage(pixels.data, wide, high, 4 * wide, QImage.Format.Format_RGB32).copy()
        path.parent.mkdir(parents=True, exist_ok=True)
        assert image.save(str(path)), path
        return image


@contextmanager
def screen_of(width: int, height: int) -> Iterator[Screen]:
    """A screen of so many points, gone at the end."""
    reader, writer = os.pipe()
    with tempfile.TemporaryDirectory() as folder:
        server = subprocess.Popen(
            [
                *("Xvfb", "-displayfd", str(writer), "-screen", "0", f"{width}x{height}x24"),
                # else it begins anew when the last of its clients goes, and refuses a program that comes just then
                *("-nolisten", "tcp", "-noreset", "-fbdir", folder),
            ],
            pass_fds=(writer,),
            stderr=subprocess.DEVNULL,
        )
        os.close(writer)
        with os.fdopen(reader) as told:
            number = told.readline().strip()
        try:
            yield Screen(f":{number}", Path(folder) / "Xvfb_screen0")
        finally:
            server.terminate()
            server.wait(10)


@contextmanager
def program_on(
    screen: Screen, home: Path, *arguments: str, scale: float = 1.0
) -> Iterator[subprocess.Popen[str]]:
    """The program, with nothing but ``home`` to keep settings in."""
    environment = {**os.environ, "DISPLAY": screen.name, "QT_QPA_PLATFORM": "xcb", "HOME": str(home)}
    if scale != 1.0:
        environment["QT_SCALE_FACTOR"] = str(scale)
    running = subprocess.Popen(
        [sys.executable, "-m", "app", *arguments],
        cwd=ROOT,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield running
    finally:
        if running.poll() is None:
            running.kill()
        running.communicate(timeout=10)


class Hand:
    """Mouse and keyboard on one screen."""

    def __init__(self, screen: Screen) -> None:
        self._screen = screen
        self._environment = {**os.environ, "DISPLAY": screen.name}
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

    def size(self, width: int, height: int) -> None:
        self.do(
            "windowmove", self.window, "0", "0", "windowsize", "--sync", self.window, f"{width}", f"{height}"
        )

    @property
    def title(self) -> str:
        return self.do("getwindowname", self.window)

    def key(self, *keys: str) -> None:
        self.do("key", *keys)

    def type(self, text: str) -> None:
        self.do("type", "--delay", "2", text)

    def dialog(self, name: str) -> None:
        """Wait for a window of this name, and until it has the keyboard."""
        wait_until(lambda: bool(self.do("search", "--onlyvisible", "--name", name)), f"the dialog {name}")
        found = self.do("search", "--onlyvisible", "--name", name).splitlines()[0]
        self.do("windowfocus", "--sync", found)
        wait_until(lambda: self.do("getwindowfocus", "-f") == found, f"the keyboard in {name}")

    def gone(self, name: str) -> None:
        wait_until(lambda: not self.do("search", "--onlyvisible", "--name", name), f"{name} to close")

    def click(self, x: float, y: float, *, times: int = 1) -> None:
        self.do("mousemove", f"{x:.0f}", f"{y:.0f}", "click", "--repeat", str(times), "--delay", "60", "1")

    def drag(self, start: tuple[float, float], end: tuple[float, float]) -> None:
        middle = ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
        self.do("mousemove", *(f"{place:.0f}" for place in start), "mousedown", "1")
        for point in (middle, end):
            self.do("mousemove", *(f"{place:.0f}" for place in point))
        self.do("mouseup", "1")

    def still(self, seconds: float = 20.0) -> None:
        """Wait until nothing on the screen changes any more."""
        deadline = time.monotonic() + seconds
        before, since = self._screen.pixels().tobytes(), time.monotonic()
        while time.monotonic() < deadline:
            time.sleep(0.1)
            now = self._screen.pixels().tobytes()
            if now != before:
                before, since = now, time.monotonic()
            elif time.monotonic() - since >= _STILL_S:
                return


def wait_until(condition: Callable[[], bool], what: str, seconds: float = 40.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, f"waited in vain for {what}"
        time.sleep(0.05)
