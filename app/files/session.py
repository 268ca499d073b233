"""Sessions: captures, marks and decodes together in one HDF5 file.

Writing puts a whole new file in the place of the old one; reading trusts nothing in the file and keeps it open
for nothing but samples. The layout stands in `app.files.schema`.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from io import FileIO
from pathlib import Path

from app.errors import ChangedSessionError, DamagedSessionError, MissingLinkError, SessionError
from app.files import schema
from app.files.capture_options import UNWATCHED, Watch
from app.files.replace import ChangedMeanwhileError, FileState, backup_of, replace_file
from app.files.session_check import check
from app.files.session_links import file_digest, link_to, open_linked, same_samples
from app.files.session_load import load_tree, says_it_is_a_session
from app.files.session_pack import pack
from app.files.session_store import Progress, store_tree
from app.files.session_tree import Node, difference
from app.files.session_unpack import unpack
from app.files.upgrades import upgraded
from app.model.capture import Capture, Samples
from app.model.commands_captures import with_own_spans
from app.model.items import SessionData
from app.version import program_version

__all__ = ["is_session", "not_saved", "read_session", "with_file_digests", "write_session"]


_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


def write_session(
    path: Path,
    data: SessionData,
    *,
    link_captures: bool = False,
    progress: Progress | None = None,
    cancelled: Callable[[], bool] | None = None,
    replaces: Sequence[FileState | None] | None = None,
) -> FileState | None:
    """Save ``data``; killed at any instant, either the old or the new file stands in ``path``, whole.

    The file before is kept as one backup beside it, with ``.bak`` behind its name.

    Parameters
    ----------
    link_captures : keep captures that stand in files by relative path and SHA-256 instead of their samples;
        otherwise only those are linked, the largest first, that a session cannot hold.
    progress : called now and then with the fraction done, 0 to 1.
    cancelled : asked now and then; True makes `CancelledError` come out.
    replaces : the states of the file in ``path`` that may be replaced, as of `app.files.replace.state_of`, None
        among them if there may be none; any if left out.

    Returns
    -------
    The state of the file that was written.

    Raises
    ------
    app.errors.ChangedSessionError : what stands in ``path`` is none of ``replaces``; it still does.
    app.errors.SessionError : it cannot be saved; what stood in ``path`` before still does.
    dsp.errors.CancelledError : ``cancelled`` answered True; likewise.
    """
    path = Path(path)
    try:
        # where files are to be linked, their bytes are gone through twice, which may take long
        watch = Watch(cancelled=cancelled)
        tree, captures = _packed(path, data, link_captures, watch)

        def write(file: FileIO) -> None:
            store_tree(file, tree, progress=progress, cancelled=cancelled)

        return replace_file(path, write, lambda part: _verify(part, tree, captures, watch), replaces=replaces)
    except ChangedMeanwhileError:
        raise ChangedSessionError(
            f"{path}: the session was not saved: another window or program has just saved it; save again to be asked "
            "which of the two shall stay, or save under another name"
        ) from None
    except SessionError as error:
        raise SessionError(f"{path}: the session was not saved: {error}") from error
    except OSError as error:
        raise not_saved(path, error) from error


def not_saved(path: Path, error: OSError) -> SessionError:
    """What to tell of a save that the system refused."""
    if isinstance(error, FileNotFoundError) and not os.path.isdir(path.parent):
        return SessionError(
            f"{path}: the session was not saved: its folder is not there; bring it back or save to another folder"
        )
    reason = (error.strerror or str(error)).lower()
    return SessionError(
        f"{path}: the session was not saved: {reason}; what was there before is unchanged; "
        f"{'free space or ' if error.errno in _NO_ROOM else ''}save to another folder"
    )


def read_session(path: Path, look_at: Sequence[Path] = (), watch: Watch = UNWATCHED) -> SessionData:
    """The session in ``path``, whoever made it; samples keep their stored type.

    Few samples come into memory. Many are left in the file, which is then held open for reading as long as they are
    used: they stay those that were opened, whatever takes the place of the file. ``look_at`` are files and folders
    where captures that are linked may stand, besides where the session expects them. ``watch`` is told of each file
    that is linked how far its bytes have been gone through.

    Spans that the captures' files name, as the command line keeps them, come among those of the session.

    Raises
    ------
    app.errors.MissingLinkError : a linked capture is not to be found.
    app.errors.SessionError : it cannot be read: why, and what to do instead.
    dsp.errors.CancelledError : the user asked to stop.
    """
    path = Path(path)
    try:
        tree = upgraded(load_tree(path))
        check(tree, schema.SESSION)
        return with_own_spans(unpack(tree, lambda node: open_linked(node, path.parent, look_at, watch)))
    except MissingLinkError as error:
        raise MissingLinkError(f"{path}: the session cannot be opened: {error}", error.name) from error
    except SessionError as error:
        backup = backup_of(path)
        remedy = ""
        if os.path.isfile(backup):
            remedy = f"; the session before it is kept in {backup.name}"
        elif isinstance(error, DamagedSessionError):
            remedy = f"; nothing of it can be recovered here, as no {backup.name} stands beside it: open a copy of it"
        raise SessionError(f"{path}: the session cannot be opened: {error}{remedy}") from error
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise SessionError(
            f"{path}: the session cannot be opened: {reason}; check the name and its permissions"
        ) from error


def is_session(path: Path) -> bool:
    """Whether to open a file as a session: it calls itself one, or is HDF5 too damaged to tell."""
    try:
        return says_it_is_a_session(Path(path))
    except OSError:
        return False


def with_file_digests(data: SessionData, watch: Watch = UNWATCHED) -> SessionData:
    """``data`` with the SHA-256 of each file that a capture was read from, as far as the files are there.

    Raises
    ------
    dsp.errors.CancelledError : the user asked to stop.
    """
    return replace(
        data, captures=tuple(_digested(capture, linked=False, watch=watch) for capture in data.captures)
    )


def _packed(path: Path, data: SessionData, link_all: bool, watch: Watch) -> tuple[Node, tuple[Capture, ...]]:
    links = _links(path.parent, data.captures, link_all)
    captures = tuple(
        _digested(c, link is not None, watch) for c, link in zip(data.captures, links, strict=True)
    )
    now = datetime.now(UTC).isoformat(timespec="seconds")
    tree = pack(
        replace(data, captures=captures),
        created=data.created or now,
        saved=now,
        program_version=program_version(),
        links=links,
    )
    return tree, captures


def _links(folder: Path, captures: tuple[Capture, ...], link_all: bool) -> list[str | None]:
    """Of each capture the link, or None to embed it: as few as can be are linked, unless all are to be."""
    sizes = [sum(channel.stored.nbytes for channel in capture.channels) for capture in captures]
    links: list[str | None] = [None] * len(captures)
    embedded = sum(sizes)
    for n in sorted(range(len(captures)), key=lambda n: -sizes[n]):
        file = captures[n].path
        if file is not None and (link_all or embedded > schema.MOST_EMBEDDED_BYTES):
            links[n] = link_to(file, folder)
            embedded -= sizes[n]
    most = schema.MOST_SAMPLE_BYTES
    if embedded > most:
        raise SessionError(
            f"captures that stand in no file of their own take {embedded >> 20} MB, more than the "
            f"{most >> 20} MB that a session can hold; close some of them"
        )
    return links


def _digested(capture: Capture, linked: bool, watch: Watch) -> Capture:
    """With the digest of its file, if it has one: a linked capture cannot do without."""
    if capture.path is None or (capture.sha256 is not None and not linked):
        return capture
    try:
        return replace(capture, sha256=file_digest(capture.path, watch))
    except OSError as error:
        if linked:
            raise SessionError(f"the capture {capture.path} cannot be linked ({error.strerror})") from error
        return capture


def _verify(part: Path, tree: Node, captures: tuple[Capture, ...], watch: Watch) -> None:
    """Read back what was written and compare all of it."""
    written = load_tree(part, expected=tree)
    found = difference(tree, written)
    if found is not None:
        raise SessionError(f"reading it back gave something else in {found}")
    check(written, schema.SESSION)
    linked = iter(
        [c for c, node in zip(captures, tree.numbered("captures"), strict=True) if "link" in node.attributes]
    )

    def open_same(node: Node) -> tuple[Path, tuple[Samples, ...]]:
        file, stored = open_linked(node, part.parent, watch=watch)
        if not same_samples(next(linked), stored, watch):
            raise SessionError(f"{file.name}, opened again, gives other samples; save with samples embedded")
        return file, stored

    unpack(written, open_same)
