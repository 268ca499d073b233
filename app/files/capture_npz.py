"""NumPy's ``.npz``: a ZIP archive of arrays, mapped where they are stored uncompressed, never unpickled."""

from __future__ import annotations

import zipfile
import zlib
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.errors import CaptureError
from app.files.capture_common import Head
from app.files.capture_named import check_size, read_named
from app.files.capture_npy import read_header
from app.files.capture_options import ReadOptions, Watch
from app.model.capture import Capture

MAGIC = b"PK\x03\x04"
_MOST_MEMBERS = 1000


def read_npz(head: Head, options: ReadOptions, watch: Watch) -> Capture:
    """The arrays of ``head`` as channels, time or single values, by name and shape.

    Raises
    ------
    app.errors.CaptureError : no archive of arrays, damaged, or too large to be taken into memory.
    """
    try:
        with zipfile.ZipFile(head.path) as archive:
            members = [each for each in archive.infolist() if each.filename.endswith(".npy")][:_MOST_MEMBERS]
            variables = {each.filename[:-4]: _member(head, archive, each, watch) for each in members}
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError) as error:
        raise CaptureError(head.path, "", "the archive is damaged", "save it again") from error
    return read_named(head, "npz", variables, options, watch)


def _member(head: Head, archive: zipfile.ZipFile, member: zipfile.ZipInfo, watch: Watch) -> NDArray[Any]:
    watch.stop_if_asked()
    with archive.open(member) as file:
        shape, fortran, dtype = read_header(head, file)
        start = file.tell()
        count = int(np.prod(shape, dtype=object))
        if dtype.hasobject or count < 1:
            return np.empty(0)
        if count * dtype.itemsize > member.file_size - start:
            raise ValueError("more claimed than there is")
        if member.compress_type == zipfile.ZIP_STORED:
            at = _data_offset(head, member) + start
            return np.memmap(head.path, dtype, "r", at, shape, "F" if fortran else "C")
        check_size(head, member.filename, count * dtype.itemsize)
        plain = np.frombuffer(file.read(count * dtype.itemsize), dtype)
    return plain.reshape(shape, order="F" if fortran else "C")


def _data_offset(head: Head, member: zipfile.ZipInfo) -> int:
    """Where the bytes of ``member`` begin: behind its own header, whose lengths may differ from the index."""
    with head.path.open("rb") as file:
        file.seek(member.header_offset + 26)
        lengths = file.read(4)
    return (
        member.header_offset
        + 30
        + int.from_bytes(lengths[:2], "little")
        + int.from_bytes(lengths[2:], "little")
    )
