"""Chunks of an HDF5 dataset, without letting compressed ones grow beyond their stated size.

The library inflates a chunk into whatever it turns out to be. Here it is inflated up to the size it may
have and not a byte further, and its checksum is verified. As zlib works outside the interpreter's lock,
two chunks are inflated, or deflated, at a time.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from app.errors import DamagedSessionError, SessionError
from app.files.schema import MOST_CHUNK_BYTES, MOST_CHUNKS

_WORKERS = 2
_CHECKSUM_BYTES = 4
_SLACK_BYTES = 1024
# zlib's own limit: 1032 to 1 (J. Gailly and M. Adler, zlib technical details)
_MOST_DEFLATED = 1040
_SHUFFLE, _DEFLATE, _FLETCHER = (
    h5py.h5z.FILTER_SHUFFLE,
    h5py.h5z.FILTER_DEFLATE,
    h5py.h5z.FILTER_FLETCHER32,
)
_FILTERS = (_SHUFFLE, _DEFLATE, _FLETCHER)
_LEVEL = 1


@dataclass(frozen=True)
class ChunkFormat:
    """How the chunks of a dataset are stored: ``length`` values of ``dtype`` each, through ``filters`` in order."""

    dtype: np.dtype[Any]
    length: int
    filters: tuple[int, ...] = _FILTERS

    @property
    def nbytes(self) -> int:
        """Bytes of a whole chunk before any filter."""
        return self.length * self.dtype.itemsize

    def check_size(self, size: int, mask: int) -> None:
        """Raise `SessionError` if a stored chunk of ``size`` bytes cannot hold what it states.

        The list of chunks stands under no checksum; so nothing that it says is taken but that a chunk was not deflated.
        """
        if any(mask >> n & 1 and used != _DEFLATE for n, used in enumerate(self.filters)):
            raise SessionError("a chunk is stored in a way that a session does not use")
        if size > self.nbytes + _SLACK_BYTES:
            raise SessionError("a chunk is larger than it may be")
        if size < self._least(mask):
            raise SessionError("a chunk is too small for what it states")

    def _least(self, mask: int) -> int:
        deflated = any(f == _DEFLATE and not mask >> n & 1 for n, f in enumerate(self.filters))
        return self.nbytes // _MOST_DEFLATED if deflated else self.nbytes

    def decoded(self, raw: bytes, mask: int) -> NDArray[Any]:
        """Values of a whole chunk, read-only; ``mask`` tells the filters that were not used.

        Raises
        ------
        app.errors.SessionError : the chunk is damaged.
        """
        for n, used in reversed(list(enumerate(self.filters))):
            if not mask >> n & 1:
                raw = self._undo(used, raw)
        if len(raw) != self.nbytes:
            raise SessionError("a chunk does not have the size it states")
        return np.frombuffer(raw, self.dtype)

    def encoded(self, values: NDArray[Any]) -> tuple[bytes, int]:
        """``values`` through the three filters, filled up with zeros to a whole chunk, and the mask that says so.

        What deflate would make larger is left as it is, as the library does.
        """
        raw = _shuffled(values, self.dtype.itemsize, self.length)
        mask = 0
        deflated = zlib.compress(raw, _LEVEL)
        if len(deflated) < len(raw):
            raw = deflated
        else:
            mask = 1 << self.filters.index(_DEFLATE)
        return raw + fletcher32(raw).to_bytes(_CHECKSUM_BYTES, "little"), mask

    def _undo(self, used: int, raw: bytes) -> bytes:
        if used == _FLETCHER:
            body, stated = raw[:-_CHECKSUM_BYTES], raw[-_CHECKSUM_BYTES:]
            if fletcher32(body) != int.from_bytes(stated, "little"):
                raise DamagedSessionError("a chunk is damaged: its checksum is wrong")
            return body
        if used == _DEFLATE:
            return self._inflate(raw)
        return _unshuffle(raw, self.dtype.itemsize)

    def _inflate(self, raw: bytes) -> bytes:
        inflater = zlib.decompressobj()
        try:
            body = inflater.decompress(raw, self.nbytes + _CHECKSUM_BYTES)
        except zlib.error:
            raise DamagedSessionError("a chunk is damaged: it cannot be inflated") from None
        if not inflater.eof or inflater.unused_data:
            raise SessionError("a chunk inflates to more than its stated size, or is cut short")
        return body


@dataclass(frozen=True, order=True)
class Place:
    """Where a chunk stands in the file, and which of its filters were not used."""

    offset: int
    size: int
    mask: int


class Chunks:
    """The chunks of one dataset; ``places`` are found by the number of the first value of each.

    Raises
    ------
    app.errors.SessionError : chunks too large, missing, or stored otherwise than by the program.
    """

    def __init__(self, dataset: Any, plist: Any, dtype: np.dtype[Any], count: int) -> None:
        self._dataset, self._count = dataset, count
        (length,) = plist.get_chunk()
        if not 0 < length * dtype.itemsize <= MOST_CHUNK_BYTES:
            raise SessionError("its chunks are too large")
        filters = tuple(plist.get_filter(n)[0] for n in range(plist.get_nfilters()))
        if any(f not in _FILTERS for f in filters):
            raise SessionError("it is stored through a filter that a session does not use")
        self.format = ChunkFormat(dtype, length, filters)
        expected = -(-count // length)
        if expected > MOST_CHUNKS:
            raise SessionError("it is cut into too many chunks")
        if dataset.get_num_chunks() != expected:
            raise SessionError(f"{expected} chunks should be there, {dataset.get_num_chunks()} are")

        # asking for one chunk after the other would walk the whole list of them each time
        self.places: dict[int, Place] = {}
        dataset.chunk_iter(self._note)

    def _note(self, info: Any) -> None:
        place = Place(int(info.byte_offset), int(info.size), int(info.filter_mask))
        self.places[int(info.chunk_offset[0])] = place

    def check_places(self, file_bytes: int) -> None:
        """Raise `SessionError` unless every chunk is there, within the file and of a likely size."""
        for first in self.firsts():
            place = self.places.get(first)
            if place is None:
                raise SessionError("a chunk of it is missing")
            self.format.check_size(place.size, place.mask)
            if place.offset < 0 or place.offset + place.size > file_bytes:
                raise DamagedSessionError("the file ends before its data")
        if any(a.offset + a.size > b.offset for a, b in pairwise(sorted(self.places.values()))):
            raise SessionError("two of its chunks stand in one place")

    def each(self, use: Callable[[int, NDArray[Any]], None]) -> None:
        """Call ``use(first, values)`` once for each chunk, from two threads if there are several."""
        self.each_first(lambda first: use(first, self._read(first)))

    def each_first(self, use: Callable[[int], None]) -> None:
        if len(self.firsts()) < 2:  # starting threads would take longer than the work
            for first in self.firsts():
                use(first)
            return
        with ThreadPoolExecutor(_WORKERS, thread_name_prefix="session-chunk") as pool:
            for _ in pool.map(use, self.firsts()):
                pass

    def firsts(self) -> range:
        return range(0, self._count, self.format.length)

    def raw(self, first: int) -> tuple[int, bytes]:
        """Mask and bytes of a chunk as they are stored."""
        if first in self.places and self.places[first].size > self.format.nbytes + _SLACK_BYTES:
            raise SessionError("a chunk is larger than it may be")
        mask, raw = self._dataset.read_direct_chunk((first,))
        return mask, raw

    def _read(self, first: int) -> NDArray[Any]:
        mask, raw = self.raw(first)
        return self.format.decoded(raw, mask)[: self._count - first]


def _shuffled(values: NDArray[Any], itemsize: int, length: int) -> bytes:
    """HDF5's shuffle of a whole chunk: all first bytes of the items, then all second bytes, and so on."""
    whole = np.zeros(length, values.dtype)
    whole[: len(values)] = values
    body = whole.view("u1").reshape(length, itemsize)
    if itemsize == 1 or length < 2:
        return body.tobytes()
    out = np.empty((itemsize, length), "u1")
    for n in range(itemsize):
        out[n] = body[:, n]
    return out.tobytes()


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
