"""Write the tree of a session as HDF5 into a file that is already open.

The library never learns that a write failed: after the first failure what it writes goes nowhere, and the
failure is raised once it is done. Told of it, the library would keep the broken file open and try again
when the program ends.
"""

from __future__ import annotations

import io
from collections import deque
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import islice
from typing import Any

import h5py
import numpy as np

from app.errors import CancelledError
from app.files.session_chunks import ChunkFormat
from app.files.session_samples import StoredSamples
from app.files.session_tree import Node, Value, text_type
from app.model.capture import Samples

# measured: 256 k samples, gzip 1 and shuffle halve a capture at the least cost; the checksum is free
CHUNK_ROWS = 262_144
_CHUNK_BYTES = 4 << 20
_COMPACT_BYTES = 32 << 10
_WORKERS = 2

Progress = Callable[[float], None]


def store_tree(
    file: io.FileIO,
    root: Node,
    *,
    progress: Progress | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> None:
    """Write ``root`` into the empty ``file``.

    Raises
    ------
    OSError : a write failed.
    app.errors.CancelledError : ``cancelled`` answered True.
    """
    sink = _Sink(file)
    writer = _Writer(sink, root.total_bytes(), progress, cancelled)
    # object headers of this version carry checksums, and every HDF5 library since 1.8 reads them
    with h5py.File(sink, "w", libver=("v108", "v108")) as h5:
        done = writer.group(h5, root)
    if sink.error is not None:
        raise sink.error
    if not done:
        raise CancelledError("saving was cancelled")


class TreeFile:
    """An empty file that groups are added to one by one; a context that brings failures out when it is left.

    Raises
    ------
    OSError : from leaving the context: a write failed.
    """

    def __init__(self, file: io.FileIO) -> None:
        self._sink = _Sink(file)
        self._h5 = h5py.File(self._sink, "w", libver=("v108", "v108"))
        self._writer = _Writer(self._sink, 1, None, None)

    @property
    def error(self) -> OSError | None:
        """The first write that failed; nothing is written any more."""
        return self._sink.error

    def add(self, path: str, node: Node) -> None:
        """Write ``node`` as the group ``path``."""
        if self._sink.error is None:
            group = self._h5 if path == "/" else self._h5.create_group(path)
            self._writer.group(group, node)

    def copy(self, path: str, source: h5py.Group, attributes: Mapping[str, Value]) -> None:
        """Copy a group of another file as it stands, compressed samples too, but for these ``attributes``."""
        if self._sink.error is None:
            parent, _, name = path.rpartition("/")
            group = self._h5.require_group(parent)
            h5py.h5o.copy(source.id, b".", group.id, name.encode())
            for key, value in attributes.items():
                _write_attribute(group[name], key, value)

    def __enter__(self) -> TreeFile:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self._h5.close()
        if self._sink.error is not None and kind is None:
            raise self._sink.error


class _Sink(io.RawIOBase):
    """A file for the library: hands on what it writes until a write fails, then keeps the failure."""

    def __init__(self, file: io.FileIO) -> None:
        self._file = file
        self._end = 0
        self.error: OSError | None = None

    def seekable(self) -> bool:
        return True

    def readable(self) -> bool:
        return True

    def writable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = 0) -> int:
        return self._file.seek(self._end + offset if whence == io.SEEK_END else offset)

    def tell(self) -> int:
        return self._file.tell()

    def readinto(self, buffer: Any) -> int:
        return self._file.readinto(buffer) or 0

    def write(self, data: Any) -> int:
        view = memoryview(data).cast("B")
        left = view
        while self.error is None and len(left):
            try:
                left = left[self._file.write(left) or 0 :]
            except OSError as error:
                self.error = error
        self._end = max(self._end, self._file.tell())
        return len(view)

    def truncate(self, size: int | None = None) -> int:
        self._end = self.tell() if size is None else size
        if self.error is None:
            try:
                self._file.truncate(self._end)
            except OSError as error:
                self.error = error
        return self._end

    def flush(self) -> None:
        """Nothing to do: the file has no buffer, and it is brought to the disk when it is complete."""


class _Writer:
    def __init__(
        self,
        sink: _Sink,
        total_bytes: int,
        progress: Progress | None,
        cancelled: Callable[[], bool] | None,
    ) -> None:
        self._sink, self._total, self._done = sink, max(total_bytes, 1), 0
        self._progress, self._cancelled = progress, cancelled

    def _go_on(self) -> bool:
        return self._sink.error is None and not (self._cancelled is not None and self._cancelled())

    def group(self, group: h5py.Group, node: Node) -> bool:
        """Write the contents of ``node``; False if it was broken off."""
        for name, value in node.attributes.items():
            _write_attribute(group, name, value)
        for name, array in node.arrays.items():
            if not self._array(group, name, array):
                return False
        return all(self._go_on() and self.group(group.create_group(n), g) for n, g in node.groups.items())

    def _array(self, group: h5py.Group, name: str, array: Samples) -> bool:
        if array.nbytes <= _COMPACT_BYTES:
            # stands within the object header, and so under its checksum
            plist = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
            plist.set_layout(h5py.h5d.COMPACT)
            group.create_dataset(name, data=np.ascontiguousarray(array), dcpl=plist, track_times=False)
            self._report(array.nbytes)
            return True
        rows = min(len(array), CHUNK_ROWS, max(1, _CHUNK_BYTES // array.dtype.itemsize))
        dataset = group.create_dataset(
            name,
            shape=array.shape,
            dtype=array.dtype,
            chunks=(rows,),
            compression="gzip",
            compression_opts=1,
            shuffle=True,
            fletcher32=True,
            track_times=False,
        )
        return self._chunks(dataset, array, ChunkFormat(dataset.dtype, rows))

    def _chunks(self, dataset: h5py.Dataset, array: Samples, made: ChunkFormat) -> bool:
        """Deflated here, as the library does it with one thread only; what is stored so already is copied."""
        source = array if isinstance(array, StoredSamples) and array.format == made else None

        def stored(first: int) -> tuple[int, bytes]:
            if source is not None:
                return source.raw(first)
            raw, mask = made.encoded(np.asarray(array[first : first + made.length]))
            return mask, raw

        firsts = iter(range(0, len(array), made.length))
        with ThreadPoolExecutor(_WORKERS, thread_name_prefix="session-store") as pool:
            waiting: deque[tuple[int, Future[tuple[int, bytes]]]] = deque()
            while True:
                for first in islice(firsts, 2 * _WORKERS - len(waiting)):
                    waiting.append((first, pool.submit(stored, first)))
                if not waiting:
                    return True
                first, future = waiting.popleft()
                mask, raw = future.result()
                if not self._go_on():
                    for _, one in waiting:
                        one.cancel()
                    return False
                dataset.id.write_direct_chunk((first,), raw, mask)
                self._report(made.nbytes)

    def _report(self, count: int) -> None:
        self._done += count
        if self._progress is not None:
            self._progress(min(1.0, self._done / self._total))


def _write_attribute(group: h5py.Group, name: str, value: int | float | str) -> None:
    if isinstance(value, str):
        raw = value.encode("utf-8")
        group.attrs.create(name, np.bytes_(raw), dtype=text_type(len(raw)))
    elif isinstance(value, int):
        group.attrs.create(name, value, dtype="<i8")
    else:
        group.attrs.create(name, value, dtype="<f8")
