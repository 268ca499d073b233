"""Envelopes of large mapped captures, kept between runs in the user's cache folder.

Those of channels that are computed from such captures are kept as well, under all that their values depend on.

One file an array of samples, named after what the samples are: path, size, modification time and inode of the
capture's file, and where in it and in which type the channel lies. The same stands in the file itself. A file is
written beside its place and moved there in one step, so a program that is killed leaves the file before or the
file after; a part of an envelope is kept as well, and building goes on from it. What does not match to the last
byte, or to some bins worked out anew from the samples, is passed over: the envelope is then built from the samples.

Nothing in the folder is needed; it may be deleted at any time.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Generator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.model.expressions import ChannelSource
from app.version import program_version
from dsp.envelope import EnvelopePyramid
from dsp.errors import BadInputError

MOST_BYTES = 256 << 20
WORTH_FROM = 1 << 24  # samples: smaller envelopes are built faster than a file is looked up
WORTH_FROM_COMPUTED = 1 << 21  # a filter takes ten times as long and more

_MAGIC = b"halfturn envelope 2\n"
_ENDING = ".envelope"
_PARTIAL = ".partial"
_LONGEST_HEADER = 64 << 10
_DIGEST_BYTES = 32
_SPOTS = 64  # bins worked out anew before a kept envelope is believed
_SPOTS_COMPUTED = 12
# of the whole range: where a filter begins makes a difference in the last digits
_ROUNDING = 1e-5
# how long after the start, and after what was kept last, a part is kept; and of the time of building how much that costs
_KEPT_EVERY_S = 0.2
_SHARE_OF_KEEPING = 0.04
_STALE_S = 3600.0
# a file changed this shortly before it is read may change again without a later time (FAT counts in 2 s)
_SETTLED_NS = 2_100_000_000


def cache_folder(environment: Mapping[str, str] | None = None, platform: str = sys.platform) -> Path:
    """Where the system keeps what a program can make again.

    ``$XDG_CACHE_HOME`` if it is an absolute path, else ``~/.cache`` (freedesktop.org, XDG Base Directory
    Specification 0.8); ``~/Library/Caches`` on macOS (Apple, File System Programming Guide);
    ``%LOCALAPPDATA%`` on Windows (FOLDERID_LocalAppData).
    """
    known = os.environ if environment is None else environment
    home = Path(known.get("HOME") or Path.home())
    if platform == "win32":
        base = Path(known.get("LOCALAPPDATA") or home / "AppData" / "Local")
    elif platform == "darwin":
        base = home / "Library" / "Caches"
    else:
        told = Path(known.get("XDG_CACHE_HOME", ""))
        base = told if told.is_absolute() else home / ".cache"
    return base / "halfturn" / "envelopes"


@dataclass(frozen=True)
class SamplesIdentity:
    """Which samples: the file as it was, and the array in it. ``stride`` is in bytes.

    ``recipe`` is a digest of how they are computed from that array and others of the file; empty if they are stored.
    """

    path: str
    size: int
    mtime_ns: int
    inode: int
    device: int
    dtype: str
    start: int
    stride: int
    samples: int
    recipe: str = ""

    @property
    def name(self) -> str:
        import hashlib  # the window opens sooner without it

        return hashlib.sha256(self._text()).hexdigest()[:40] + _ENDING

    def _text(self) -> bytes:
        import json

        return json.dumps(vars(self), sort_keys=True).encode()

    @property
    def still_holds(self) -> bool:
        """Whether the file is as it was."""
        return _file_facts(Path(self.path)) == (self.size, self.mtime_ns, self.inode, self.device)

    @property
    def settled(self) -> bool:
        """Whether a change made from now on would show in the file's time."""
        return time.time_ns() - self.mtime_ns > _SETTLED_NS


