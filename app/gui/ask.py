"""Every question that holds up the window, one function each, so that tests can answer them.

Dialogs are imported when they are asked for: the window opens sooner without them.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Literal, TypeVar

from PySide6.QtWidgets import QFileDialog, QInputDialog, QLineEdit, QMessageBox, QWidget

from app.gui.ask_overwrite import agreed

if TYPE_CHECKING:
    from app.files.capture_options import ReadOptions
    from app.gui.panels.dialog_capture_details import CaptureDetails
    from app.gui.panels.dialog_channels import ChannelMeaning
    from app.gui.panels.dialog_form import FormDialog
    from app.model.capture import Capture, Channel
    from dsp.results import DecodeSettings

Value = TypeVar("Value")

_PATTERNS = "*.csv *.tsv *.txt *.dat *.wav *.npy *.npz *.mat *.bin *.raw *.sigmf-meta *.h5 *.hdf5"
_CAPTURES = f"Captures and sessions ({_PATTERNS})"
_SESSIONS = "Sessions (*.h5)"
_PICTURES = "Pictures (*.png *.svg)"
_ALL = "All files (*)"


def _answer(dialog: FormDialog, value: Callable[[], Value]) -> Value | None:
    """Show a dialog; what it holds if the user said OK."""
    accepted = dialog.exec()
    dialog.deleteLater()
    return value() if accepted else None


def files_to_open(parent: QWidget, folder: Path) -> list[Path]:
    names, _ = QFileDialog.getOpenFileNames(
        parent, "Open captures or a session", str(folder), f"{_CAPTURES};;{_ALL}"
    )
    return [Path(name) for name in names]


def session_to_open(parent: QWidget, folder: Path) -> Path | None:
    name, _ = QFileDialog.getOpenFileName(parent, "Open session", str(folder), f"{_SESSIONS};;{_ALL}")
    return Path(name) if name else None


def folder_to_watch(parent: QWidget, folder: Path) -> Path | None:
    name = QFileDialog.getExistingDirectory(parent, "Watch a folder for new captures", str(folder))
    return Path(name) if name else None


def where_to_save(parent: QWidget, suggestion: Path) -> Path | None:
    """A file to save the session in; the dialog itself asks before an old one is overwritten."""
    name, _ = QFileDialog.getSaveFileName(parent, "Save session", str(suggestion), f"{_SESSIONS};;{_ALL}")
    if not name:
        return None
    path = Path(name)
    return agreed(parent, path, path if path.suffix else path.with_suffix(".h5"))


def where_to_export(parent: QWidget, suggestion: Path) -> Path | None:
    name, _ = QFileDialog.getSaveFileName(parent, "Export picture", str(suggestion), _PICTURES)
    if not name:
        return None
    path = Path(name)
    return agreed(parent, path, path if path.suffix else path.with_suffix(".png"))


def where_to_export_plot(parent: QWidget, suggestion: Path) -> Path | None:
    """A file for a picture, or for the numbers in it."""
    name, _ = QFileDialog.getSaveFileName(
        parent, "Export this picture", str(suggestion), "Pictures and tables (*.png *.svg *.csv)"
    )
    if not name:
        return None
    path = Path(name)
    return agreed(parent, path, path if path.suffix else path.with_suffix(".png"))


def where_to_export_table(parent: QWidget, suggestion: Path) -> Path | None:
    name, _ = QFileDialog.getSaveFileName(parent, "Export readings", str(suggestion), "Tables (*.csv)")
    if not name:
        return None
    path = Path(name)
    return agreed(parent, path, path if path.suffix else path.with_suffix(".csv"))


def cursor_name(parent: QWidget, known: str) -> str | None:
    text, ok = QInputDialog.getText(
        parent, "Name the cursor", "Name of the cursor:", QLineEdit.EchoMode.Normal, known
    )
    return text.strip() or None if ok else None


def level(parent: QWidget, unit: str, known: float) -> float | None:
    """A level in the unit of the channel."""
    value, ok = QInputDialog.getDouble(
        parent, "Next crossing of a level", f"Level in {unit}:", known, -1e12, 1e12, 6
    )
    return value if ok else None


def level_line(parent: QWidget, unit: str, known: float) -> float | None:
    """Where the level line goes, in the unit of the channel."""
    value, ok = QInputDialog.getDouble(parent, "Level line", f"Level in {unit}:", known, -1e12, 1e12, 6)
    return value if ok else None


def what_to_do_with_changes(parent: QWidget, name: str) -> Literal["save", "discard", "stay"]:
    """Before unsaved changes would be lost."""
    box = QMessageBox(parent)
    box.setObjectName("unsavedQuestion")
    box.setIcon(QMessageBox.Icon.Question)
    box.setWindowTitle("Unsaved changes")
    box.setText(f"Save the changes to {name}?")
    box.setInformativeText("Without saving, marks, decodes and notes made since the last save are lost.")
    buttons = QMessageBox.StandardButton
    box.setStandardButtons(buttons.Save | buttons.Discard | buttons.Cancel)
    box.setDefaultButton(buttons.Save)
    answer = box.exec()
    box.deleteLater()
    if answer == buttons.Save:
        return "save"
    return "discard" if answer == buttons.Discard else "stay"


def decode_settings(parent: QWidget, known: DecodeSettings) -> DecodeSettings | None:
    from app.gui.panels.dialog_decode_settings import DecodeSettingsDialog

    dialog = DecodeSettingsDialog(known, parent)
    return _answer(dialog, dialog.settings)


def read_options(parent: QWidget, known: ReadOptions) -> ReadOptions | None:
    from app.gui.panels.dialog_read_options import ReadOptionsDialog

    dialog = ReadOptionsDialog(known, parent)
    return _answer(dialog, dialog.options)


def capture_details(parent: QWidget, name: str, known: CaptureDetails) -> CaptureDetails | None:
    from app.gui.panels.dialog_capture_details import CaptureDetailsDialog

    dialog = CaptureDetailsDialog(name, known, parent)
    return _answer(dialog, dialog.details)


def derived_channel(parent: QWidget, capture: Capture, known: str) -> str | None:
    """Arithmetic on channels, as text; None if the user gave none."""
    from app.gui.panels.dialog_channels import DerivedChannelDialog

    dialog = DerivedChannelDialog(capture, known, parent)
    return _answer(dialog, dialog.text)


def channel_meaning(parent: QWidget, channel: Channel) -> ChannelMeaning | None:
    from app.gui.panels.dialog_channels import ChannelMeaningDialog

    dialog = ChannelMeaningDialog(channel, parent)
    return _answer(dialog, dialog.meaning)


def pair_of_channels(parent: QWidget, names: tuple[str, ...]) -> tuple[str, str] | None:
    from app.gui.panels.dialog_channels import PairDialog

    dialog = PairDialog(names, parent)
    return _answer(dialog, dialog.pair)


def span_name(parent: QWidget, suggestion: str) -> str | None:
    text, ok = QInputDialog.getText(
        parent, "Keep span", "Name of the span:", QLineEdit.EchoMode.Normal, suggestion
    )
    return text.strip() or None if ok else None
