"""A field in the menu row that finds any action by words of its text or of what it does."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QPoint, QSize, QStringListModel, Qt, QTimer, Signal, Slot
from PySide6.QtGui import QAction, QKeyEvent, QMoveEvent, QResizeEvent, QShowEvent
from PySide6.QtWidgets import QCompleter, QLineEdit, QListView, QWidget

from app.gui.action_table import ACTIONS
from app.gui.actions import ActionSpec

_MOST = 14


def entry_text(spec: ActionSpec) -> str:
    """Where an action stands, what it is called, and its key."""
    parts = [spec.menu, spec.submenu, spec.text] if spec.submenu else [spec.menu, spec.text]
    keys = f"    {spec.keys[0]}" if spec.keys else ""
    return " > ".join(part.replace("&", "") for part in parts) + keys


def found_by(words: str) -> list[ActionSpec]:
    """Actions that hold every word; those whose own text holds the first come first."""
    wanted = words.casefold().split()
    if not wanted:
        return []
    hits = [
        spec
        for spec in ACTIONS
        if all(word in f"{entry_text(spec)} {spec.tip}".casefold() for word in wanted)
    ]
    return sorted(hits, key=lambda spec: wanted[0] not in spec.text.replace("&", "").casefold())


class _Found(QListView):
    """Ends where the field ends: it is wider, and the field stands at the window's right end."""

    def __init__(self, field: QLineEdit) -> None:
        super().__init__(field)
        self._field = field
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        self._keep_in()

    def moveEvent(self, event: QMoveEvent) -> None:
        super().moveEvent(event)
        self._keep_in()

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._keep_in()

    def _keep_in(self) -> None:
        end = self._field.mapToGlobal(QPoint(self._field.width(), 0)).x()
        if self.isVisible() and self.x() + self.width() > end:
            self.move(end - self.width(), self.y())


class ActionField(QLineEdit):
    """``not_now(text)`` when the action that was chosen cannot be taken at present; ``done()`` after one was."""

    not_now = Signal(str)
    done = Signal()

    def __init__(self, action_of: Callable[[str], QAction], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._action_of = action_of
        self._found: list[ActionSpec] = []
        self.setObjectName("actionField")
        self.setAccessibleName("Find an action by a word")
        self.setPlaceholderText("Find an action (F4)")
        self.setToolTip(
            "Type what you want to do, such as phase, cursor or export; Enter does the first that is found"
        )
        self._entries = QStringListModel(self)
        completer = QCompleter(self._entries, self)
        self._list = _Found(self)
        completer.setPopup(self._list)
        completer.setCompletionMode(QCompleter.CompletionMode.UnfilteredPopupCompletion)
        completer.setMaxVisibleItems(_MOST)
        self._list.setObjectName("actionFieldList")
        self._list.setAccessibleName("Actions found")
        self.setCompleter(completer)
        self.textEdited.connect(self._look)
        completer.activated.connect(self._chosen)
        self.returnPressed.connect(self._first)

    def sizeHint(self) -> QSize:
        """Wide enough for a few words; the menu row places the field by this."""
        return QSize(self.fontMetrics().averageCharWidth() * 34, super().sizeHint().height())

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() == Qt.Key.Key_Escape:
            self._leave()
            return
        super().keyPressEvent(event)

    @Slot(str)
    def _look(self, words: str) -> None:
        self._found = found_by(words)[:_MOST]
        self._entries.setStringList([entry_text(spec) for spec in self._found])
        words_px = [self.fontMetrics().horizontalAdvance(entry_text(spec)) for spec in self._found]
        self._list.setMinimumWidth(max(words_px, default=0) + 4 * self.fontMetrics().averageCharWidth())

    @Slot(str)
    def _chosen(self, text: str) -> None:
        self._run(next((spec for spec in self._found if entry_text(spec) == text), None))

    @Slot()
    def _first(self) -> None:
        if self._list.currentIndex().isValid():
            return  # what is marked in the list is chosen by the list itself
        self._run(self._found[0] if self._found else None)

    def _run(self, spec: ActionSpec | None) -> None:
        if spec is None:
            return
        self._leave()
        action = self._action_of(spec.name)
        if action.isEnabled():
            action.trigger()
        else:
            self.not_now.emit(entry_text(spec).strip())

    def _leave(self) -> None:
        self._found = []
        self._list.hide()
        self.clear()
        # the completer writes its entry into the field after it has told of it
        QTimer.singleShot(0, self.clear)
        self.done.emit()
