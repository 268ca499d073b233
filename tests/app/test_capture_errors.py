"""Errors are one line, survive a process boundary, and cost nothing to import."""

from __future__ import annotations

import pickle
import subprocess
import sys
from pathlib import Path

import pytest

from app import errors
from app.errors import CaptureError, HalfturnError, SessionError, UsageError

ROOT = Path(__file__).resolve().parents[2]


def test_a_capture_error_names_file_place_problem_and_remedy() -> None:
    error = CaptureError(Path("vent.csv"), "row 7", "three cells", "mend it")
    assert str(error) == "vent.csv, row 7: three cells; mend it"
    assert str(CaptureError("vent.csv", "", "empty", "save it again")) == "vent.csv: empty; save it again"


@pytest.mark.parametrize(
    "error",
    [
        CaptureError(Path("vent.csv"), "row 7", "three cells", "mend it"),
        UsageError("no such channel"),
        SessionError("damaged"),
    ],
)
def test_errors_come_back_whole_from_a_worker_process(error: HalfturnError) -> None:
    again = pickle.loads(pickle.dumps(error))
    assert type(again) is type(error)
    assert str(again) == str(error)
    assert again.__dict__ == error.__dict__


def test_odd_file_names_do_not_break_the_line() -> None:
    message = str(CaptureError("a\nb\x1b[31m.csv", "", "what\r\nnow", "stop\there"))
    assert message == "a b [31m.csv: what now; stop here"
    assert str(UsageError("two\nlines")) == "two lines"


def test_cancelling_is_no_failure() -> None:
    assert not issubclass(errors.CancelledError, HalfturnError)


def test_errors_and_options_import_nothing_heavy() -> None:
    code = "import app.errors, app.files.capture_options, sys; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    modules = set(done.stdout.split())
    assert "app.files.capture_options" in modules
    assert not modules & {"numpy", "scipy", "h5py", "PySide6"}
