"""Put sessions of one capture together to one session, one after the other, so that memory stays small.

Compressed samples are copied as they are.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from io import FileIO
from pathlib import Path

import h5py
from h5py import h5o

from app.errors import CancelledError, SessionError
from app.files import schema
from app.files.replace import replace_file
from app.files.session import not_saved
from app.files.session_check import check
from app.files.session_load import GroupLoader, load_tree
from app.files.session_pack import pack
from app.files.session_store import TreeFile
from app.files.session_tree import Node, tree_digest
from app.files.upgrades import upgraded
from app.model.items import SessionData
from app.version import program_version

Progress = Callable[[float], None]

_CHECKING_SHARE = 0.4


def join_sessions(
    path: Path,
    parts: Sequence[Path],
    *,
    progress: Progress | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> None:
    """Write the captures and decodes of ``parts``, one of each in every part, as one session to ``path``.

    As with `app.files.session.write_session` the file is read back before it takes the place of an old one.

    Raises
    ------
    app.errors.SessionError : a part is damaged, or the session cannot be written; what was there before stays.
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    digests: list[tuple[bytes, bytes]] = []
    try:
        replace_file(
            path,
            lambda file: digests.extend(_written(file, path.parent, parts, progress, cancelled)),
            lambda written: _verify(written, digests, progress, cancelled),
        )
    except SessionError as error:
        raise SessionError(f"{path}: the session was not saved: {error}") from error
    except OSError as error:
        raise not_saved(path, error) from error


def _written(
    file: FileIO,
    folder: Path,
    parts: Sequence[Path],
    progress: Progress | None,
    cancelled: Callable[[], bool] | None,
) -> Iterator[tuple[bytes, bytes]]:
    """Write it; of each capture and its decode comes the digest, as they were read from the part."""
    now = datetime.now(UTC).isoformat(timespec="seconds")
    empty = SessionData(created=now, next_key=len(parts) + 1)
    root = pack(empty, created=now, saved=now, program_version=program_version(), links=())
    with TreeFile(file) as out:
        out.add("/", root)
        for number, part, capture, decode in _each(parts, folder):
            if cancelled is not None and cancelled():
                raise CancelledError("saving was cancelled")
            digests = tree_digest(capture), tree_digest(decode)
            with h5py.File(part, "r", locking="best-effort") as source:
                out.add(f"captures/{number}", capture, source["captures/0"])
                out.add(f"decodes/{number}", decode, source["decodes/0"])
            yield digests
            if progress is not None:
                progress((1 - _CHECKING_SHARE) * (number + 1) / len(parts))


def _verify(
    written: Path,
    digests: Sequence[tuple[bytes, bytes]],
    progress: Progress | None,
    cancelled: Callable[[], bool] | None,
) -> None:
    """Read back what was written, group by group, and hold it against the digests."""
    with h5py.File(written, "r", locking="best-effort") as file:
        loader = GroupLoader(os.stat(written).st_size)
        for number, expected in enumerate(digests):
            if cancelled is not None and cancelled():
                raise CancelledError("saving was cancelled")
            for kind, wanted in zip(("captures", "decodes"), expected, strict=True):
                group = h5o.open(file.id, f"{kind}/{number}".encode())
                if tree_digest(loader.group(group, 2, None)) != wanted:
                    raise SessionError(f"reading it back gave something else in {kind}/{number}")
            if progress is not None:
                progress(1 - _CHECKING_SHARE * (1 - (number + 1) / len(digests)))


def _each(parts: Sequence[Path], folder: Path) -> Iterator[tuple[int, Path, Node, Node]]:
    """Of each part its number, its path, and its capture and decode as they will stand in the session."""
    for number, part in enumerate(parts):
        tree = upgraded(load_tree(part))
        check(tree, schema.SESSION)
        captures, decodes = tree.numbered("captures"), tree.numbered("decodes")
        if len(captures) != 1 or len(decodes) != 1:
            raise SessionError(f"{part.name} is no part of a session")
        link = captures[0].attributes.get("link")
        if link is not None:
            captures[0].attributes["link"] = Path(os.path.relpath(part.parent / str(link), folder)).as_posix()
        decodes[0].attributes |= {"capture": number, "key": number + 1}
        yield number, part, captures[0], decodes[0]
