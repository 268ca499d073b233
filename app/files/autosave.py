"""Unsaved work kept aside while a window is open: marks, settings, results, and samples by reference and digest.

A file of the session layout without samples. Where the samples are stands in attributes that only this module
reads; a digest of them says whether they are still the ones that were worked on.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from io import FileIO
from pathlib import Path

from app.errors import CaptureError, SessionError, UsageError
from app.files import schema
from app.files.capture_options import ReadOptions
from app.files.captures import open_capture
from app.files.replace import replace_file
from app.files.session import read_session
from app.files.session_check import check
from app.files.session_load import load_tree
from app.files.session_pack import pack
from app.files.session_store import store_tree
from app.files.session_tree import Node, encoded
from app.files.session_unpack import unpack
from app.files.upgrades import upgraded
from app.model.capture import Capture, Samples
from app.model.items import SessionData
from app.version import program_version

_BLOCK = 1 << 20
# what cannot be had again from a file is kept itself, if it is no more than this
_MOST_KEPT_BYTES = 256 << 20
_TOLD_FORMATS = ("raw", "IEEE 488.2 block")


@dataclass(frozen=True)
class Recovered:
    """Work that was kept: the session, the file it belongs to if it had one, and when."""

    data: SessionData
    origin: Path | None
    saved: str


class SampleDigests:
    """Digests of captures' samples, each worked out once."""

    def __init__(self) -> None:
        self._known: dict[int, tuple[object, str]] = {}

    def of(self, capture: Capture) -> str:
        """SHA-256 over the stored samples of all channels."""
        known = self._known.get(id(capture.channels))
        if known is not None and known[0] is capture.channels:
            return known[1]
        digest = samples_digest([channel.stored for channel in capture.channels])
        self._known[id(capture.channels)] = (capture.channels, digest)
        return digest


def samples_digest(arrays: Sequence[Samples]) -> str:
    digest = hashlib.sha256()
    for array in arrays:
        digest.update(array.dtype.str.encode())
        for at in range(0, len(array), _BLOCK):
            digest.update(array[at : at + _BLOCK].tobytes())
    return digest.hexdigest()


def write_autosave(path: Path, data: SessionData, origin: Path | None, digests: SampleDigests) -> None:
    """Keep ``data``, which belongs to the session file ``origin`` if it has one.

    Raises
    ------
    app.errors.SessionError : it cannot be written; what was kept before still is.
    """
    now = datetime.now(UTC).isoformat(timespec="seconds")
    places = [_place(capture, origin) for capture in data.captures]
    links = [None if place is None else "autosave" for place in places]
    try:
        root = pack(
            data, created=data.created or now, saved=now, program_version=program_version(), links=links
        )
        root.attributes["origin"] = _text(origin)
        for capture, node, place in zip(data.captures, root.numbered("captures"), places, strict=True):
            if place is not None:
                node.attributes |= {"samples_at": _text(place), "samples_sha256": digests.of(capture)}

        def write(file: FileIO) -> None:
            store_tree(file, root)

        replace_file(path, write, lambda part: check(load_tree(part), schema.SESSION), keep_backup=False)
    except OSError as error:
        raise SessionError(
            f"unsaved work could not be kept in {path.parent} ({error.strerror or error})"
        ) from error


def read_autosave(path: Path) -> Recovered:
    """The work kept in ``path``.

    Raises
    ------
    app.errors.SessionError : the file is damaged, or samples are no longer where they were.
    """
    try:
        root = upgraded(load_tree(path))
    except OSError as error:
        raise SessionError(f"{path}: the kept work cannot be read ({error.strerror or error})") from error
    check(root, schema.SESSION)
    data = unpack(root, _Finder().samples)
    origin = str(root.attributes.get("origin", ""))
    return Recovered(
        data=data,
        origin=Path(origin) if origin else None,
        saved=str(root.attributes.get("saved", "")),
    )


def _place(capture: Capture, origin: Path | None) -> Path | None:
    """Where the samples can be had again; None to keep them."""
    size = sum(channel.stored.nbytes for channel in capture.channels)
    told = capture.format in _TOLD_FORMATS and size <= _MOST_KEPT_BYTES
    if capture.path is not None and not told and capture.path.is_file():
        return capture.path.absolute()
    if capture.path is None and origin is not None and origin.is_file():
        return origin.absolute()
    return None


def _text(path: Path | None) -> str:
    return "" if path is None else encoded(os.fspath(path), schema.MOST_ATTRIBUTE_BYTES).decode()


class _Finder:
    """Gets samples again, by their digest."""

    def __init__(self) -> None:
        self._sessions: dict[Path, tuple[Capture, ...]] = {}

    def samples(self, node: Node) -> tuple[Path | None, tuple[Samples, ...]]:
        place = Path(str(node.attributes.get("samples_at", "")))
        wanted = str(node.attributes.get("samples_sha256", ""))
        name = str(node.attributes["name"])
        for file, stored in self._candidates(place, node):
            if samples_digest(stored) == wanted:
                return file, stored
        raise SessionError(f"the samples of {name} are no longer in {place} as they were; put the file back")

    def _candidates(self, place: Path, node: Node) -> list[tuple[Path | None, tuple[Samples, ...]]]:
        try:
            if place.suffix == ".h5" and place not in self._sessions:
                self._sessions[place] = read_session(place).captures
            if place in self._sessions:
                return [
                    (None, tuple(channel.stored for channel in capture.channels))
                    for capture in self._sessions[place]
                ]
        except SessionError:
            pass
        try:
            capture = open_capture(place, ReadOptions(rate_hz=float(node.attributes["rate_hz"])))
        except (CaptureError, UsageError, OSError):
            return []
        return [(place, tuple(channel.stored for channel in capture.channels))]
