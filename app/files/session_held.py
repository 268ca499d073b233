"""What a session takes of the limits within which it can be opened; reading and joining hold to the same ones."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from app.errors import SessionError
from app.files import schema
from app.files.session_tree import Node

# measured: tuples of floats take 32 bytes a number, notes 290 and bursts 1100 a row
_VALUE_HELD_BYTES, _ROW_HELD_BYTES = 40, 100
_SAMPLES = "samples"


def rows_held_bytes(dtype: np.dtype[Any], count: int) -> int:
    """What rows and numbers take once they are values of the program, many times their place in the file."""
    if dtype.names is not None:
        return count * (_ROW_HELD_BYTES + dtype.itemsize + _VALUE_HELD_BYTES * len(dtype.names))
    return count * (dtype.itemsize if dtype.kind == "S" else _VALUE_HELD_BYTES)


@dataclass(frozen=True)
class Held:
    """Of a session or some of it: groups and datasets, bytes of rows read and as values, and of samples."""

    objects: int = 0
    row_bytes: int = 0
    held_bytes: int = 0
    sample_bytes: int = 0

    @classmethod
    def of(cls, node: Node) -> Held:
        """What ``node`` takes, and what is in it; it is itself one object."""
        found = cls(objects=1 + len(node.arrays))
        for name, array in node.arrays.items():
            if name == _SAMPLES:
                found += cls(sample_bytes=array.nbytes)
            else:
                held = rows_held_bytes(array.dtype, len(array))
                found += cls(row_bytes=array.nbytes, held_bytes=held)
        return sum((cls.of(group) for group in node.groups.values()), found)

    def __add__(self, other: Held) -> Held:
        return Held(
            self.objects + other.objects,
            self.row_bytes + other.row_bytes,
            self.held_bytes + other.held_bytes,
            self.sample_bytes + other.sample_bytes,
        )

    def check(self) -> None:
        """Refuse what could not be opened again.

        Raises
        ------
        app.errors.SessionError : the session would get beyond a limit.
        """
        # the two groups that all captures and all decodes stand in, and what is read at once of the samples
        if self.objects + 2 > schema.MOST_OBJECTS:
            most = f"{schema.MOST_OBJECTS} parts"
        elif self.row_bytes + schema.READ_AT_ONCE_BYTES > schema.MOST_BYTES:
            most = f"{schema.MOST_BYTES >> 20} MB of results"
        elif self.held_bytes > schema.MOST_HELD_BYTES:
            most = f"what takes {schema.MOST_HELD_BYTES >> 20} MB to work with"
        elif self.sample_bytes > schema.MOST_SAMPLE_BYTES:
            most = f"{schema.MOST_SAMPLE_BYTES >> 30} GB of samples"
        else:
            return
        raise SessionError(
            f"it would hold more than {most}, and could not be opened again; make several sessions"
        )
