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
from app.files.capture_options import UNWATCHED, Watch
from app.files.replace import FileState, backup_of, replace_file
from app.files.session import is_session, read_session
from app.files.session_check import check
from app.files.session_links import open_again
from app.files.session_load import load_tree
from app.files.session_pack import pack
from app.files.session_store import store_tree
from app.files.session_tree import Node, difference, encoded
from app.files.session_unpack import unpack
from app.files.upgrades import upgraded
from app.model.capture import Capture, Samples
from app.model.items import SessionData
from app.version import program_version

_BLOCK = 1 << 20


@dataclass(frozen=True)
class Recovered:
    """Work that was kept: the session, the file it belongs to if it had one, and when.

    ``origin_state`` is that of the file when this work was last in step with it.
    """

    data: SessionData
    origin: Path | None
    saved: str
    origin_state: FileState | None = None


@dataclass(frozen=True)
class Offered:
    """Kept work as a person knows it: what it is on, and when it was kept."""

    name: str
    saved: str


class SampleDigests:
    """Digests of captures' samples, each worked out once."""

    def __init__(self, watch: Watch = UNWATCHED) -> None:
        self._known: dict[int, tuple[object, str]] = {}
        self._watch = watch

    def of(self, capture: Capture) -> str:
        """SHA-256 over the stored samples of all channels."""
        known = self._known.get(id(capture.channels))
        if known is not None and known[0] is capture.channels:
            return known[1]
        digest = samples_digest([channel.stored for channel in capture.channels], self._watch)
        self._known[id(capture.channels)] = (capture.channels, digest)
        return digest


def samples_digest(arrays: Sequence[Samples], watch: Watch = UNWATCHED) -> str:
    digest = hashlib.sha256()
    for array in arrays:
        digest.update(array.dtype.str.encode())
        for at in range(0, len(array), _BLOCK):
            watch.step(at / len(array))
            digest.update(array[at : at + _BLOCK].tobytes())
    return digest.hexdigest()


def write_autosave(
    path: Path,
    data: SessionData,
    origin: Path | None,
    digests: SampleDigests,
    origin_state: FileState | None = None,
) -> None:
    """Keep ``data``, which belongs to the session file ``origin`` if it has one, in ``origin_state`` as it was seen.

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
        if origin_state is not None:
            root.attributes["origin_state"] = " ".join(map(str, origin_state))
        for capture, node, place in zip(data.captures, root.numbered("captures"), places, strict=True):
            if place is not None:
                node.attributes |= {"samples_at": _text(place), "samples_sha256": _digest(capture, digests)}

        def write(file: FileIO) -> None:
            store_tree(file, root)

        replace_file(path, write, lambda part: _verify(part, root), keep_backup=False)
    except OSError as error:
        raise SessionError(
            f"unsaved work could not be kept in {path.parent} ({error.strerror or error})"
        ) from error


def _verify(part: Path, root: Node) -> None:
    written = load_tree(part, expected=root)
    found = difference(root, written)
    if found is not None:
        raise SessionError(f"unsaved work could not be kept: reading it back gave something else in {found}")


def _digest(capture: Capture, digests: SampleDigests) -> str:
    """Empty where some of the samples cannot be read: what was done with the others is kept all the same."""
    try:
        return digests.of(capture)
    except SessionError:
        return ""


def look_at_autosave(path: Path) -> Offered:
    """What work is kept in ``path``, without its samples.

    Raises
    ------
    app.errors.SessionError : the file is damaged.
    """
    root = _tree(path)
    captures = root.numbered("captures")
    origin = str(root.attributes.get("origin", ""))
    name = Path(origin).name if origin else str(captures[0].attributes["name"]) if captures else "a session"
    return Offered(name, str(root.attributes.get("saved", "")))


def _tree(path: Path) -> Node:
    try:
        root = upgraded(load_tree(path))
    except OSError as error:
        raise SessionError(f"{path}: the kept work cannot be read ({error.strerror or error})") from error
    check(root, schema.SESSION)
    return root


def read_autosave(path: Path, watch: Watch = UNWATCHED) -> Recovered:
    """The work kept in ``path``.

    Raises
    ------
    app.errors.SessionError : the file is damaged, or samples are no longer where they were.
    dsp.errors.CancelledError : the user asked to stop.
    """
    root = _tree(path)
    data = unpack(root, _Finder(watch).samples)
    origin = str(root.attributes.get("origin", ""))
    return Recovered(
        data=data,
        origin=Path(origin) if origin else None,
        saved=str(root.attributes.get("saved", "")),
        origin_state=_state(str(root.attributes.get("origin_state", ""))),
    )


def _state(text: str) -> FileState | None:
    """What `write_autosave` put down; an older program put nothing."""
    match text.split():
        case [inode, size, time_ns] if text.replace(" ", "").isdecimal():
            return int(inode), int(size), int(time_ns)
    return None


def _place(capture: Capture, origin: Path | None) -> Path | None:
    """Where the samples can be had again; None to keep them."""
    if capture.path is not None and os.path.isfile(capture.path):
        return capture.path.absolute()
    if capture.path is None and origin is not None and (os.path.isfile(origin) or not _can_be_read(capture)):
        return origin.absolute()
    return None


def _can_be_read(capture: Capture) -> bool:
    """Whether samples left in a session's file can still be had: not if its folder has vanished from the network."""
    try:
        for channel in capture.channels:
            channel.stored[:1]
            channel.stored[-1:]
    except SessionError:
        return False
    return True


def _text(path: Path | None) -> str:
    return "" if path is None else encoded(os.fspath(path), schema.MOST_ATTRIBUTE_BYTES).decode()


class _Finder:
    """Gets samples again, by their digest."""

    def __init__(self, watch: Watch) -> None:
        self._sessions: dict[Path, tuple[Capture, ...]] = {}
        self._digests = SampleDigests(watch)
        self._watch = watch

    def samples(self, node: Node) -> tuple[Path | None, tuple[Samples, ...]]:
        place = Path(str(node.attributes.get("samples_at", "")))
        wanted = str(node.attributes.get("samples_sha256", ""))
        name = str(node.attributes["name"])
        if is_session(place):
            for capture in self._of_session(place):
                # where the samples could not be read, name and length are all that is known of them
                alike = (capture.name, capture.samples) == (name, node.attributes["samples"])
                if _digest(capture, self._digests) == wanted if wanted else alike:
                    return None, tuple(channel.stored for channel in capture.channels)
        else:
            found = self._of_file(place, node)
            if found is not None and samples_digest(found, self._watch) == wanted:
                return place, found
        raise SessionError(f"the samples of {name} are no longer in {place} as they were; put the file back")

    def _of_session(self, place: Path) -> tuple[Capture, ...]:
        """Captures of the session, and of the one before it: another window may have saved meanwhile."""
        if place not in self._sessions:
            found: tuple[Capture, ...] = ()
            for path in (place, backup_of(place)):
                try:
                    found += read_session(path, watch=self._watch).captures
                except SessionError:
                    continue
            self._sessions[place] = found
        return self._sessions[place]

    def _of_file(self, place: Path, node: Node) -> tuple[Samples, ...] | None:
        try:
            capture = open_again(place, node, Watch(cancelled=self._watch.cancelled))
        except (CaptureError, UsageError, OSError):
            return None
        return tuple(channel.stored for channel in capture.channels)
