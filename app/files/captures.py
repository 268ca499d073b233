"""Open a capture whatever wrote it: a table of readers, picked by content."""

from __future__ import annotations

from pathlib import Path

from app.errors import CaptureError
from app.files.capture_options import Cancelled, Progress, ReadOptions
from app.model.capture import Capture

__all__ = ["ReadOptions", "open_capture"]

_DEFAULTS = ReadOptions()


def open_capture(
    path: Path,
    options: ReadOptions = _DEFAULTS,
    *,
    progress: Progress | None = None,
    cancelled: Cancelled | None = None,
) -> Capture:
    """Read the capture in ``path``; samples stay in their stored type, mapped where the format allows it.

    Parameters
    ----------
    path : any file; its content decides how it is read, its extension only where content leaves it open.
    options : what the file does not say itself.
    progress : called now and then with the fraction done, 0 to 1.
    cancelled : asked at least every 4 MB; True makes `CancelledError` come out.

    Raises
    ------
    app.errors.CaptureError : the file cannot be read; one line naming file, place and remedy.
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    raise CaptureError(path, "", "no reader for this kind of file yet", "wait for the next build")
