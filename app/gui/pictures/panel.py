"""Pictures: which one, of what, how, and a file of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QSignalBlocker, Qt, Signal, Slot
from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import (
    QComboBox,
    QHBoxLayout,
    QLabel,
    QListWidget,
    QPushButton,
    QSplitter,
    QVBoxLayout,
    QWidget,
)

if TYPE_CHECKING:
    from app.gui.pictures.api import Picture, PictureKind
    from app.gui.pictures.view import PictureView

OF = (
    ("view", "what is in view"),
    ("burst", "the selected burst"),
    ("span", "the span, or between cursors"),
)


class PicturesPanel(QWidget):
    """``wanted()`` when another picture is to be made; ``place_clicked(Place)``; ``export_wanted()``;
    ``pointer_hint(text)`` is what is under the pointer."""

    wanted = Signal()
    place_clicked = Signal(object)
    export_wanted = Signal()
    pointer_hint = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("picturesPanel")
        self.setAccessibleName("Pictures")
        self._choices: dict[str, str] = {}
        self.kinds = QListWidget(self)
        self.kinds.setObjectName("pictureKinds")
        self.kinds.setAccessibleName("Kind of picture")
        self._offered: tuple[PictureKind, ...] = ()
        self.of = self._combo("pictureOf", "What the picture is of", OF)
        self.of.setToolTip(
            "What goes into the picture: it follows the view, or the burst selected in the table"
        )
        self.choice_label = QLabel("", self)
        self.choice_label.setObjectName("pictureChoiceLabel")
        self.choice = self._combo("pictureChoice", "How the picture is made", ())
        self.export = QPushButton("Export…", self)
        self.export.setObjectName("pictureExport")
        self.export.setAccessibleName("Export this picture")
        self.export.setToolTip("Save this picture as PNG or SVG, or the numbers in it as CSV")
        self.export.clicked.connect(self.export_wanted)
        self._view: PictureView | None = None
        self.note = QLabel("", self)
        self.note.setObjectName("pictureNote")
        self.note.setAccessibleName("What went into the picture")
        self.note.setWordWrap(True)
        self._lay_out()
        self.kinds.currentRowChanged.connect(self._kind_changed)
        self.kinds.itemClicked.connect(lambda _item: self.wanted.emit())
        self.kinds.itemActivated.connect(lambda _item: self.wanted.emit())
        self.of.activated.connect(self.wanted)
        self.choice.activated.connect(self._choice_changed)
        self.setFocusProxy(self.kinds)

    @property
    def view(self) -> PictureView:
        """What the picture is drawn in; made when it is first wanted, so that the window opens sooner."""
        if self._view is None:
            from app.gui.pictures.view import PictureView

            self._view = PictureView(self)
            self._view.place_clicked.connect(self.place_clicked)
            self._view.pointer_hint.connect(self.pointer_hint)
            self._column.insertWidget(1, self._view, 1)
        return self._view

    @property
    def kind(self) -> PictureKind:
        self._offer()
        return self._offered[self.kinds.currentRow()]

    @property
    def scope(self) -> str:
        """One of the keys of `OF`."""
        return str(self.of.currentData())

    @property
    def chosen(self) -> str:
        """Which of the kind's choices; empty where it has none."""
        first = self.kind.choices[0][0] if self.kind.choices else ""
        return self._choices.get(self.kind.name, first)

    def choose_kind(self, name: str) -> None:
        self._offer()
        self.kinds.setCurrentRow([kind.name for kind in self._offered].index(name))

    def show_picture(self, picture: Picture) -> None:
        self.view.show_picture(picture)
        self.note.setText(picture.note)
        self.export.setEnabled(True)

    def show_words(self, words: str) -> None:
        self.view.show_words(words)
        self.note.setText("")
        self.export.setEnabled(False)

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        self._offer()
        self.view.setVisible(True)
        self.wanted.emit()

    def _offer(self) -> None:
        """List the kinds of picture, with the first look at the panel: the window opens sooner without them."""
        if self._offered:
            return
        from app.gui.pictures.kinds import KINDS

        self._offered = KINDS
        with QSignalBlocker(self.kinds):
            for kind in KINDS:
                self.kinds.addItem(kind.title)
                self.kinds.item(self.kinds.count() - 1).setToolTip(kind.tip)
            self.kinds.setCurrentRow(0)
        self._show_choices()

    def add_bar(self, bar: QWidget) -> None:
        """Put what tells of slow work beside the button for export."""
        self._row.insertWidget(self._row.count() - 1, bar)

    def _lay_out(self) -> None:
        right = QWidget(self)
        layout = QVBoxLayout(right)
        layout.setContentsMargins(4, 0, 0, 0)
        row = QHBoxLayout()
        layout.addLayout(row)
        label = QLabel("&Of", self)
        label.setBuddy(self.of)
        self.choice_label.setBuddy(self.choice)
        row.addWidget(label)
        row.addWidget(self.of)
        row.addWidget(self.choice_label)
        row.addWidget(self.choice)
        row.addStretch(1)
        row.addWidget(self.export)
        self._row = row
        layout.addWidget(self.note)
        self._column = layout
        parts = QSplitter(Qt.Orientation.Horizontal, self)
        parts.setObjectName("picturesSplitter")
        parts.addWidget(self.kinds)
        parts.addWidget(right)
        parts.setStretchFactor(1, 1)
        parts.setSizes([self.fontMetrics().averageCharWidth() * 28, 900])
        outer = QVBoxLayout(self)
        outer.setContentsMargins(4, 4, 4, 4)
        outer.addWidget(parts)

    def _combo(self, name: str, label: str, entries: tuple[tuple[str, str], ...]) -> QComboBox:
        combo = QComboBox(self)
        combo.setObjectName(name)
        combo.setAccessibleName(label)
        combo.view().setObjectName(f"{name}List")
        combo.view().setAccessibleName(f"{label}: what there is")
        combo.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToContents)
        for key, words in entries:
            combo.addItem(words, key)
        return combo

    @Slot(int)
    def _kind_changed(self, _row: int) -> None:
        self._show_choices()
        self.wanted.emit()

    def _show_choices(self) -> None:
        kind = self.kind
        self.choice.clear()
        for key, words in kind.choices:
            self.choice.addItem(words, key)
        self.choice.setCurrentIndex(max(self.choice.findData(self.chosen), 0))
        self.choice.setVisible(bool(kind.choices))
        self.choice_label.setVisible(bool(kind.choices))
        self.choice_label.setText(kind.choice_label if kind.choices else "")

    @Slot(int)
    def _choice_changed(self, _index: int) -> None:
        self._choices[self.kind.name] = str(self.choice.currentData())
        self.wanted.emit()
