"""Read an HDF5 file in a process of its own first: a broken file can end the library's process.

Whoever made the file, the worst it can do is end this trial; the window then never opens it.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

from app.errors import CancelledError, SessionError

_SIGNATURE = b"\x89HDF\r\n\x1a\n"
_LONGEST_S = 300.0
_ASK_EVERY_S = 0.1
_CALL = "import sys; from app.files.probe import try_out; try_out(sys.argv[1])"


def check_in_child(path: Path, cancelled: Callable[[], bool] | None = None) -> None:
    """Nothing if ``path`` is no HDF5 file or can be read, or refused, without ending the process that does it.

    Raises
    ------
    app.errors.SessionError : reading it ended the trial process, or takes far too long.
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    if not _is_hdf5(path):
        return
    root = str(Path(__file__).parents[2])
    environment = dict(os.environ, PYTHONPATH=os.pathsep.join([root, os.environ.get("PYTHONPATH", "")]))
    with subprocess.Popen(
        [sys.executable, "-c", _CALL, str(path.absolute())],
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as child:
        try:
            code = _wait(child, cancelled)
        finally:
            child.kill()
    if code is None:
        raise SessionError(f"{path}: it cannot be opened: reading it takes more than {_LONGEST_S:.0f} s")
    if code != 0:
        raise SessionError(
            f"{path}: it cannot be opened: the HDF5 library broke down over it in a trial, so it is damaged or hostile"
        )


def try_out(path: str) -> None:
    """In the child: read the file as it would be read; a refusal is as good as success."""
    from app.errors import HalfturnError
    from app.files.captures import open_capture
    from app.files.session_load import load_tree, says_it_is_a_session

    try:
        if says_it_is_a_session(Path(path)):
            load_tree(Path(path))
        else:
            open_capture(Path(path))
    except (HalfturnError, OSError, MemoryError):
        pass
    # what the library does on its way out matters here, too
    sys.exit(0)


def _is_hdf5(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            start = file.read(4096)
    except OSError:
        return False
    return any(start.startswith(_SIGNATURE, front) for front in (0, 512, 1024, 2048))


def _wait(child: subprocess.Popen[bytes], cancelled: Callable[[], bool] | None) -> int | None:
    """The child's exit code, None if it takes too long."""
    waited = 0.0
    pause = threading.Event()
    while waited < _LONGEST_S:
        code = child.poll()
        if code is not None:
            return code
        if cancelled is not None and cancelled():
            raise CancelledError("opening was cancelled")
        step = min(_ASK_EVERY_S, 0.005 + waited / 4)
        pause.wait(step)
        waited += step
    return None
