"""A text to read beside the work, as the help menu shows it."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QDialog, QDialogButtonBox, QTextBrowser, QVBoxLayout, QWidget

from app.gui.tips import button_tip, give_tips


class TextWindow(QDialog):
    """Does not hold up the window it belongs to; is gone once closed."""

    def __init__(self, title: str, html: str, parent: QWidget) -> None:
        super().__init__(parent)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.setObjectName("textWindow")
        self.setWindowTitle(title)
        self.setAccessibleName(title)
        layout = QVBoxLayout(self)
        text = QTextBrowser(self)
        text.setObjectName("text")
        text.setAccessibleName(title)
        text.setHtml(html)
        layout.addWidget(text)
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Close, self)
        buttons.setObjectName("buttons")
        buttons.rejected.connect(self.close)
        layout.addWidget(buttons)
        give_tips(self)
        for button in buttons.buttons():
            button.setToolTip(button_tip(button.text()))
        self.resize(620, 520)