def identify(stored: object) -> SamplesIdentity | None:
    """Of one-dimensional samples mapped from a file, a view of such, left in a session's file, or computed from some.

    None of any others.
    """
    if isinstance(stored, ChannelSource):
        return _identify_computed(stored)
    place = getattr(stored, "place_in_file", None)
    if place is not None:
        return _left_in_file(*place)
    if not isinstance(stored, np.ndarray) or stored.ndim != 1 or not stored.size:
        return None
    mapped = stored
    while isinstance(mapped.base, np.ndarray):
        mapped = mapped.base
    if not isinstance(mapped, np.memmap) or mapped.filename is None or mapped.mode not in ("r", "c"):
        return None
    path = Path(mapped.filename).resolve()
    facts = _file_facts(path)
    if facts is None:
        return None
    start = mapped.offset + _address(stored) - _address(mapped)
    where = (stored.dtype.str, start, stored.strides[0], stored.size)
    return SamplesIdentity(str(path), *facts, *where)


def _left_in_file(
    path: Path, facts: tuple[int, int, int, int], dtype: str, offset: int, samples: int
) -> SamplesIdentity:
    """Chunks of a session have no stride; where the first one stands tells the channel."""
    device, inode, size, mtime_ns = facts
    return SamplesIdentity(str(path.resolve()), size, mtime_ns, inode, device, dtype, offset, 0, samples)


def _identify_computed(source: ChannelSource) -> SamplesIdentity | None:
    """Of what is computed from arrays that all lie in one file."""
    import hashlib

    found = [identify(channel.stored) for channel in source.inputs]
    known = [one for one in found if one is not None]
    if not known or len(known) < len(found) or len({one.path for one in known}) > 1:
        return None
    places = [(one.dtype, one.start, one.stride, one.samples) for one in known]
    told = repr((program_version(), places, source.recipe))
    return replace(known[0], recipe=hashlib.sha256(told.encode()).hexdigest())


def _address(array: NDArray[Any]) -> int:
    return int(array.__array_interface__["data"][0])


