"""What a file dialog could not ask: it saw the name that was typed, not the one with the ending put behind it."""

from __future__ import annotations

import os
from pathlib import Path

from PySide6.QtWidgets import QMessageBox, QWidget


def agreed(parent: QWidget, typed: Path, path: Path) -> Path | None:
    """``path``, unless it is there already, is not the name that was ``typed``, and shall not be overwritten."""
    if path == typed or not os.path.lexists(path):
        return path
    box = QMessageBox(parent)
    box.setObjectName("overwriteQuestion")
    box.setIcon(QMessageBox.Icon.Warning)
    box.setWindowTitle("Overwrite?")
    box.setText(f"{path.name} is there already.")
    over = box.addButton("Overwrite", QMessageBox.ButtonRole.DestructiveRole)
    cancel = box.addButton(QMessageBox.StandardButton.Cancel)
    box.setDefaultButton(cancel)
    box.exec()
    clicked = box.clickedButton()
    box.deleteLater()
    return path if clicked is over else None
