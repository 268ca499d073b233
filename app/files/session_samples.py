"""Samples embedded in a session, read from its file when they are asked for.

The file is opened once, for reading, by the operating system alone: the HDF5 library only told where the chunks
stand. Whatever takes the place of the file later (a save from this window or another), an open file stays the one
it was, so the samples do. Chunks read last are remembered, within a bound for the whole file.
"""

from __future__ import annotations

import contextlib
import os
import threading
import weakref
from collections import OrderedDict
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.errors import SessionError
from app.files.session_chunks import ChunkFormat, Place

_REMEMBERED_BYTES = 48 << 20

Identity = tuple[int, int, int, int]
_Key = tuple[int, int, str]


def can_be_lazy() -> bool:
    """Whether the system reads at a place of an open file, and lets another file take the name of that one."""
    return hasattr(os, "pread")


def _close(handle: int) -> None:
    """A file on a network that has gone cannot even be closed; there is nothing to be done about it."""
    with contextlib.suppress(OSError):
        os.close(handle)


class SessionFile:
    """A session file open for reading; closed when nothing refers to it any more.

    Raises
    ------
    OSError : it cannot be opened.
    """

    def __init__(self, path: Path) -> None:
        self.path = path.absolute()
        self._handle = os.open(path, os.O_RDONLY | getattr(os, "O_CLOEXEC", 0))
        weakref.finalize(self, _close, self._handle)
        self._lock = threading.Lock()
        self._known: OrderedDict[_Key, NDArray[Any]] = OrderedDict()
        self._bytes = 0

    @property
    def identity(self) -> Identity:
        """Device, inode, size and time of change: which file it is, and in which state."""
        found = os.fstat(self._handle)
        return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns

    def read(self, offset: int, size: int) -> bytes:
        """Raises `SessionError` where the file can no longer be read, or ends before."""
        parts, at = [], offset
        try:
            while at < offset + size and (part := os.pread(self._handle, offset + size - at, at)):
                parts.append(part)
                at += len(part)
        except OSError as error:
            raise SessionError(f"the file can no longer be read ({error.strerror or error})") from error
        if at < offset + size:
            raise SessionError("the file has been cut short")
        return b"".join(parts)

    def remembered(self, key: _Key) -> NDArray[Any] | None:
        with self._lock:
            found = self._known.get(key)
            if found is not None:
                self._known.move_to_end(key)
            return found

    def remember(self, key: _Key, values: NDArray[Any]) -> None:
        with self._lock:
            if key not in self._known:
                self._bytes += values.nbytes
            self._known[key] = values
            while self._bytes > _REMEMBERED_BYTES and len(self._known) > 1:
                self._bytes -= self._known.popitem(last=False)[1].nbytes


class StoredSamples:
    """One channel's samples in their stored type, read by slices: an array of one dimension that is in the file.

    What is read is read-only. Any thread may read.

    Raises
    ------
    app.errors.SessionError : from reading: the file is damaged there, or can no longer be read.
    """

    ndim = 1

    def __init__(
        self, file: SessionFile, count: int, chunk_format: ChunkFormat, places: dict[int, Place]
    ) -> None:
        self._file = file
        self.format = chunk_format
        self.places = places
        self.dtype = chunk_format.dtype
        self.shape = (count,)
        self.nbytes = count * self.dtype.itemsize
        self.size = count

    def __len__(self) -> int:
        return self.shape[0]

    def __getitem__(self, key: Any, /) -> Any:
        if not isinstance(key, slice):
            at = range(len(self))[key]
            return self._read(at, at + 1)[0]
        start, stop, step = key.indices(len(self))
        if step == 1:
            return self._read(start, stop)
        taken = range(start, stop, step)
        if not taken:
            return self._read(0, 0)
        low, high = min(taken[0], taken[-1]), max(taken[0], taken[-1])
        part = self._read(low, high + 1)
        return part[::step]

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> NDArray[Any]:
        if copy is False:
            raise ValueError("samples that stand in a file cannot be had without a copy")
        whole = self._read(0, len(self))
        return whole if dtype is None else whole.astype(dtype)

    def __reduce__(self) -> tuple[Any, ...]:
        """Another process opens the file again, if it is still the same."""
        parts = (self._file.path, self._file.identity, self.shape[0], self.format, self.places)
        return _opened_again, parts

    @property
    def path(self) -> Path:
        """Where the file stood when it was opened."""
        return self._file.path

    @property
    def place_in_file(self) -> tuple[Path, Identity, str, int, int]:
        """Path, identity of the file, type, where its first chunk stands, and number of samples."""
        return self.path, self._file.identity, self.dtype.str, self.places[0].offset, len(self)

    def raw(self, first: int) -> tuple[int, bytes]:
        """Mask and bytes of a chunk as they are stored, damaged or not."""
        place = self.places[first]
        return place.mask, self._file.read(place.offset, place.size)

    def _read(self, start: int, stop: int) -> NDArray[Any]:
        if stop <= start:
            return np.empty(0, self.dtype)
        length = self.format.length
        firsts = range(start // length * length, stop, length)
        if len(firsts) == 1:
            first = firsts[0]
            return self._chunk(first)[start - first : stop - first]
        out = np.empty(stop - start, self.dtype)
        for first in firsts:
            a, b = max(start, first), min(stop, first + length)
            out[a - start : b - start] = self._chunk(first)[a - first : b - first]
        return out

    def _chunk(self, first: int) -> NDArray[Any]:
        key = (self.places[first].offset, self.format.length, self.dtype.str)
        known = self._file.remembered(key)
        if known is not None:
            return known
        try:
            mask, raw = self.raw(first)
            values = self.format.decoded(raw, mask)
        except SessionError as error:
            last = min(first + self.format.length, len(self)) - 1
            raise SessionError(
                f"{self.path}: samples {first} to {last} cannot be read: {error}; "
                "leave them out, or open a copy or the backup of the session"
            ) from error
        self._file.remember(key, values)
        return values


def _opened_again(
    path: Path, identity: Identity, count: int, chunk_format: ChunkFormat, places: dict[int, Place]
) -> StoredSamples:
    try:
        file = SessionFile(path)
    except OSError as error:
        raise SessionError(f"{path}: it can no longer be read ({error.strerror or error})") from error
    if file.identity != identity:
        raise SessionError(f"{path}: another session has taken its place; open it again")
    return StoredSamples(file, count, chunk_format, places)


def in_one_piece(file: SessionFile, dtype: np.dtype[Any], count: int, offset: int) -> StoredSamples:
    """Samples that stand plainly one after the other from ``offset`` on."""
    length = 1 << 18
    places = {
        first: Place(offset + first * dtype.itemsize, length * dtype.itemsize, 0)
        for first in range(0, count, length)
    }
    rest = count % length
    if not rest:
        return StoredSamples(file, count, ChunkFormat(dtype, length, ()), places)
    return _Plain(file, count, ChunkFormat(dtype, length, ()), places)


class _Plain(StoredSamples):
    """The last piece is shorter than the others; nothing stands behind it to fill it up."""

    def raw(self, first: int) -> tuple[int, bytes]:
        place = self.places[first]
        size = min(place.size, (len(self) - first) * self.dtype.itemsize)
        return 0, self._file.read(place.offset, size).ljust(place.size, b"\0")
