"""What the dialogs share: labelled fields, one line for what is wrong, two buttons.

Each dialog checks its own fields and gives back one frozen value.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

from PySide6.QtCore import Slot
from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import (
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QFormLayout,
    QLabel,
    QLineEdit,
    QVBoxLayout,
    QWidget,
)

from app.errors import HalfturnError
from app.gui.style import hand_colour
from app.gui.tips import button_tip, give_tips
from app.model.quantity import parse_quantity

Field = TypeVar("Field", QLineEdit, QComboBox)


class FormDialog(QDialog):
    """Does not close on OK while `check` finds something wrong, and says what it is."""

    def __init__(self, title: str, explanation: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle(title)
        self.setObjectName(type(self).__name__)
        self.setAccessibleName(title)
        layout = QVBoxLayout(self)
        words = QLabel(explanation, self)
        words.setObjectName("explanation")
        words.setWordWrap(True)
        layout.addWidget(words)
        self.form = QFormLayout()
        layout.addLayout(self.form)
        self.wrong = QLabel("", self)
        self.wrong.setObjectName("wrong")
        self.wrong.setAccessibleName("What is wrong")
        self.wrong.setWordWrap(True)
        self.wrong.setStyleSheet(f"color: {hand_colour(self.palette()).name()}; font-weight: bold")
        layout.addWidget(self.wrong)
        buttons = QDialogButtonBox.StandardButton
        self.buttons = QDialogButtonBox(buttons.Ok | buttons.Cancel, self)
        self.buttons.setObjectName("buttons")
        self.buttons.accepted.connect(self.accept)
        self.buttons.rejected.connect(self.reject)
        layout.addWidget(self.buttons)
        self.setMinimumWidth(460)

    def add_text(self, name: str, label: str, text: str, placeholder: str, tip: str = "") -> QLineEdit:
        field = QLineEdit(text, self)
        field.setPlaceholderText(placeholder)
        return self._add(field, name, label, tip)

    def add_choice(
        self, name: str, label: str, choices: Sequence[tuple[str, object]], chosen: object, tip: str = ""
    ) -> QComboBox:
        """``choices`` are pairs of text and value."""
        field = QComboBox(self)
        for text, value in choices:
            field.addItem(text, value)
        field.setCurrentIndex(max(0, [value for _, value in choices].index(chosen)))
        return self._add(field, name, label, tip)

    def showEvent(self, event: QShowEvent) -> None:
        give_tips(self)
        for button in self.buttons.buttons():
            button.setToolTip(button_tip(button.text()))
        super().showEvent(event)

    def check(self) -> None:
        """Raise ValueError or `HalfturnError` with a sentence if a field is wrong."""

    @Slot()
    def accept(self) -> None:
        try:
            self.check()
        except (ValueError, HalfturnError) as error:
            self.wrong.setText(str(error))
            return
        super().accept()

    def _add(self, field: Field, name: str, label: str, tip: str) -> Field:
        field.setObjectName(name)
        field.setAccessibleName(label.replace("&", ""))
        field.setToolTip(tip)
        words = QLabel(label, self)
        words.setBuddy(field)
        self.form.addRow(words, field)
        return field


def number(field: QLineEdit, *units: str) -> float | None:
    """The number in a field, None if it is empty; ValueError naming the field if it is none."""
    text = field.text().strip()
    if not text:
        return None
    try:
        return parse_quantity(text, *units)
    except ValueError as error:
        raise ValueError(f"{field.accessibleName()}: {error}.") from error
