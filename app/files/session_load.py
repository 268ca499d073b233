"""Read the tree of a session file, which may have been made by anybody, within limits set beforehand.

Nothing is read before its size is known to be within `app.files.schema`'s limits and plausible for the
size of the file; many samples stay in the file until they are asked for. Links other than plain membership,
pointers, references, data in other files and filters that a session does not use are refused.
"""

from __future__ import annotations

import errno
import os
import re
import stat
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from h5py import h5a, h5d, h5g, h5l, h5o, h5s, h5t
from numpy.typing import NDArray

from app.errors import CancelledError, DamagedSessionError, SessionError
from app.files import schema
from app.files.session_chunks import Chunks
from app.files.session_held import rows_held_bytes
from app.files.session_samples import SessionFile, StoredSamples, can_be_lazy, in_one_piece
from app.files.session_spool import Keep, spooled
from app.files.session_tree import Node, Value, decoded, same_values
from app.model.capture import Samples

_NAME = re.compile(rb"[a-z0-9_]{1,64}")
_SIGNATURE = b"\x89HDF\r\n\x1a\n"
_ERRNO = re.compile(r"errno = (\d+)")
# errors of disks, and of folders on a network that have gone
_GONE = {
    getattr(errno, name, 0)
    for name in (
        *("EIO", "ENOTCONN", "ESTALE", "ECONNABORTED", "ECONNRESET", "ENETDOWN", "ENETUNREACH", "EHOSTDOWN"),
        *("EHOSTUNREACH", "ETIMEDOUT", "ENODEV", "ENXIO", "EREMOTEIO"),
    )
} - {0}
_NUMBER_SIZES = {h5t.INTEGER: (1, 2, 4, 8), h5t.FLOAT: (2, 4, 8)}
# captures/N/channels/N/samples
_SAMPLES, _SAMPLES_DEPTH = "samples", 4
_TRIES = 3
_PIECE = 1 << 20
# nobody sets so many by hand, and each changes bits
_MOST_ROWS = {"flips": 20_000}


def load_tree(path: Path, expected: Node | None = None) -> Node:
    """The tree in ``path``.

    Samples beyond `schema.READ_AT_ONCE_BYTES` are left in the file, which is then held open for reading; where they
    stand has been checked, their checksums are when they are read. With ``expected``, arrays are compared with those
    of that tree as they are read, and it is those that are returned, so that nothing large is held twice.

    Raises
    ------
    app.errors.SessionError : not a session, of a newer version, damaged, beyond the limits, or different
        from ``expected``; the message does not name the file.
    OSError : the file cannot be opened at all.
    """
    info = path.stat()
    if not stat.S_ISREG(info.st_mode):
        raise SessionError("it is not a file")
    with path.open("rb") as plain:
        if plain.read(len(_SIGNATURE)) != _SIGNATURE:
            raise SessionError("it is not a session")
    for _ in range(_TRIES):
        held = SessionFile(path) if can_be_lazy() else None
        try:
            with h5py.File(path, "r", locking="best-effort") as file:
                if held is not None and not _is_one_file(held, file):
                    continue  # replaced between the two openings
                size = info.st_size if held is None else held.identity[2]
                loader = GroupLoader(size, held, may_leave=True)
                _check_version(loader.attributes(file.id))
                return loader.group(h5o.open(file.id, b"/"), 0, expected)
        except (SessionError, CancelledError):
            raise
        except Exception as error:  # on a damaged file the library raises almost anything
            lost = _of_system(error)
            if lost is not None:
                raise lost from error
            raise DamagedSessionError(f"it is damaged or cut short ({_first_words(error)})") from error
    raise SessionError("it is being replaced all the time; try again")


def _is_one_file(held: SessionFile, file: h5py.File) -> bool:
    found = os.fstat(file.id.get_vfd_handle())
    return (found.st_dev, found.st_ino) == held.identity[:2]


def says_it_is_a_session(path: Path) -> bool:
    """Whether a file calls itself a session, of any version; of a damaged HDF5 file it is assumed.

    Raises
    ------
    OSError : the file cannot be opened at all.
    """
    if not path.is_file():
        return False
    with path.open("rb") as plain:
        if plain.read(len(_SIGNATURE)) != _SIGNATURE:
            return False
    try:
        with h5py.File(path, "r", locking="best-effort") as file:
            # of this one alone: whatever else is odd about the file is told when it is opened as a session
            return h5a.exists(file.id, b"format") and _plain(h5a.open(file.id, b"format")) == schema.FORMAT
    except SessionError:
        return False
    except Exception:  # opening it as a session will say what is wrong
        return True


def _of_system(error: Exception) -> OSError | None:
    """What the system refused, where that is what went wrong: then nothing is known of the file itself."""
    told = _ERRNO.search(str(error))
    number = error.errno if isinstance(error, OSError) and error.errno else int(told[1]) if told else 0
    return OSError(number, os.strerror(number)) if number in _GONE else None


def _first_words(error: Exception) -> str:
    text = str(error) or type(error).__name__
    return text.partition("\n")[0][:120]


