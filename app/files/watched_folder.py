"""A folder into which an instrument saves its captures: which file there is new and complete.

A file is complete when its size and time of change have stood still for a while, and, of a pair, when the
other file is complete as well. Times of files are only compared with each other: the clock of a network
drive or of the instrument may be anything.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from stat import S_ISREG

from app.files.capture_sigmf import DATA, META
from app.files.session_load import says_it_is_a_session

SETTLED_AFTER_S = 1.0

# how programs name what they have not finished writing, and what lies beside captures
_UNFINISHED = (".tmp", ".temp", ".part", ".partial", ".crdownload", ".filepart", ".lock", ".bak")
_OTHERS = (".png", ".bmp", ".jpg", ".jpeg", ".svg", ".pdf", ".htm", ".html", ".json", ".ini", ".set", ".py")

_Stamp = tuple[int, int]


@dataclass
class _Growing:
    """What a file was when it was seen last, and since when it has been so."""

    stamp: _Stamp
    since_s: float


class WatchedFolder:
    """Looks into ``folder`` now and then; files that are there already are not new.

    Parameters
    ----------
    folder : not looked into deeper than this.
    settled_after_s : how long a file must have stood still to be complete.

    Raises
    ------
    OSError : the folder cannot be read.
    """

    def __init__(self, folder: Path, settled_after_s: float = SETTLED_AFTER_S) -> None:
        self.folder = folder
        self._settled_after_s = settled_after_s
        self._known = self._stamps()
        self._growing: dict[str, _Growing] = {}

    def look(self, now_s: float) -> Path | None:
        """The newest of the files that have become complete since the last look, each told once.

        A file written anew under the same name is told again. ``now_s`` is any clock that only goes on.

        Raises
        ------
        OSError : the folder cannot be read, now at least.
        """
        stamps = self._stamps()
        self._known = {name: stamp for name, stamp in self._known.items() if name in stamps}
        self._growing = {name: growing for name, growing in self._growing.items() if name in stamps}
        for name, stamp in stamps.items():
            if stamp == self._known.get(name):
                self._growing.pop(name, None)
            elif name not in self._growing or self._growing[name].stamp != stamp:
                self._growing[name] = _Growing(stamp, now_s)
        complete = [name for name in self._growing if self._is_complete(name, stamps, now_s)]
        captures = [name for name in complete if self._is_capture(name)]
        for name in complete:
            self._known[name] = stamps[name]
            del self._growing[name]
        newest = max(captures, key=lambda name: (stamps[name][1], name), default=None)
        return None if newest is None else self.folder / newest

    def _stamps(self) -> dict[str, _Stamp]:
        """Size and time of change of every file that may be a capture."""
        found: dict[str, _Stamp] = {}
        with os.scandir(self.folder) as entries:
            for entry in entries:
                if entry.name.startswith((".", "~")) or entry.name.lower().endswith(_UNFINISHED + _OTHERS):
                    continue
                try:
                    status = entry.stat()
                except OSError:
                    continue  # gone in the meantime, or a link to nowhere
                if S_ISREG(status.st_mode):
                    found[entry.name] = (status.st_size, status.st_mtime_ns)
        return found

    def _is_complete(self, name: str, stamps: dict[str, _Stamp], now_s: float) -> bool:
        if stamps[name][0] == 0 or not self._has_settled(name, now_s):
            return False
        other = _other_of_pair(name)
        return other is None or (other in stamps and stamps[other][0] > 0 and self._has_settled(other, now_s))

    def _has_settled(self, name: str, now_s: float) -> bool:
        growing = self._growing.get(name)
        return growing is None or now_s - growing.since_s >= self._settled_after_s

    def _is_capture(self, name: str) -> bool:
        """Of a pair only the description; sessions are saved by this program, not by an instrument."""
        if Path(name).suffix.lower() == DATA:
            return False
        try:
            return not says_it_is_a_session(self.folder / name)
        except (OSError, ValueError):
            return False


def _other_of_pair(name: str) -> str | None:
    stem, suffix = os.path.splitext(name)
    return {META: stem + DATA, DATA: stem + META}.get(suffix.lower())
