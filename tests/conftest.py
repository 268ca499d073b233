"""What holds in every test: no real screen, no real home folder, no thread left running."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

# before anything imports Qt; tests that need a real X server start one for a process of their own
os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

# machines are shared, so time says nothing; failures are shown as plain examples, not kept in a folder
settings.register_profile("halfturn", deadline=None, database=None, print_blob=True)
settings.load_profile("halfturn")

_PATIENCE_S = 3.0


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--screenshots", metavar="FOLDER", help="keep what the scripted run saw of each step in this folder"
    )


@pytest.fixture(autouse=True)
def home(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty home folder, so that no test sees or leaves settings."""
    folder = tmp_path_factory.mktemp("home")
    monkeypatch.setenv("HOME", str(folder))
    for name in ("CONFIG", "DATA", "CACHE", "STATE"):
        monkeypatch.setenv(f"XDG_{name}_HOME", str(folder / name.lower()))
    return folder


@pytest.fixture(autouse=True)
def no_thread_left() -> Iterator[None]:
    """Fail the test that leaves a thread which would keep the program from ending."""
    before = set(threading.enumerate())
    yield
    deadline = time.monotonic() + _PATIENCE_S
    while (left := _left_over(before)) and time.monotonic() < deadline:
        time.sleep(0.01)
    if left:
        pytest.fail(f"threads left running: {', '.join(sorted(t.name for t in left))}")


def _left_over(before: set[threading.Thread]) -> list[threading.Thread]:
    return [t for t in threading.enumerate() if t not in before and t.is_alive() and not t.daemon]
