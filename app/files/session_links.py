"""Captures that a session names by relative path and SHA-256 instead of holding their samples."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path, PurePosixPath, PureWindowsPath

from app.errors import CaptureError, SessionError, UsageError
from app.files.captures import ReadOptions, open_capture
from app.files.session_tree import Node, same_values
from app.model.capture import Capture, Samples

# formats that say nothing of the type of their samples
_TOLD_FORMATS = {"raw"}
_MOST_LOOKED_AT = 200


def file_digest(path: Path) -> str:
    """SHA-256 of a file's bytes in hexadecimal; raises OSError."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


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


def open_linked(node: Node, folder: Path) -> tuple[Path, tuple[Samples, ...]]:
    """Find, check and open the file that a capture's node links to; ``folder`` is the session's.

    Raises
    ------
    app.errors.SessionError : the link leads nowhere or to a file that is not the one that was saved.
    """
    link = str(node.attributes.get("link", ""))
    if not link or PurePosixPath(link).is_absolute() or PureWindowsPath(link).anchor:
        raise SessionError(f"the link “{link}” is not a path relative to the session")
    path = _found(folder, link, str(node.attributes.get("sha256", "")))
    try:
        capture = open_capture(path, _options(node))
    except (OSError, CaptureError, UsageError) as error:
        raise SessionError(f"the linked capture {link} cannot be read ({error})") from None
    wanted = len(node.numbered("channels"))
    if len(capture.channels) != wanted:
        raise SessionError(f"the linked capture {link} has {len(capture.channels)} channels, not {wanted}")
    return path, tuple(channel.stored for channel in capture.channels)


def _found(folder: Path, link: str, sha256: str) -> Path:
    """The file with this digest: where the link says, or of the same name in or below the session's folder."""
    told = folder / link
    changed = False
    for path in (told, *_of_same_name(folder, told.name)):
        try:
            if path.is_file():
                if file_digest(path) == sha256:
                    return path
                changed |= path == told
        except OSError as error:
            raise SessionError(f"the linked capture {link} cannot be read ({error})") from None
    if changed:
        raise SessionError(
            f"the linked capture {link} has changed since the session was saved; put it back as it was"
        )
    raise SessionError(
        f"the linked capture {link} is not there, nor below the session's folder; put it back where the session "
        "expects it, or beside the session"
    )


def _of_same_name(folder: Path, name: str) -> list[Path]:
    """Beside the session and one folder down, at most `_MOST_LOOKED_AT` of them."""
    try:
        below = sorted(entry for entry in folder.iterdir() if entry.is_dir())[:_MOST_LOOKED_AT]
    except OSError:
        below = []
    return [folder / name, *(entry / name for entry in below)]


def same_samples(capture: Capture, stored: tuple[Samples, ...]) -> bool:
    """Whether a linked file, opened again, gives the samples of ``capture``."""
    return len(stored) == len(capture.channels) and all(
        same_values(channel.stored, again) for channel, again in zip(capture.channels, stored, strict=True)
    )


def _options(node: Node) -> ReadOptions:
    if node.attributes["format"] not in _TOLD_FORMATS:
        return ReadOptions(rate_hz=float(node.attributes["rate_hz"]))
    channels = node.numbered("channels")
    dtype = str(channels[0].attributes["dtype"]) if channels else None
    return ReadOptions(rate_hz=float(node.attributes["rate_hz"]), dtype=dtype, channels=len(channels) or None)
