"""The docks of the window, and where they were the last time."""

from __future__ import annotations

from PySide6.QtCore import QByteArray, QSettings, Qt
from PySide6.QtGui import QAction
from PySide6.QtWidgets import QDockWidget, QMainWindow, QTabBar, QWidget

_GEOMETRY = "windowGeometry"
_STATE = "windowState"
_VERSION = 4
"""Raised when docks are added or renamed; what was kept before is then passed over."""

RIGHT = Qt.DockWidgetArea.RightDockWidgetArea
BELOW = Qt.DockWidgetArea.BottomDockWidgetArea


class WindowLayout:
    def __init__(self, window: QMainWindow, settings: QSettings) -> None:
        self.window = window
        self._settings = settings
        self._shelved: QByteArray | None = None
        self.docks: list[QDockWidget] = []
        window.setDockNestingEnabled(True)
        # the readings reach down the whole right side, the tabs take what is left of it
        window.setCorner(Qt.Corner.BottomRightCorner, RIGHT)

    def add(self, title: str, panel: QWidget, area: Qt.DockWidgetArea) -> QDockWidget:
        """Put a panel into a dock; docks of one area become tabs."""
        dock = QDockWidget(title, self.window)
        dock.setObjectName(f"{panel.objectName()}Dock")
        dock.setAccessibleName(title)
        dock.setWidget(panel)
        beside = [old for old in self.docks if self.window.dockWidgetArea(old) == area]
        self.window.addDockWidget(area, dock)
        if beside:
            self.window.tabifyDockWidget(beside[-1], dock)
            beside[0].raise_()
        self.docks.append(dock)
        return dock

    def dock_of(self, panel: QWidget) -> QDockWidget:
        return next(dock for dock in self.docks if dock.widget() is panel)

    def bring_up(self, panel: QWidget) -> None:
        """Show a panel's dock, in front of those it shares its place with."""
        dock = self.dock_of(panel)
        dock.show()
        dock.raise_()

    def show_actions(self) -> list[QAction]:
        """One action a dock, checked while it is shown."""
        return [dock.toggleViewAction() for dock in self.docks]

    def shelve(self, empty: bool) -> None:
        """Put the docks away while there is nothing to show in them, and back where they were."""
        if empty and self._shelved is None:
            self._shelved = self.window.saveState(_VERSION)
            for dock in self.docks:
                dock.hide()
            # Qt forgets a bar of tabs that it made on the way to another, and leaves it on the empty window
            for bar in self.window.findChildren(QTabBar, "", Qt.FindChildOption.FindDirectChildrenOnly):
                bar.setVisible(False)
        elif not empty and self._shelved is not None:
            shelved, self._shelved = self._shelved, None
            self.window.restoreState(shelved, _VERSION)

    def restore(self) -> None:
        """As it was the last time, or as it is meant to be at first."""
        geometry = self._settings.value(_GEOMETRY)
        state = self._settings.value(_STATE)
        if geometry is not None and self.window.restoreGeometry(geometry):
            if state is not None:
                self.window.restoreState(state, _VERSION)
            return
        self.window.resize(1400, 860)
        at_right = [dock for dock in self.docks if self.window.dockWidgetArea(dock) == RIGHT]
        below = [dock for dock in self.docks if self.window.dockWidgetArea(dock) == BELOW]
        self.window.resizeDocks(at_right, [330] * len(at_right), Qt.Orientation.Horizontal)
        self.window.resizeDocks(below, [280] * len(below), Qt.Orientation.Vertical)

    def keep(self) -> None:
        self._settings.setValue(_GEOMETRY, self.window.saveGeometry())
        state = self.window.saveState(_VERSION) if self._shelved is None else self._shelved
        self._settings.setValue(_STATE, state)
