"""Read a chunked HDF5 dataset without letting its compressed chunks grow beyond their stated size.

The library inflates a chunk into whatever it turns out to be. Here it is inflated up to the size it may
have and not a byte further, and its checksum is verified. As zlib works outside the interpreter's lock,
two chunks are inflated at a time.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from app.errors import SessionError
from app.files.schema import MOST_CHUNK_BYTES, MOST_CHUNKS

_WORKERS = 2
_CHECKSUM_BYTES = 4
_FILTERS = (h5py.h5z.FILTER_SHUFFLE, h5py.h5z.FILTER_DEFLATE, h5py.h5z.FILTER_FLETCHER32)


class Chunks:
    """The chunks of one dataset.

    Raises
    ------
    app.errors.SessionError : chunks too large, missing, or stored otherwise than by the program.
    """

    def __init__(self, dataset: Any, plist: Any, dtype: np.dtype[Any], count: int) -> None:
        self._dataset, self._dtype, self._count = dataset, dtype, count
        (self._length,) = plist.get_chunk()
        self._bytes = self._length * dtype.itemsize
        if not 0 < self._bytes <= MOST_CHUNK_BYTES:
            raise SessionError("its chunks are too large")
        self._filters = tuple(plist.get_filter(n)[0] for n in range(plist.get_nfilters()))
        if any(f not in _FILTERS for f in self._filters):
            raise SessionError("it is stored through a filter that a session does not use")
        expected = -(-count // self._length)
        if expected > MOST_CHUNKS:
            raise SessionError("it is cut into too many chunks")
        if dataset.get_num_chunks() != expected:
            raise SessionError(f"{expected} chunks should be there, {dataset.get_num_chunks()} are")

        # asking for one chunk after the other would walk the whole list of them each time
        self._sizes: dict[int, int] = {}
        dataset.chunk_iter(self._note)

    def _note(self, info: Any) -> None:
        self._sizes[int(info.chunk_offset[0])] = int(info.size)

    def each(self, use: Callable[[int, NDArray[Any]], None]) -> None:
        """Call ``use(first, values)`` once for each chunk, from two threads."""
        with ThreadPoolExecutor(_WORKERS, thread_name_prefix="session-chunk") as pool:
            for _ in pool.map(lambda first: use(first, self._read(first)), self._firsts()):
                pass

    def _firsts(self) -> Iterator[int]:
        return iter(range(0, self._count, self._length))

    def _read(self, first: int) -> NDArray[Any]:
        if self._sizes.get(first, 0) > self._bytes + 1024:
            raise SessionError("a chunk is larger than it may be")
        mask, raw = self._dataset.read_direct_chunk((first,))
        for n, used in reversed(list(enumerate(self._filters))):
            if not mask >> n & 1:
                raw = self._undo(used, raw)
        if len(raw) != self._bytes:
            raise SessionError("a chunk does not have the size it states")
        return np.frombuffer(raw, self._dtype)[: self._count - first]

    def _undo(self, used: int, raw: bytes) -> bytes:
        if used == h5py.h5z.FILTER_FLETCHER32:
            body, stated = raw[:-_CHECKSUM_BYTES], raw[-_CHECKSUM_BYTES:]
            if fletcher32(body) != int.from_bytes(stated, "little"):
                raise SessionError("a chunk is damaged: its checksum is wrong")
            return body
        if used == h5py.h5z.FILTER_DEFLATE:
            return self._inflate(raw)
        return _unshuffle(raw, self._dtype.itemsize)

    def _inflate(self, raw: bytes) -> bytes:
        inflater = zlib.decompressobj()
        try:
            body = inflater.decompress(raw, self._bytes + _CHECKSUM_BYTES)
        except zlib.error:
            raise SessionError("a chunk is damaged: it cannot be inflated") from None
        if not inflater.eof:
            raise SessionError("a chunk inflates to more than its stated size, or is cut short")
        return body


def _unshuffle(raw: bytes, itemsize: int) -> bytes:
    """Undo HDF5's shuffle: all first bytes of the items, then all second bytes, ..., then what is over."""
    items = len(raw) // itemsize
    if itemsize == 1 or items < 2:
        return raw
    body = np.frombuffer(raw, "u1", items * itemsize).reshape(itemsize, items)
    out = np.empty((items, itemsize), "u1")
    for n in range(itemsize):  # four times as fast as transposing
        out[:, n] = body[n]
    return out.tobytes() + raw[items * itemsize :]


def fletcher32(raw: bytes) -> int:
    """HDF5's Fletcher checksum: two sums modulo 65535 over 16-bit words, most significant byte first."""
    words = np.frombuffer(raw + b"\0" * (len(raw) % 2), ">u2").astype(np.int64)
    low = high = 0
    for start in range(0, len(words), 1 << 20):
        part = words[start : start + (1 << 20)]
        # each word counts in the second sum once for itself and once for every word after it
        weights = np.arange(len(part), 0, -1)
        high = _folded(high + low * len(part) + int(part @ weights))
        low = _folded(low + int(part.sum()))
    return high << 16 | low


def _folded(total: int) -> int:
    """``total`` modulo 65535, where only zero itself stays zero."""
    return (total - 1) % 65535 + 1 if total else 0
