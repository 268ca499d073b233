"""The questions of handing work on, one function each, so that tests can answer them."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from PySide6.QtWidgets import QFileDialog, QMessageBox, QWidget

from app.gui.ask_overwrite import agreed
from app.model.items import SessionData

EXPORTS = (
    ("bits", ".csv", "Bits, a row a burst (*.csv)"),
    ("bits", ".json", "Bits as JSON (*.json)"),
    ("bursts", ".csv", "Bursts, a row each (*.csv)"),
    ("bursts", ".json", "Bursts as JSON (*.json)"),
    ("marks", ".csv", "Marks and notes, a row each (*.csv)"),
    ("samples", ".csv", "Samples as rows (*.csv)"),
    ("samples", ".npy", "Samples as NumPy array (*.npy)"),
    ("samples", ".wav", "Samples as WAV (*.wav)"),
    ("samples", ".sigmf-meta", "Samples as SigMF pair, with annotations (*.sigmf-meta)"),
)
"""What can be exported, the ending of the file, and how the file dialog calls it."""


def where_to_report(parent: QWidget, suggestion: Path) -> Path | None:
    name, _ = QFileDialog.getSaveFileName(parent, "Write report", str(suggestion), "Web pages (*.html)")
    return _with_ending(parent, name, ".html")


def what_to_export(parent: QWidget, suggestion: Path) -> tuple[str, Path] | None:
    """What to export, and where to."""
    filters = ";;".join(words for _, _, words in EXPORTS)
    name, chosen = QFileDialog.getSaveFileName(parent, "Export data", str(suggestion), filters)
    what, ending, _ = next((one for one in EXPORTS if one[2] == chosen), EXPORTS[0])
    path = _with_ending(parent, name, ending)
    return None if path is None else (what, path)


def what_to_share(
    parent: QWidget, data: SessionData, capture: int, span_s: tuple[float, float] | None
) -> SessionData | None:
    from app.gui.panels.dialog_share import ShareDialog  # loads h5py

    dialog = ShareDialog(data, capture, span_s, parent)
    accepted = dialog.exec()
    dialog.deleteLater()
    return dialog.copy if accepted else None


def where_to_share(parent: QWidget, suggestion: Path) -> Path | None:
    name, _ = QFileDialog.getSaveFileName(parent, "Share a copy", str(suggestion), "Sessions (*.h5)")
    return _with_ending(parent, name, ".h5")


def opinion_to_open(parent: QWidget, folder: Path) -> Path | None:
    name, _ = QFileDialog.getOpenFileName(parent, "Take in a second opinion", str(folder), "Sessions (*.h5)")
    return Path(name) if name else None


def where_is_linked(parent: QWidget, name: str, folder: Path) -> Path | None:
    """A file that a session links to and that was not found where it should be."""
    found, _ = QFileDialog.getOpenFileName(
        parent, f"Where is {name}? The session links to it", str(folder / name), "All files (*)"
    )
    return Path(found) if found else None


def _local_time(iso: str) -> str:
    """A stored instant as the clock on the wall shows it; what is no instant as it stands."""
    from datetime import datetime

    try:
        return datetime.fromisoformat(iso).astimezone().strftime("%Y-%m-%d %H:%M")
    except ValueError:
        return iso


def recover(parent: QWidget, name: str, saved: str) -> Literal["restore", "discard", "later"]:
    """Before work of a window that ended without being closed is taken up again."""
    box = QMessageBox(parent)
    box.setObjectName("recoveryQuestion")
    box.setIcon(QMessageBox.Icon.Question)
    box.setWindowTitle("Unsaved work")
    box.setText(f"There is unsaved work on {name} from {_local_time(saved)}. Go on with it?")
    box.setInformativeText(
        "The window it was done in ended without being closed. Later keeps it for another time."
    )
    restore = box.addButton("Go on with it", QMessageBox.ButtonRole.AcceptRole)
    discard = box.addButton("Throw it away", QMessageBox.ButtonRole.DestructiveRole)
    box.addButton("Later", QMessageBox.ButtonRole.RejectRole)
    box.setDefaultButton(restore)
    box.exec()
    clicked = box.clickedButton()
    box.deleteLater()
    if clicked is restore:
        return "restore"
    return "discard" if clicked is discard else "later"


def overwrite_changed(parent: QWidget, name: str) -> Literal["overwrite", "elsewhere", "stay"]:
    """Before a session is saved over one that somebody else has saved meanwhile."""
    box = QMessageBox(parent)
    box.setObjectName("changedQuestion")
    box.setIcon(QMessageBox.Icon.Warning)
    box.setWindowTitle("Changed meanwhile")
    box.setText(f"{name} was saved by another window or program since you opened it.")
    box.setInformativeText("What was saved there is kept as the backup beside it, once, if you save over it.")
    over = box.addButton("Save over it", QMessageBox.ButtonRole.DestructiveRole)
    elsewhere = box.addButton("Save elsewhere…", QMessageBox.ButtonRole.AcceptRole)
    box.addButton(QMessageBox.StandardButton.Cancel)
    box.setDefaultButton(elsewhere)
    box.exec()
    clicked = box.clickedButton()
    box.deleteLater()
    if clicked is over:
        return "overwrite"
    return "elsewhere" if clicked is elsewhere else "stay"


def _with_ending(parent: QWidget, name: str, ending: str) -> Path | None:
    if not name:
        return None
    path = Path(name)
    return agreed(parent, path, path if path.suffix.lower() == ending else path.with_name(path.name + ending))