def _check_version(attributes: dict[str, Value]) -> None:
    if attributes.get("format") != schema.FORMAT:
        raise SessionError("it is an HDF5 file but not a session")
    version = attributes.get("format_version")
    if not isinstance(version, int) or version < 1:
        raise SessionError("its format version is missing")
    if version > schema.FORMAT_VERSION:
        raise SessionError(
            f"it is a session of version {version}, and this program knows versions up to "
            f"{schema.FORMAT_VERSION}; a newer version of the program is needed"
        )


class GroupLoader:
    """Walks one file and keeps account of what it has asked for.

    Unless ``may_leave``, all samples come into memory; else many are left in ``held``, or where there is none laid
    down in a temporary file.
    """

    def __init__(self, file_bytes: int, held: SessionFile | None = None, *, may_leave: bool = False) -> None:
        self._file_bytes = file_bytes
        self._held = held
        self._may_leave = may_leave
        self._at_once = schema.READ_AT_ONCE_BYTES
        self._left_in_file = 0
        self._objects = 0
        self._met: set[int] = set()
        self._bytes = 0
        self._would_hold = 0
        self._most_rows: int | None = None

    def group(self, group: Any, depth: int, expected: Node | None) -> Node:
        if depth > schema.MOST_DEPTH:
            raise SessionError("it is nested too deeply")
        address = h5o.get_info(group).addr
        if address in self._met:
            # a circle of groups would be walked round and round, each time with all its samples
            raise SessionError("a part of it stands in two places")
        self._met.add(address)
        node = Node(self.attributes(group))
        self._objects += group.get_num_objs()
        if self._objects > schema.MOST_OBJECTS:
            raise SessionError(f"it has more than {schema.MOST_OBJECTS} parts")
        for raw in list(group):
            name = self._member(group, raw)
            child = h5o.open(group, raw)
            if isinstance(child, h5g.GroupID):
                node.groups[name] = self.group(child, depth + 1, expected and expected.groups.get(name))
            elif isinstance(child, h5d.DatasetID):
                may_wait = name == _SAMPLES and depth == _SAMPLES_DEPTH
                self._most_rows = _MOST_ROWS.get(name, schema.MOST_ROWS) if depth == 0 else None
                node.arrays[name] = self._named_dataset(child, name, expected, may_wait)
            else:
                raise SessionError(f"“{name}” is neither a group nor a dataset")
        return node

    def _member(self, group: Any, raw: bytes) -> str:
        if not _NAME.fullmatch(raw):
            raise SessionError("a part of it has a name that a session does not use")
        if group.links.get_info(raw).type != h5l.TYPE_HARD:
            raise SessionError(f"“{raw.decode()}” is a link to somewhere else")
        return raw.decode()

    def attributes(self, owner: Any) -> dict[str, Value]:
        count = h5a.get_num_attrs(owner)
        if count > schema.MOST_ATTRIBUTES:
            raise SessionError("a part of it has too many attributes")
        out: dict[str, Value] = {}
        for n in range(count):
            attribute = h5a.open(owner, index=n)
            if not _NAME.fullmatch(attribute.name):
                raise SessionError("an attribute has a name that a session does not use")
            out[attribute.name.decode()] = _plain(attribute)
        return out

    def _named_dataset(self, dataset: Any, name: str, expected: Node | None, may_wait: bool) -> Samples:
        wanted = None if expected is None else expected.arrays.get(name)
        if expected is not None and wanted is None:
            raise SessionError(f"the dataset “{name}” is too many")
        try:
            return self._dataset(dataset, wanted, may_wait)
        except SessionError as error:
            raise type(error)(f"the dataset “{name}” cannot be read: {error}") from None

    def _dataset(self, dataset: Any, wanted: Samples | None, may_wait: bool) -> Samples:
        address = h5o.get_info(dataset).addr
        if address in self._met:
            raise SessionError("it stands in two places")
        self._met.add(address)
        dtype, count = self._type_and_length(dataset)
        if not may_wait:
            self._account(dtype, count)
        plist = dataset.get_create_plist()
        layout = plist.get_layout()
        if layout not in (h5d.COMPACT, h5d.CONTIGUOUS, h5d.CHUNKED) or plist.get_external_count():
            raise SessionError("its data are not in this file")
        if wanted is not None and (wanted.dtype != dtype or len(wanted) != count):
            raise SessionError("it differs from what was to be written")
        chunks = Chunks(dataset, plist, dtype, count) if layout == h5d.CHUNKED else None
        if chunks is None and count * dtype.itemsize > self._file_bytes:
            raise SessionError("it states more data than the file has")
        waits = self._waits(count * dtype.itemsize, wanted, may_wait and layout != h5d.COMPACT)
        if chunks is not None:
            chunks.check_places(self._file_bytes)
            if not waits:
                return _chunked(chunks, dtype, count, wanted)
            if self._held is None:
                return spooled(dtype, count, chunks.each)
            return StoredSamples(self._held, count, chunks.format, chunks.places)
        if waits:
            if self._held is None:
                return spooled(dtype, count, lambda keep: _in_pieces(dataset, dtype, count, keep))
            return self._in_one_piece(self._held, dataset, dtype, count)
        values = np.empty(count, dtype)
        dataset.read(h5s.ALL, h5s.ALL, values)
        if wanted is not None and not same_values(values, wanted):
            raise SessionError("it differs from what was to be written")
        return values if wanted is None else wanted

    def _account(self, dtype: np.dtype[Any], count: int) -> None:
        """Rows and numbers become values of the program, which take many times their place in the file."""
        if self._most_rows is not None and count > self._most_rows:
            raise SessionError(f"it has {count} rows, more than {self._most_rows}")
        self._would_hold += rows_held_bytes(dtype, count)
        if self._would_hold > schema.MOST_HELD_BYTES:
            raise SessionError(f"more than {schema.MOST_HELD_BYTES >> 20} MB would be needed to work with it")

    def _waits(self, size: int, wanted: Samples | None, may_wait: bool) -> bool:
        """Whether samples of so many bytes are left in the file; else they, as all else, are to be read now."""
        if may_wait and self._may_leave and wanted is None:
            if size > self._at_once:
                self._left_in_file += size
                if self._left_in_file > schema.MOST_SAMPLE_BYTES:
                    raise SessionError(f"it states more than {schema.MOST_SAMPLE_BYTES >> 30} GB of samples")
                return True
            self._at_once -= size
        elif may_wait and wanted is not None:
            return False  # compared piece by piece
        self._bytes += size
        if self._bytes > schema.MOST_BYTES:
            raise SessionError(f"more than {schema.MOST_BYTES >> 20} MB would be needed to hold it")
        return False

    def _in_one_piece(
        self, held: SessionFile, dataset: Any, dtype: np.dtype[Any], count: int
    ) -> StoredSamples:
        offset = dataset.get_offset()
        if offset is None or offset + count * dtype.itemsize > self._file_bytes:
            raise DamagedSessionError("the file ends before its data")
        return in_one_piece(held, dtype, count, offset)

    def _type_and_length(self, dataset: Any) -> tuple[np.dtype[Any], int]:
        space = dataset.get_space()
        if space.get_simple_extent_type() != h5s.SIMPLE or space.get_simple_extent_ndims() != 1:
            raise SessionError("it is not a list")
        (count,) = space.get_simple_extent_dims()
        kind = dataset.get_type()
        if kind.get_class() == h5t.COMPOUND:
            if kind.get_nmembers() > schema.MOST_FIELDS:
                raise SessionError("it has too many columns")
            for n in range(kind.get_nmembers()):
                _check_type(kind.get_member_type(n), schema.MOST_TEXT_BYTES)
        else:
            _check_type(kind, schema.MOST_TEXT_BYTES)
        dtype = kind.dtype
        if dtype.itemsize != kind.get_size():
            raise SessionError("its type is not one that a session uses")
        return dtype, count


