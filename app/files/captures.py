"""Open a capture whatever wrote it: a table of readers, picked by content."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from stat import S_ISDIR, S_ISREG

from app.errors import CaptureError
from app.files import capture_mat, capture_npy, capture_npz
from app.files.capture_block import is_block, read_block
from app.files.capture_common import HEAD_BYTES, Head
from app.files.capture_mat4 import is_mat4, read_mat4
from app.files.capture_options import Cancelled, Progress, ReadOptions, Watch
from app.files.capture_raw import read_raw
from app.files.capture_sigmf import is_sigmf, read_sigmf
from app.files.capture_text import read_text
from app.files.capture_wav import is_wav, read_wav
from app.files.text_encoding import looks_like_text
from app.model.capture import Capture

__all__ = ["ACCEPTED", "ReadOptions", "open_capture"]

ACCEPTED = (
    "delimited text, WAV, NumPy .npy and .npz, MATLAB .mat, HDF5, SigMF, IEEE 488.2 blocks, "
    "or raw binary with --dtype and --rate"
)

_DEFAULTS = ReadOptions()


@dataclass(frozen=True)
class _Reader:
    """``fits`` answers from the opening bytes and the options whether ``read`` is the one."""

    fits: Callable[[Head, ReadOptions], bool]
    read: Callable[[Head, ReadOptions, Watch], Capture]


_HDF5_MAGIC = b"\x89HDF\r\n\x1a\n"
# a block of the user's own may stand in front, as MATLAB's text does, of 512 bytes or a power of two above
_HDF5_FRONTS_BYTES = (0, 512, 1024, 2048)


def _is_hdf5(start: bytes) -> bool:
    return any(start.startswith(_HDF5_MAGIC, front) for front in _HDF5_FRONTS_BYTES)


def _read_hdf5(head: Head, options: ReadOptions, watch: Watch) -> Capture:
    # the library takes a tenth of a second to load, which no other format should pay
    from app.files.capture_hdf5 import read_hdf5

    return read_hdf5(head, options, watch)


# The first that fits reads. A stated sample type says: raw, whatever the bytes happen to look like.
_READERS = (
    _Reader(lambda head, _: is_wav(head.start), read_wav),
    _Reader(lambda head, _: head.start.startswith(capture_npy.MAGIC), capture_npy.read_npy),
    _Reader(lambda head, _: head.start.startswith(capture_npz.MAGIC), capture_npz.read_npz),
    _Reader(lambda head, _: head.start.startswith(capture_mat.MAGIC), capture_mat.read_mat),
    _Reader(lambda head, _: _is_hdf5(head.start), _read_hdf5),
    _Reader(lambda head, _: is_sigmf(head), read_sigmf),
    _Reader(is_block, read_block),
    _Reader(lambda _, options: options.dtype is not None, read_raw),
    _Reader(lambda head, _: is_mat4(head), read_mat4),
    _Reader(lambda head, _: looks_like_text(head.start), read_text),
)


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
    app.errors.UsageError : ``options`` that no file could be read with.
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    path = Path(path)
    watch = Watch(progress, cancelled)
    try:
        head = _head(path)
        reader = next((reader for reader in _READERS if reader.fits(head, options)), None)
        if reader is None:
            raise CaptureError(path, "byte 0", "binary data of no known format", f"accepted are {ACCEPTED}")
        watch.step(0.0)
        capture = reader.read(head, options, watch)
    except FileNotFoundError as error:
        raise CaptureError(path, "", "there is no such file", "check the name and the folder") from error
    except PermissionError as error:
        raise CaptureError(path, "", "the file may not be read", "ask for permission to read it") from error
    except OSError as error:
        problem = f"the file cannot be read ({error.strerror or error})"
        raise CaptureError(path, "", problem, "check the disk and copy the file again") from error
    watch.step(1.0)
    return capture


def _head(path: Path) -> Head:
    try:
        status = path.stat()
    except ValueError as error:
        raise CaptureError(
            path, "", "no file can have such a name", "check the name and the folder"
        ) from error
    if S_ISDIR(status.st_mode):
        raise CaptureError(path, "", "this is a folder", f"name a file in it; accepted are {ACCEPTED}")
    if not S_ISREG(status.st_mode):
        raise CaptureError(
            path, "", "this is a device or a pipe, not a file", "save the capture to a file first"
        )
    if status.st_size == 0:
        raise CaptureError(path, "", "the file is empty", f"save the capture again; accepted are {ACCEPTED}")
    with path.open("rb") as file:
        return Head(path, file.read(HEAD_BYTES), status.st_size)
