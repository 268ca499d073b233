"""Entry of the program: a command runs without Qt, anything else opens the window."""

from __future__ import annotations

import gc
import os
import sys
import warnings
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

from app.cli import status
from app.cli.failures import failure_of
from app.errors import CancelledError, CaptureError, UsageError

if TYPE_CHECKING:
    import argparse

    from app.files.capture_options import ReadOptions


def main(argv: Sequence[str] | None = None) -> int:
    """Do what the command line asks and give the exit status; errors are one line on standard error."""
    _never_fail_to_print()
    if argv is None and not sys.warnoptions:
        # a warning of a library is for developers, who ask for it with python -W
        warnings.simplefilter("ignore")
    try:
        given = list(sys.argv[1:] if argv is None else argv)
        # nothing to parse, and the window opens sooner without the parser
        code = _dispatch(given) if given else _bare_window()
        sys.stdout.flush()
        return code
    except SystemExit as leaving:
        # help and version, printed by the parser
        return leaving.code if isinstance(leaving.code, int) else status.DONE
    except (KeyboardInterrupt, CancelledError):
        return _say("interrupted", status.INTERRUPTED)
    except BrokenPipeError:
        # whoever read the output has gone
        _drop_output()
        return status.PIPE_CLOSED
    except Exception as error:
        if isinstance(error, OSError):
            _drop_output()
        failure = failure_of(error)
        return _say(failure.text, failure.status)


_COMMANDS = ("info", "decode", "measure", "report", "export", "share", "verify")
"""Each in a module of `app.cli` of its name, with a function ``run``."""


def _dispatch(arguments: list[str]) -> int:
    from app.cli.parser import parse

    given = parse(arguments)
    # each command is imported when it runs: help must not wait for numpy, commands must not load Qt
    if given.command in _COMMANDS:
        code: int = import_module(f"app.cli.{given.command}").run(given)
        return code
    if given.command == "demo":
        return _demo(given)
    return _window(given)


def _demo(given: argparse.Namespace) -> int:
    from app.cli import demo
    from app.demo import demo_path
    from app.files.capture_options import ReadOptions

    code = demo.run(given)
    if not given.window or code > status.NOTHING_FOUND:
        return code
    missing = missing_display()
    if missing:
        _say(f"{missing}, so the window stays closed", code)
        return code
    sys.stdout.flush()
    return max(code, _open_window([demo_path()], ReadOptions()))


def _bare_window() -> int:
    """The window on nothing."""
    from app.files.capture_options import ReadOptions

    return _open_window([], ReadOptions())


def _window(given: argparse.Namespace) -> int:
    from app.cli.arguments import read_options

    reading = read_options(given)
    files = [path for path in given.files if os.path.exists(path)]
    for path in given.files:
        if path not in files:
            if path.name == str(path) and not path.suffix:
                raise UsageError(f"{path} is neither a command nor a file; see 'halfturn --help'")
            absent = CaptureError(path, "", "no such file", "check the name")
            _say(str(absent), status.UNREADABLE)
    if given.files and not files:
        return status.UNREADABLE
    return _open_window(files, reading)


def _open_window(files: list[Path], reading: ReadOptions) -> int:
    missing = missing_display()
    if missing:
        raise UsageError(
            f"{missing}, so the window cannot open; the commands work without: see 'halfturn --help'"
        )
    # nothing that is made while starting is garbage, and looking for it takes a tenth of the start
    gc.disable()
    try:
        from app.gui.run import run_window
    except ImportError as error:
        raise UsageError(
            f"the window cannot start ({error}); install the system libraries that Qt needs"
        ) from error
    return run_window(files, reading)


def missing_display() -> str | None:
    """Why no window can be shown, None if one can."""
    told = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
    if sys.platform in ("win32", "darwin") or any(os.environ.get(name) for name in told):
        return None
    return "there is no display (neither DISPLAY nor WAYLAND_DISPLAY is set)"


def _say(text: str, code: int) -> int:
    sys.stderr.write(f"halfturn: {text}\n")
    return code


def _drop_output() -> None:
    """Keep the interpreter from failing once more, on its way out, over output that goes nowhere."""
    try:
        sys.stdout.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _never_fail_to_print() -> None:
    """File names may hold what the terminal's encoding lacks; write that as escapes."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


if __name__ == "__main__":
    sys.exit(main())