def _in_pieces(dataset: Any, dtype: np.dtype[Any], count: int, keep: Keep) -> None:
    """Values that stand plainly one after the other, some at a time."""
    for first in range(0, count, _PIECE):
        part = np.empty(min(_PIECE, count - first), dtype)
        space = dataset.get_space()
        space.select_hyperslab((first,), (len(part),))
        dataset.read(h5s.create_simple((len(part),)), space, part)
        keep(first, part)


def _chunked(chunks: Chunks, dtype: np.dtype[Any], count: int, wanted: Samples | None) -> Samples:
    if wanted is None:
        values = np.empty(count, dtype)

        def keep(first: int, part: NDArray[Any]) -> None:
            values[first : first + len(part)] = part

        chunks.each(keep)
        return values
    source = wanted
    if isinstance(source, StoredSamples) and source.format == chunks.format:
        # copied as it was stored, damaged or not
        def compare_raw(first: int) -> None:
            if source.raw(first) != chunks.raw(first):
                raise SessionError("it differs from what was to be written")

        chunks.each_first(compare_raw)
        return wanted

    def compare(first: int, part: NDArray[Any]) -> None:
        if not same_values(part, np.asarray(source[first : first + len(part)])):
            raise SessionError("it differs from what was to be written")

    chunks.each(compare)
    return wanted


def _plain(attribute: Any) -> Value:
    """The value of an attribute, which must be a single number or text."""
    if attribute.get_space().get_simple_extent_type() != h5s.SCALAR:
        raise SessionError(f"the attribute “{attribute.name.decode()}” is not a single value")
    kind = attribute.get_type()
    _check_type(kind, schema.MOST_ATTRIBUTE_BYTES)
    value = np.empty((), kind.dtype)
    attribute.read(value)
    plain = value[()].item()
    return decoded(plain) if isinstance(plain, bytes) else plain


def _check_type(kind: Any, most_bytes: int) -> None:
    """Refuse every type but plain integers, floats and texts of fixed length."""
    found = kind.get_class()
    if found == h5t.STRING:
        if kind.is_variable_str() or not 0 < kind.get_size() <= most_bytes:
            raise SessionError("a text is not of fixed length or too long")
    elif kind.get_size() not in _NUMBER_SIZES.get(found, ()):
        raise SessionError("a value is of a type that a session does not use")
