"""Menus and toolbar made from the table of actions."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from PySide6.QtCore import Qt
from PySide6.QtGui import QAction, QActionGroup, QKeySequence
from PySide6.QtWidgets import QMainWindow, QMenu, QToolBar, QWidget

from app.gui.action_table import ACTIONS, MENUS, TOOLBAR
from app.gui.actions import ActionSpec, Situation, step_text
from app.gui.tips import menu_tip

Handlers = Mapping[str, Callable[[], object]]


class Menus:
    """The window's actions, by name, in menus and on a toolbar.

    Parameters
    ----------
    window : gets the menu bar and the toolbar.
    handlers : what each action runs, by the action's name; there is one for each.
    """

    def __init__(self, window: QMainWindow, handlers: Handlers) -> None:
        self._window = window
        self.actions: dict[str, QAction] = {}
        self.menus: dict[str, QMenu] = {}
        self._lines: dict[str, QAction] = {}
        self._groups: dict[str, QActionGroup] = {}
        for text in MENUS:
            self.menus[text] = self._menu(window.menuBar().addMenu(text), text)
        for spec in ACTIONS:
            self._add(spec, handlers[spec.name])
        self.toolbar = self._make_toolbar()

    def submenu(self, menu: str, text: str, before: str | None = None) -> QMenu:
        """An empty menu in ``menu``, if given above the action named ``before`` and the line over it."""
        made = self._menu(QMenu(text, self.menus[menu]), text)
        if before is None:
            self.menus[menu].addMenu(made)
        else:
            self.menus[menu].insertMenu(self._lines.get(before, self.actions[before]), made)
        self.menus[f"{menu}/{text}"] = made
        return made

    def confine(self, name: str, *widgets: QWidget) -> None:
        """Have an action's keys work in these widgets only; elsewhere they keep their usual meaning."""
        action = self.actions[name]
        action.setShortcutContext(Qt.ShortcutContext.WidgetWithChildrenShortcut)
        for widget in widgets:
            widget.addAction(action)

    def update(self, now: Situation) -> None:
        """Allow what can be done now, and name what undo and redo would do."""
        for spec in ACTIONS:
            self.actions[spec.name].setEnabled(spec.needs(now))
        for name, verb, label in (("undo", "Undo", now.undo_label), ("redo", "Redo", now.redo_label)):
            self.actions[name].setText(step_text(verb, label))
            # setting the text sets the toolbar's as well
            self.actions[name].setIconText(verb)

    def _menu(self, menu: QMenu, text: str) -> QMenu:
        plain = text.replace("&", "")
        menu.setObjectName(f"menu{plain.title().replace(' ', '')}")
        menu.setAccessibleName(plain)
        menu.setToolTipsVisible(True)
        menu.menuAction().setToolTip(menu_tip(plain))
        return menu

    def _add(self, spec: ActionSpec, handler: Callable[[], object]) -> None:
        action = QAction(spec.text, self._window)
        action.setObjectName(spec.name)
        action.setToolTip(spec.tip)
        action.setStatusTip(spec.tip)
        action.setShortcuts([QKeySequence(keys) for keys in spec.keys])
        action.setMenuRole(QAction.MenuRole.NoRole)
        action.setCheckable(spec.checkable or bool(spec.group))
        if spec.group:
            if spec.group not in self._groups:
                self._groups[spec.group] = QActionGroup(self._window)
            self._groups[spec.group].addAction(action)
        action.triggered.connect(lambda _checked=False: handler())
        self.actions[spec.name] = action
        menu = self.menus[spec.menu]
        if spec.line_before:
            self._lines[spec.name] = menu.addSeparator()
        if spec.submenu:
            key = f"{spec.menu}/{spec.submenu}"
            menu = self.menus[key] if key in self.menus else self.submenu(spec.menu, spec.submenu)
        menu.addAction(action)

    def _make_toolbar(self) -> QToolBar:
        bar = QToolBar("Main actions", self._window)
        bar.setObjectName("mainToolbar")
        bar.setAccessibleName("Main actions")
        bar.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextOnly)
        briefs = {spec.name: spec.brief for spec in ACTIONS}
        for names in TOOLBAR:
            if names is not TOOLBAR[0]:
                bar.addSeparator()
            for name in names:
                action = self.actions[name]
                action.setIconText(briefs[name])
                bar.addAction(action)
                button = bar.widgetForAction(action)
                button.setObjectName(f"{name}Button")
                button.setAccessibleName(briefs[name])
        self._window.addToolBar(bar)
        return bar
