"""Captures that a session names by relative path and SHA-256 instead of holding their samples."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path, PurePosixPath, PureWindowsPath

from app.errors import CaptureError, MissingLinkError, SessionError, UsageError
from app.files.capture_options import UNWATCHED, Watch
from app.files.captures import ReadOptions, open_capture
from app.files.session_tree import Node, same_values
from app.files.session_unpack import layout_of
from app.model.capture import Capture, Samples

# formats that say nothing of the type of their samples
_TOLD_FORMATS = {"raw", "IEEE 488.2 block"}
_MOST_LOOKED_AT = 200
_BLOCK_BYTES = 4 << 20
_MOST_SHOWN = 120
# of files of other names; one of the right name is always looked at
_MOST_HASHED_BYTES = 8 << 30


def file_digest(path: Path, watch: Watch = UNWATCHED) -> str:
    """SHA-256 of a file's bytes in hexadecimal.

    Raises
    ------
    OSError : it cannot be read.
    dsp.errors.CancelledError : the user asked to stop.
    """
    digest = hashlib.sha256()
    with path.open("rb") as file:
        size, done = max(1, os.fstat(file.fileno()).st_size), 0
        while block := file.read(_BLOCK_BYTES):
            digest.update(block)
            done += len(block)
            watch.step(done / size)
    return digest.hexdigest()


def link_to(file: Path, folder: Path) -> str:
    """Path of ``file`` seen from ``folder``, with ``/``.

    Raises
    ------
    app.errors.SessionError : there is none, as between two drives.
    """
    try:
        return Path(os.path.relpath(file.resolve(), folder.resolve())).as_posix()
    except ValueError:
        raise SessionError(
            f"{file} is on another drive and cannot be linked; save with samples embedded"
        ) from None


def open_linked(
    node: Node, folder: Path, look_at: Sequence[Path] = (), watch: Watch = UNWATCHED
) -> tuple[Path, tuple[Samples, ...]]:
    """Find, check and open the file that a capture's node links to; ``folder`` is the session's.

    ``look_at`` are files, or folders of files, where it may stand, too.

    Raises
    ------
    app.errors.MissingLinkError : the file is nowhere to be found.
    app.errors.SessionError : the link leads to a file that is not the one that was saved.
    dsp.errors.CancelledError : the user asked to stop.
    """
    link = str(node.attributes.get("link", ""))
    if not link or PurePosixPath(link).is_absolute() or PureWindowsPath(link).anchor:
        raise SessionError(f"the link “{_shown(link)}” is not a path relative to the session")
    path = _found(folder, link, str(node.attributes.get("sha256", "")), look_at, watch)
    try:
        capture = open_again(path, node, watch)
    except (OSError, CaptureError, UsageError) as error:
        raise SessionError(f"the linked capture {_shown(link)} cannot be read ({_reason(error)})") from None
    wanted = len(node.numbered("channels"))
    if len(capture.channels) != wanted:
        raise SessionError(
            f"the linked capture {_shown(link)} has {len(capture.channels)} channels, not {wanted}"
        )
    return path, tuple(channel.stored for channel in capture.channels)


def _shown(link: str) -> str:
    """A link in a sentence: its end tells the name."""
    return link if len(link) <= _MOST_SHOWN else f"…{link[-_MOST_SHOWN:]}"


def _found(folder: Path, link: str, sha256: str, look_at: Sequence[Path], watch: Watch) -> Path:
    """The file with this digest: where the link says, else of any name where files like it stand."""
    told = folder / link
    changed = False
    hashed = 0
    for path in _unique([told, *_candidates(folder, told, look_at)]):
        try:
            if not path.is_file():
                continue
            hashed += path.stat().st_size
            if hashed > _MOST_HASHED_BYTES and path.name != told.name:
                continue
            if file_digest(path, watch) == sha256:
                return path
            changed |= path == told
        except OSError as error:
            if path == told:
                raise SessionError(
                    f"the linked capture {_shown(link)} cannot be read ({_reason(error)})"
                ) from None
    if changed:
        raise MissingLinkError(
            f"the linked capture {_shown(link)} has changed since the session was saved; put it back as it was",
            told.name,
        )
    raise MissingLinkError(
        f"the linked capture {_shown(link)} is not there, nor beside the session or one folder below it; put it back where "
        "the session expects it, or beside the session",
        told.name,
    )


def _candidates(folder: Path, told: Path, look_at: Sequence[Path]) -> Iterator[Path]:
    """Files of the same name beside the session, one folder down and where it should be; then those of the same ending."""
    folders = _unique([*(one for one in look_at if os.path.isdir(one)), folder, told.parent, *_below(folder)])
    yield from (one for one in look_at if not os.path.isdir(one))
    yield from (one / told.name for one in folders)
    seen = 0
    for one in folders:
        try:
            alike = sorted(entry for entry in one.iterdir() if entry.suffix.lower() == told.suffix.lower())
        except OSError:
            continue
        for path in alike[: _MOST_LOOKED_AT - seen]:
            seen += 1
            yield path


def _reason(error: Exception) -> str:
    return (error.strerror if isinstance(error, OSError) else None) or str(error)


def _unique(paths: Iterable[Path]) -> list[Path]:
    return list(dict.fromkeys(paths))


def _below(folder: Path) -> list[Path]:
    """One folder down, at most `_MOST_LOOKED_AT` of them."""
    try:
        return sorted(entry for entry in folder.iterdir() if entry.is_dir())[:_MOST_LOOKED_AT]
    except OSError:
        return []


def same_samples(capture: Capture, stored: tuple[Samples, ...], watch: Watch = UNWATCHED) -> bool:
    """Whether a linked file, opened again, gives the samples of ``capture``."""
    return len(stored) == len(capture.channels) and all(
        same_values(channel.stored, again, watch.stop_if_asked)
        for channel, again in zip(capture.channels, stored, strict=True)
    )


def open_again(path: Path, node: Node, watch: Watch) -> Capture:
    """The file of a capture's node, with what was told of it if it does not tell the same itself.

    Raises
    ------
    app.errors.CaptureError : it cannot be read.
    dsp.errors.CancelledError : the user asked to stop.
    """
    told = told_options(node)
    # a rate told anew may make a channel of a column that was one of times
    for options in (ReadOptions(), told) if told == ReadOptions(rate_hz=told.rate_hz) else (told,):
        try:
            capture = open_capture(path, options, progress=watch.progress, cancelled=watch.cancelled)
        except CaptureError:
            if options is told:
                raise
            continue
        if options is told or _is_alike(capture, node):
            return capture
    raise AssertionError("unreachable: what was told is tried last")


def _is_alike(capture: Capture, node: Node) -> bool:
    channels = node.numbered("channels")
    return len(capture.channels) == len(channels) and all(
        (one.name, one.stored.dtype.str) == (saved.attributes.get("name"), saved.attributes.get("dtype"))
        for one, saved in zip(capture.channels, channels, strict=True)
    )


def told_options(node: Node) -> ReadOptions:
    """What to tell a reader again of the file of a capture's node."""
    rate_hz = float(node.attributes["rate_hz"])
    layout = layout_of(node)
    if layout is not None:
        return ReadOptions(
            rate_hz, layout.dtype, layout.channels, skip=layout.skip, interleaved=not layout.planar
        )
    if node.attributes["format"] not in _TOLD_FORMATS:
        return ReadOptions(rate_hz=rate_hz)
    # an older session says no more than this
    channels = node.numbered("channels")
    dtype = str(channels[0].attributes["dtype"]) if channels else None
    return ReadOptions(rate_hz, dtype, len(channels) or None)