def _file_facts(path: Path) -> tuple[int, int, int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_size, found.st_mtime_ns, found.st_ino, found.st_dev


class EnvelopeCache:
    """A bounded folder of envelopes; of several programs at once the last one to write wins.

    Parameters
    ----------
    folder : made when first written to.
    most_bytes : of all files together; those not used for longest are removed first.
    """

    def __init__(self, folder: Path | None = None, most_bytes: int = MOST_BYTES) -> None:
        if folder is None:
            try:
                folder = cache_folder()
            except RuntimeError:  # a user without a home: nothing can be kept
                folder = Path(os.devnull) / "envelopes"
        self.folder = folder
        self._most_bytes = most_bytes

    def load(self, identity: SamplesIdentity, pyramid: EnvelopePyramid) -> bool:
        """Let ``pyramid``, with nothing built yet, begin with what is kept; False if there is nothing fit."""
        path = self.folder / identity.name
        try:
            found = self._read(path, identity, pyramid)
        except (OSError, ValueError, MemoryError):
            return False
        spots, rounding = (_SPOTS_COMPUTED, _ROUNDING) if identity.recipe else (_SPOTS, 0.0)
        if found is None or not identity.still_holds or not pyramid.agrees(*found, spots, rounding):
            return False
        try:
            pyramid.take(*found)
        except BadInputError:
            return False
        with suppress(OSError):
            os.utime(path)  # used now
        return True

    def store(self, identity: SamplesIdentity, pyramid: EnvelopePyramid) -> bool:
        """Keep what is built of ``pyramid``, be it a part; False if it could not be or must not be kept."""
        import json

        low, high = pyramid.first_level()
        if not low.size or not identity.settled or not identity.still_holds:
            return False
        header = _MAGIC + json.dumps({**vars(identity), "bins": low.size}, sort_keys=True).encode() + b"\n"
        body = (header, low.tobytes(), high.tobytes())
        if sum(map(len, body)) > self._most_bytes // 2:
            return False
        try:
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            self._write(self.folder / identity.name, body)
        except OSError:
            return False
        self._evict(keep=identity.name)
        return True

    @staticmethod
    def _write(path: Path, body: tuple[bytes, ...]) -> None:
        import hashlib

        digest = hashlib.blake2b(digest_size=_DIGEST_BYTES)
        handle, name = tempfile.mkstemp(suffix=_PARTIAL, dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                for part in body:
                    digest.update(part)
                    file.write(part)
                file.write(digest.digest())
            # not forced to the disk: what a crash of the system leaves torn, the digest tells
            os.replace(name, path)
        except BaseException:
            with suppress(OSError):
                os.unlink(name)
            raise

    @staticmethod
    def _read(
        path: Path, identity: SamplesIdentity, pyramid: EnvelopePyramid
    ) -> tuple[NDArray[Any], NDArray[Any]] | None:
        import json

        dtype = pyramid.first_level()[0].dtype
        most = _LONGEST_HEADER + 2 * pyramid.bins * dtype.itemsize + _DIGEST_BYTES
        with path.open("rb") as file:
            if os.fstat(file.fileno()).st_size > most:
                return None
            content = file.read(most + 1)
        content, digest = content[:-_DIGEST_BYTES], content[-_DIGEST_BYTES:]
        import hashlib

        if hashlib.blake2b(content, digest_size=_DIGEST_BYTES).digest() != digest:
            return None
        if not content.startswith(_MAGIC):
            return None
        end = content.index(b"\n", len(_MAGIC), len(_MAGIC) + _LONGEST_HEADER)
        said = json.loads(content[len(_MAGIC) : end])
        bins = said.pop("bins")
        if said != vars(identity) or not isinstance(bins, int) or not 0 < bins <= pyramid.bins:
            return None
        both = np.frombuffer(content, dtype, offset=end + 1)
        return (both[:bins], both[bins:]) if both.size == 2 * bins else None

    def _evict(self, keep: str) -> None:
        """Remove what programs that were killed left behind, and the longest unused beyond the bound."""
        found = []
        with suppress(OSError):
            for entry in os.scandir(self.folder):
                with suppress(OSError):
                    facts = entry.stat(follow_symlinks=False)
                    if entry.name.endswith(_ENDING):
                        found.append((entry.name != keep, -facts.st_mtime_ns, facts.st_size, entry.path))
                    elif entry.name.endswith(_PARTIAL) and time.time() - facts.st_mtime > _STALE_S:
                        os.unlink(entry.path)
        taken = 0
        for _, _, size, path in sorted(found):
            taken += size
            if taken > self._most_bytes:
                with suppress(OSError):
                    os.unlink(path)


def build_kept(
    pyramid: EnvelopePyramid,
    stored: object,
    cache: EnvelopeCache | None,
    threads: int = 1,
    every_s: float = _KEPT_EVERY_S,
) -> Generator[int, None, None]:
    """As `EnvelopePyramid.build`, beginning with what the cache has and keeping what is new.

    A long build is kept every ``every_s`` seconds, or less often where writing takes long beside that, so that little
    is lost when the program is killed.
    """
    computed = isinstance(stored, ChannelSource)
    large = cache is not None and len(pyramid) >= (WORTH_FROM_COMPUTED if computed else WORTH_FROM)
    identity = identify(stored) if large else None
    if cache is not None and identity is not None and cache.load(identity, pyramid):
        yield pyramid.built
    known, next_s = pyramid.built, time.monotonic() + every_s
    steps = pyramid.build(threads)
    try:
        for done in steps:
            yield done
            begun_s = time.monotonic()
            if cache is not None and identity is not None and begun_s > next_s:
                cache.store(identity, pyramid)
                known, ended_s = pyramid.built, time.monotonic()
                next_s = ended_s + max(every_s, (ended_s - begun_s) / _SHARE_OF_KEEPING)
    finally:
        steps.close()
        if cache is not None and identity is not None and pyramid.built > known:
            cache.store(identity, pyramid)
