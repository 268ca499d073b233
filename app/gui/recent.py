"""The files opened last, kept in the settings."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import QSettings

_KEY = "recentFiles"
_AT_MOST = 10


class RecentFiles:
    def __init__(self, settings: QSettings) -> None:
        self._settings = settings

    def paths(self) -> list[Path]:
        """Newest first."""
        kept = self._settings.value(_KEY)
        # a list of one comes back as a plain text, an empty one as None
        names = [kept] if isinstance(kept, str) else kept if isinstance(kept, list) else []
        return [Path(name) for name in names]

    def add(self, path: Path) -> None:
        path = path.absolute()
        rest = [old for old in self.paths() if old != path]
        self._settings.setValue(_KEY, [str(one) for one in [path, *rest][:_AT_MOST]])

    def clear(self) -> None:
        self._settings.remove(_KEY)
