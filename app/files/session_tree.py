"""A session between memory and file: attributes, arrays and groups as plain values, nothing of HDF5."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.errors import SessionError
from app.model.capture import Samples

Value = int | float | str
_PIECE = 1 << 20


@dataclass
class Node:
    """A group of the file. Arrays are one-dimensional; tables are structured arrays; samples may be left in a file."""

    attributes: dict[str, Value] = field(default_factory=dict)
    arrays: dict[str, Any] = field(default_factory=dict)
    groups: dict[str, Node] = field(default_factory=dict)

    def numbered(self, name: str) -> list[Node]:
        """The children ``0``, ``1``, ... of the group ``name``; none if there is no such group."""
        group = self.groups.get(name)
        return [] if group is None else [group.groups[str(n)] for n in range(len(group.groups))]

    def add_numbered(self, name: str, nodes: list[Node]) -> None:
        """Make ``nodes`` the children of the group ``name``; no group if there are none."""
        if nodes:
            self.groups[name] = Node(groups={str(n): node for n, node in enumerate(nodes)})

    def total_bytes(self) -> int:
        mine = sum(int(a.nbytes) for a in self.arrays.values())
        return mine + sum(g.total_bytes() for g in self.groups.values())


def difference(first: Node, second: Node, path: str = "") -> str | None:
    """Where two trees differ, None if nowhere. Arrays that are one object count as the same."""
    if first.attributes != second.attributes:
        return f"{path or '/'} attributes"
    if first.arrays.keys() != second.arrays.keys() or first.groups.keys() != second.groups.keys():
        return f"{path or '/'} contents"
    for name, array in first.arrays.items():
        if not same_values(array, second.arrays[name]):
            return f"{path}/{name}"
    for name, group in first.groups.items():
        found = difference(group, second.groups[name], f"{path}/{name}")
        if found is not None:
            return found
    return None


def tree_digest(root: Node) -> bytes:
    """SHA-256 of all that a tree holds: names, values, types and bytes, each with its length before it."""
    digest = hashlib.sha256()

    def put(*parts: object) -> None:
        for part in parts:
            raw = repr(part).encode("utf-8", "surrogatepass")
            digest.update(len(raw).to_bytes(8, "little") + raw)

    def walk(node: Node) -> None:
        put(sorted(node.attributes.items()), len(node.arrays), len(node.groups))
        for name, array in sorted(node.arrays.items()):
            put(name, array.dtype.descr, array.shape)
            for at in range(0, len(array), _PIECE):
                digest.update(np.ascontiguousarray(array[at : at + _PIECE]).view("u1").data)
        for name, group in sorted(node.groups.items()):
            put(name)
            walk(group)

    walk(root)
    return digest.digest()


def same_values(first: Samples, second: Samples, each: Callable[[], None] | None = None) -> bool:
    """Same type, length and bytes; unlike ``==`` true of NaN. Piece by piece, as samples may be left in files.

    ``each`` is called before every piece.
    """
    if first is second:
        return True
    if first.dtype != second.dtype or first.shape != second.shape:
        return False
    for at in range(0, len(first), _PIECE):
        if each is not None:
            each()
        if first[at : at + _PIECE].tobytes() != second[at : at + _PIECE].tobytes():
            return False
    return True


def text_rows(table: NDArray[Any], column: str) -> Iterator[str]:
    """The texts of a text column.

    Raises
    ------
    app.errors.SessionError : one of them is not UTF-8.
    """
    for raw in table[column].tolist():
        yield decoded(raw)


def decoded(raw: bytes) -> str:
    """``raw`` as text; raises `SessionError` if it is not UTF-8."""
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        raise SessionError("a text is not UTF-8") from None


def encoded(text: str, most: int) -> bytes:
    """``text`` as UTF-8; what a file cannot hold (NUL, half of a surrogate pair) is replaced or spelt out.

    Raises
    ------
    app.errors.SessionError : it takes more than ``most`` bytes.
    """
    raw = text.replace("\0", "\N{REPLACEMENT CHARACTER}").encode("utf-8", "backslashreplace")
    if len(raw) > most:
        raise SessionError(
            f"the text that begins “{text[:40]}” has {len(raw)} bytes, more than {most}; shorten it"
        )
    return raw


def text_type(length: int) -> np.dtype[Any]:
    """UTF-8 of fixed ``length``, marked so that h5py writes it as such."""
    return np.dtype(f"S{max(length, 1)}", metadata={"h5py_encoding": "utf-8"})
