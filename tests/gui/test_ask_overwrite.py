"""A name typed without its ending: what is there under the name with it is not overwritten unasked."""

from __future__ import annotations

from pathlib import Path

import pytest
from PySide6.QtWidgets import QFileDialog, QMessageBox, QWidget

from app.gui import ask, ask_handover

QUESTIONS = {
    ".h5": [ask.where_to_save, ask_handover.where_to_share],
    ".png": [ask.where_to_export, ask.where_to_export_plot],
    ".csv": [ask.where_to_export_table],
    ".html": [ask_handover.where_to_report],
}


@pytest.mark.parametrize(
    ("ending", "question"), [(e, q) for e, several in QUESTIONS.items() for q in several]
)
@pytest.mark.parametrize("overwrite", [True, False])
def test_an_old_file_is_asked_about(ending, question, overwrite, tmp_path: Path, qtbot, monkeypatch) -> None:
    window = QWidget()
    qtbot.addWidget(window)
    asked: list[str] = []

    def clicked(box: QMessageBox):
        asked.append(box.text())
        role = QMessageBox.ButtonRole.DestructiveRole if overwrite else QMessageBox.ButtonRole.RejectRole
        return next(button for button in box.buttons() if box.buttonRole(button) == role)

    monkeypatch.setattr(QMessageBox, "exec", lambda _box: 0)
    monkeypatch.setattr(QMessageBox, "clickedButton", clicked)
    typed = str(tmp_path / "line")
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_given: (typed, ""))
    file = tmp_path / f"line{ending}"
    assert question(window, tmp_path) == file
    assert asked == []
    file.write_bytes(b"old")
    assert question(window, tmp_path) == (file if overwrite else None)
    assert asked == [f"line{ending} is there already."]
    # the dialog has asked about a name that was typed in full
    typed = str(file)
    assert question(window, tmp_path) == file
    assert len(asked) == 1
