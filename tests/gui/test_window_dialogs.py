"""Dialogs: what the fields say comes out, and what makes no sense is said in the dialog."""

from __future__ import annotations

import pytest
from PySide6.QtWidgets import QComboBox, QDialogButtonBox, QLabel, QLineEdit

from app.files.capture_options import ReadOptions
from app.gui.panels.dialog_capture_details import CaptureDetails, CaptureDetailsDialog
from app.gui.panels.dialog_decode_settings import DecodeSettingsDialog
from app.gui.panels.dialog_form import FormDialog
from app.gui.panels.dialog_read_options import ReadOptionsDialog
from dsp.results import DecodeSettings


def fill(dialog: FormDialog, **texts: str) -> None:
    for name, text in texts.items():
        dialog.findChild(QLineEdit, name).setText(text)


def press_ok(dialog: FormDialog) -> str:
    """What the dialog says is wrong, empty if it has closed."""
    dialog.findChild(QDialogButtonBox).button(QDialogButtonBox.StandardButton.Ok).click()
    said = dialog.findChild(QLabel, "wrong").text()
    assert bool(dialog.result()) != bool(said)
    return said


@pytest.mark.parametrize(
    "known",
    [
        DecodeSettings(),
        DecodeSettings(118_437.5, 9_600.0, "bpsk", "differential", "inverted"),
        DecodeSettings(symbol_rate_bd=1200.0, modulation="baseband", line_code="manchester"),
    ],
)
def test_decode_settings_come_out_as_they_went_in(qtbot, known):
    dialog = DecodeSettingsDialog(known)
    qtbot.addWidget(dialog)
    assert dialog.settings() == known
    assert press_ok(dialog) == ""


def test_decode_settings_understand_prefixes(qtbot):
    dialog = DecodeSettingsDialog(DecodeSettings())
    qtbot.addWidget(dialog)
    fill(dialog, carrier="118.4 kHz", symbolRate="9.6k")
    assert dialog.settings() == DecodeSettings(118_400.0, 9_600.0)


@pytest.mark.parametrize(
    ("texts", "sentence"),
    [
        ({"carrier": "fast"}, "Carrier: 'fast' is not a number."),
        ({"carrier": "-3 kHz"}, "a carrier of -3000 Hz makes no sense; give a positive number"),
        ({"symbolRate": "3 lightyears"}, "Symbol rate: '3 lightyears'"),
    ],
)
def test_decode_settings_that_make_no_sense_are_refused(qtbot, texts, sentence):
    dialog = DecodeSettingsDialog(DecodeSettings())
    qtbot.addWidget(dialog)
    fill(dialog, **texts)
    assert press_ok(dialog).startswith(sentence)
    fill(dialog, **dict.fromkeys(texts, ""))
    dialog.wrong.clear()
    assert press_ok(dialog) == ""


def test_read_options(qtbot):
    known = ReadOptions(2.5e6, "int16", 2, 0.01, -1.0, "V", 128, False)
    dialog = ReadOptionsDialog(known)
    qtbot.addWidget(dialog)
    assert dialog.options() == known
    fill(dialog, rate="", channels="1.5")
    assert press_ok(dialog) == "Channels in raw samples: 1.5 is no whole number."
    fill(dialog, channels="2", scale="0")
    assert "a scale of 0 makes no sense" in press_ok(dialog)
    fill(dialog, scale="", rate="5 MSa/s")
    dialog.wrong.clear()
    assert press_ok(dialog) == ""
    assert dialog.options() == ReadOptions(5e6, "int16", 2, None, -1.0, "V", 128, False)


def test_an_unusual_number_type_is_kept(qtbot):
    dialog = ReadOptionsDialog(ReadOptions(dtype=">i2"))
    qtbot.addWidget(dialog)
    assert dialog.findChild(QComboBox, "dtype").currentText() == ">i2"
    assert dialog.options().dtype == ">i2"


def test_capture_details(qtbot):
    known = CaptureDetails("vent opens", 25.0, None)
    dialog = CaptureDetailsDialog("line.csv", known)
    qtbot.addWidget(dialog)
    assert dialog.details() == known
    fill(dialog, gain="-3")
    assert press_ok(dialog) == "Gain tolerance in percent: a tolerance is zero or more."
    fill(dialog, gain="3 %", timebase="50 ppm", label=" vent shuts ")
    dialog.wrong.clear()
    assert press_ok(dialog) == ""
    assert dialog.details() == CaptureDetails("vent shuts", 50.0, 3.0)
