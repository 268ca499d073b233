"""Menus whose entries change: recent files, channels, cursors; and those of the docks."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial

from PySide6.QtGui import QAction
from PySide6.QtWidgets import QMenu

from app.gui.action_table import DECODE, MARKS, VIEW
from app.gui.action_table_files import FILE
from app.gui.menus import Menus
from app.gui.recent import RecentFiles
from app.gui.window_handlers import Parts


class ChangingMenus:
    """Fills each menu anew just before it is shown."""

    def __init__(self, menus: Menus, parts: Parts, recent: RecentFiles) -> None:
        self._parts = parts
        self._files = recent
        self._recent = menus.submenu(FILE, "Open &recent", "open_session")
        self._channels = menus.submenu(DECODE, "C&hannel", "derived_channel")
        self._cursors = menus.submenu(MARKS, "&Remove cursor", "span_from_cursors")
        self._recent.aboutToShow.connect(self.fill_recent)
        self._channels.aboutToShow.connect(self.fill_channels)
        self._cursors.aboutToShow.connect(self.fill_cursors)
        self._spans = menus.submenu(MARKS, "&Go to kept span", "snap_crossing")
        self._old_spans = menus.submenu(MARKS, "Re&move kept span", "snap_crossing")
        self._spans.aboutToShow.connect(self.fill_spans)
        self._old_spans.aboutToShow.connect(self.fill_spans)
        panels = menus.submenu(VIEW, "&Panels")
        panels.addActions(parts.arrangement.show_actions())
        panels.addAction(menus.toolbar.toggleViewAction())
        self.fill_recent()
        self.fill_channels()
        self.fill_cursors()
        self.fill_spans()

    def fill_recent(self) -> None:
        files = self._parts.files
        paths = self._files.paths()
        _fill(self._recent, [(str(path), partial(files.open_recent, path)) for path in paths], "nothing yet")

    def fill_channels(self) -> None:
        document = self._parts.document
        capture, index = document.capture, document.capture_index
        names = [] if capture is None else [channel.name for channel in capture.channels]
        names += [] if capture is None else list(capture.derived)
        entries = [(name, partial(document.look_at, index, name)) for name in names]
        _fill(self._channels, entries, "no capture is open", document.channel)

    def fill_cursors(self) -> None:
        marks = self._parts.marks
        entries = [(f"Cursor {one.name}", partial(marks.remove_cursor, one.key)) for one in marks.cursors]
        _fill(self._cursors, entries, "there is none")

    def fill_spans(self) -> None:
        marks = self._parts.marks
        going = [(one.name, partial(marks.show_span, one)) for one in marks.spans]
        _fill(self._spans, going, "there is none")
        removing = [(one.name, partial(marks.remove_span, one.key)) for one in marks.spans]
        _fill(self._old_spans, removing, "there is none")


def _fill(
    menu: QMenu,
    entries: Iterable[tuple[str, Callable[[], object]]],
    empty: str,
    ticked: str | None = None,
) -> None:
    for old in menu.actions():
        menu.removeAction(old)
        old.deleteLater()
    for text, run in entries:
        action = QAction(text.replace("&", "&&"), menu)
        action.setObjectName(f"choose {text}")
        action.setCheckable(ticked is not None)
        action.setChecked(text == ticked)
        action.triggered.connect(lambda _checked=False, run=run: run())
        menu.addAction(action)
    if not menu.actions():
        nothing = QAction(empty, menu)
        nothing.setEnabled(False)
        menu.addAction(nothing)
