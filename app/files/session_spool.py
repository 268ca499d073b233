"""Many samples of a session on systems where they cannot be left in its file: laid down in a temporary file.

The temporary file has no name that lasts; it goes with the last array that is mapped from it.
"""

from __future__ import annotations

import shutil
import tempfile
import threading
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.errors import SessionError

Keep = Callable[[int, NDArray[Any]], None]

# of the free space of the folder for temporary files: the rest is for everybody else
_MOST_OF_FREE = 0.5


def spooled(dtype: np.dtype[Any], count: int, read: Callable[[Keep], None]) -> NDArray[Any]:
    """``count`` values of ``dtype``, mapped read-only from a temporary file.

    ``read`` calls ``keep(first, values)`` for stretches that cover them all, from any thread.

    Raises
    ------
    app.errors.SessionError : there is no room for them; whatever ``read`` raises.
    """
    size = count * dtype.itemsize
    if size > _MOST_OF_FREE * shutil.disk_usage(tempfile.gettempdir()).free:
        raise SessionError(f"{size >> 20} MB of room for temporary files would be needed to read it")
    lock = threading.Lock()
    with tempfile.TemporaryFile() as file:
        # written, not mapped for writing: a disk that is full is then told, and does not end the process
        def keep(first: int, values: NDArray[Any]) -> None:
            with lock:
                file.seek(first * dtype.itemsize)
                file.write(np.ascontiguousarray(values, dtype).view("u1").data)

        try:
            read(keep)
            file.truncate(size)
            file.flush()
        except OSError as error:
            reason = error.strerror or str(error)
            raise SessionError(f"it could not be laid down in a temporary file ({reason})") from error
        return np.memmap(file, dtype, "r", shape=(count,))
