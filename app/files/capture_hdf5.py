"""HDF5 files of one-dimensional numeric datasets, and with them MATLAB 7.3; mapped where one piece.

The file may have been made by anybody: only members of its own groups are looked at, no links to other
files are followed, and no size is believed before memory is taken.
"""

from __future__ import annotations

from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from app.errors import CancelledError, CaptureError
from app.files.capture_attributes import stated_number
from app.files.capture_common import Head
from app.files.capture_named import check_size, read_named
from app.files.capture_options import ReadOptions, Watch
from app.files.session_load import says_it_is_a_session
from app.model.capture import Capture

_MOST_DATASETS = 1000
_MOST_ATTRIBUTES = 256
# names of datasets that say nothing their group does not say better
_GENERIC = frozenset({"data", "samples", "values", "waveform", "trace", "y", "value", "raw"})
# no filter of the library shrinks noise of a converter further than this
_MOST_COMPRESSION = 1000


def read_hdf5(head: Head, options: ReadOptions, watch: Watch) -> Capture:
    """The numeric datasets of ``head`` as channels, time or single values, by name and shape.

    Attributes of groups and datasets may state the rate, the interval or the start; those of a dataset, or of the
    group it is alone in, the scale, offset, unit and name of its samples.

    Raises
    ------
    app.errors.CaptureError : a session, no numeric datasets, damaged, or too large for memory.
    """
    if says_it_is_a_session(head.path):
        raise CaptureError(head.path, "", "this is a session or a damaged HDF5 file", "open it as a session")
    try:
        with h5py.File(head.path, "r", locking="best-effort") as file:
            collector = _Collector(head, watch)
            variables = collector.collected(file)
    except (CaptureError, CancelledError):
        raise
    except Exception as error:  # on a damaged file the library raises almost anything
        raise CaptureError(head.path, "", "the HDF5 file is damaged", "save it again") from error
    return read_named(head, "HDF5", variables, options, watch, attributes=collector.attributes)


class _Collector:
    def __init__(self, head: Head, watch: Watch) -> None:
        self._head = head
        self._watch = watch
        self._found: dict[str, NDArray[Any]] = {}
        self.attributes: dict[str, dict[str, Any]] = {}

    def collected(self, file: h5py.File) -> dict[str, NDArray[Any]]:
        self._add_numbers(file)
        # visits members only, never a soft or an external link
        file.visititems(self._visit)
        return self._found

    def _visit(self, member: str | bytes, item: Any) -> bool | None:
        self._watch.stop_if_asked()
        path = _text(member)
        if path.startswith("#"):
            return None
        self._add_numbers(item)
        if isinstance(item, h5py.Dataset) and item.size and _is_numeric(item.dtype):
            name = self._name(path)
            self._found[name] = self._array(path, item)
            own = _attributes(item)
            parent = item.parent
            if parent.name != "/" and sum(isinstance(one, h5py.Dataset) for one in parent.values()) == 1:
                own = _attributes(parent) | own
            if own:
                self.attributes[name] = own
        return True if len(self._found) > _MOST_DATASETS else None

    def _name(self, path: str) -> str:
        """The last part of a path, or the group's name where that part says nothing; the path if that is taken."""
        group, _, name = path.rpartition("/")
        if group and name.lower() in _GENERIC:
            name = group.rpartition("/")[2]
        return path if name in self._found else name

    def _add_numbers(self, item: Any) -> None:
        for name, value in _attributes(item).items():
            number = stated_number(name, value)
            if number is not None:
                self._found.setdefault(name, np.asarray(number))

    def _array(self, path: str, item: h5py.Dataset) -> NDArray[Any]:
        if item.is_virtual or item.external:
            raise CaptureError(
                self._head.path,
                f"dataset '{path}'",
                "its samples are in another file",
                "open the file that has them",
            )
        offset = item.id.get_offset()
        if item.chunks is None and offset is not None and offset + item.nbytes <= self._head.size:
            return np.memmap(self._head.path, item.dtype, "r", offset, item.shape or (1,))
        check_size(self._head, path, item.nbytes)
        if item.nbytes > (1 << 20) + _MOST_COMPRESSION * item.id.get_storage_size():
            raise CaptureError(
                self._head.path,
                f"dataset '{path}'",
                "it claims far more samples than it holds",
                "save it again",
            )
        return np.asarray(item[()])


def _attributes(item: Any) -> dict[str, Any]:
    return {_text(name): value for name, value in list(item.attrs.items())[:_MOST_ATTRIBUTES]}


def _is_numeric(dtype: np.dtype[Any]) -> bool:
    """Numbers, or a table of columns of them."""
    if dtype.names is not None:
        return all(dtype[name].kind in "biufc" for name in dtype.names)
    return dtype.kind in "biufc"


def _text(name: str | bytes) -> str:
    """A name in the file; the library gives bytes where they are no UTF-8."""
    return name if isinstance(name, str) else name.decode("latin-1")
