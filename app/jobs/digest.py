"""SHA-256 of files and of the samples a result was made from."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from app.errors import CancelledError, CaptureError
from app.model.capture import Segment
from dsp.source import SampleSource

_BLOCK = 1 << 18


def file_sha256(path: Path, cancelled: Callable[[], bool] | None = None) -> str:
    """Hexadecimal digest of the file's bytes, as common tools print it.

    Raises
    ------
    app.errors.CaptureError : the file cannot be read.
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    import hashlib  # the window opens sooner without it

    digest = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while block := file.read(1 << 22):
                _check(cancelled)
                digest.update(block)
    except OSError as error:
        raise CaptureError(
            path, "", f"cannot be read ({error.strerror or error})", "check the file and its permissions"
        ) from error
    return digest.hexdigest()


def samples_sha256(
    stored: SampleSource, segments: tuple[Segment, ...], cancelled: Callable[[], bool] | None = None
) -> str:
    """Digest of the samples of ``segments`` in their stored type, little-endian, one after the other.

    Raises
    ------
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    import hashlib

    digest = hashlib.sha256()
    for segment in segments:
        for at in range(segment.first, segment.last, _BLOCK):
            _check(cancelled)
            block = np.asarray(stored[at : min(at + _BLOCK, segment.last)])
            digest.update(np.ascontiguousarray(block, block.dtype.newbyteorder("<")).data)
    return digest.hexdigest()


def _check(cancelled: Callable[[], bool] | None) -> None:
    if cancelled is not None and cancelled():
        raise CancelledError("hashing was cancelled")
