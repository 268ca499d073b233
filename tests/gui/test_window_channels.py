"""The channels of a capture in the window, by mouse and keyboard."""

from __future__ import annotations

import numpy as np
import pytest
from PySide6.QtCore import QPoint, Qt

from app.files.session import read_session, write_session
from app.gui.panels.dialog_channels import (
    ChannelMeaning,
    ChannelMeaningDialog,
    DerivedChannelDialog,
    PairDialog,
)
from app.model.capture import Capture, Channel, NamedSpan, Segment
from app.model.commands_captures import OpenCapture


def drawn(window):
    return [
        channel.name for row in window.area._canvas.rows for channel in (e.channel for e in row.envelopes)
    ]


def test_a_derived_channel_stands_beside_the_others(decoded, answer, qtbot):
    answer("derived_channel", "wire A - wire B")
    qtbot.mouseClick(decoded.channels.add_button, Qt.MouseButton.LeftButton)
    answer("derived_channel", "highpass(`wire A`, 10k)")
    qtbot.mouseClick(decoded.channels.add_button, Qt.MouseButton.LeftButton)
    assert decoded.document.capture.derived == ("wire A - wire B", "highpass(`wire A`, 10k)")
    assert decoded.document.channel == "highpass(`wire A`, 10k)"
    assert {"wire A", "wire B", "wire A - wire B", "highpass(`wire A`, 10k)"} == set(drawn(decoded))
    rows = decoded.channels.model.rows
    assert [row.name for row in rows if row.decoded] == ["highpass(`wire A`, 10k)"]


def test_space_hides_a_channel_and_shows_it_again(decoded, qtbot):
    table = decoded.channels.table
    other = next(row.name for row in decoded.channels.model.rows if not row.decoded)
    at = [row.name for row in decoded.channels.model.rows].index(other)
    table.setCurrentIndex(decoded.channels.model.index(at, 0))
    table.setFocus()
    qtbot.keyClick(table, Qt.Key.Key_Space)
    assert other not in drawn(decoded)
    qtbot.keyClick(table, Qt.Key.Key_Space)
    assert other in drawn(decoded)


def test_a_hidden_channel_and_scaled_axes_come_back_with_the_session(decoded, qtbot, tmp_path):
    other = next(row.name for row in decoded.channels.model.rows if not row.decoded)
    decoded.view.show_channel(other, False)
    row = decoded.area._canvas.rows[0]
    low, high = row.values
    decoded.area.setFocus()
    qtbot.keyClick(decoded.area._canvas, Qt.Key.Key_Asterisk)
    qtbot.keyClick(decoded.area._canvas, Qt.Key.Key_Up)
    wanted = row.values
    assert wanted[1] - wanted[0] == pytest.approx((high - low) / 2)
    assert decoded.document.undo_label == f"scale {row.envelopes[0].channel.name}"
    write_session(tmp_path / "s.h5", decoded.document.data)
    decoded.document.undo()
    assert row.values == pytest.approx((low, high))
    decoded.document.replace_all(read_session(tmp_path / "s.h5"), tmp_path / "s.h5")
    assert other not in drawn(decoded)
    assert decoded.area._canvas.rows[0].values == pytest.approx(wanted)
    qtbot.keyClick(decoded.area._canvas, Qt.Key.Key_Home)
    assert decoded.document.data.looks[0].values is None
    assert decoded.area._canvas.rows[0].fits_itself


def test_spans_that_a_file_names_are_drawn_and_can_be_gone_to(window, qtbot):
    channel = Channel("line", np.arange(1000, dtype="<i2"))
    spans = (NamedSpan("request", 1e-4, 2e-4), NamedSpan("answer", 5e-4, 7e-4))
    opened = Capture("vents", "SigMF", 1e6, 0.0, (channel,), (Segment(0, 1000, 0.0),), spans=spans)
    window.bridge.run(OpenCapture(opened))
    assert [span.name for span in window.area._shown.named_spans.spans] == ["request", "answer"]
    window.marks.show_span(window.document.data.spans[1])
    assert window.view.span_s == (5e-4, 7e-4)
    before = window.area.grab().toImage()
    window.marks.remove_span(window.document.data.spans[1].key)
    assert window.area.grab().toImage() != before


def test_a_double_click_looks_at_a_channel(decoded, qtbot):
    table = decoded.channels.table
    at = next(n for n, row in enumerate(decoded.channels.model.rows) if not row.decoded)
    decoded.arrangement.dock_of(decoded.channels).raise_()
    place = table.visualRect(decoded.channels.model.index(at, 1)).center()
    qtbot.mouseClick(table.viewport(), Qt.MouseButton.LeftButton, pos=place)
    qtbot.mouseDClick(table.viewport(), Qt.MouseButton.LeftButton, pos=QPoint(place))
    assert decoded.document.channel == decoded.channels.model.rows[at].name


def test_a_probe_factor_is_one_step_of_undo(decoded, answer, qtbot):
    before = decoded.document.capture.channels[0]
    decoded.channels.table.selectRow(0)
    answer("channel_meaning", ChannelMeaning(10.0, 0.0, "V"))
    qtbot.mouseClick(decoded.channels.describe_button, Qt.MouseButton.LeftButton)
    assert decoded.document.capture.channels[0].scale == 10 * before.scale
    assert "channel" in decoded.document.undo_label
    decoded.document.undo()
    assert decoded.document.capture.channels[0] is before


def test_the_two_channels_of_a_pair_are_matched_with_one_click_off_the_windows_thread(decoded, qtbot):
    decoded.menus.actions["pair_channels"].trigger()
    qtbot.waitUntil(lambda: len(decoded.document.capture.derived) == 2)
    assert decoded.document.channel == decoded.document.capture.derived[0]
    assert any("times wire B" in line.message.text for line in decoded.messages.lines())


def test_a_derived_channel_that_is_decoded_can_be_removed(decoded, answer, qtbot):
    answer("derived_channel", "wire A - wire B")
    decoded.menus.actions["derived_channel"].trigger()
    at = [row.name for row in decoded.channels.model.rows].index("wire A - wire B")
    decoded.channels.table.selectRow(at)
    qtbot.mouseClick(decoded.channels.remove_button, Qt.MouseButton.LeftButton)
    assert decoded.document.capture.derived == ()
    assert decoded.document.channel == decoded.document.capture.channels[0].name
    decoded.document.undo()
    assert decoded.document.capture.derived == ("wire A - wire B",)


def test_the_dialogs_say_what_is_wrong(decoded, qtbot):
    dialog = DerivedChannelDialog(decoded.document.capture, "")
    qtbot.addWidget(dialog)
    dialog._text.setText("wire A - C")
    dialog.accept()
    assert "no channel 'C'" in dialog.wrong.text()
    dialog._recipe.setCurrentIndex(3)
    dialog._recipe.activated.emit(3)
    dialog.accept()
    assert dialog.result() == 1
    pair = PairDialog(("wire A", "wire B"))
    qtbot.addWidget(pair)
    pair._second.setCurrentIndex(0)
    pair.accept()
    assert "different" in pair.wrong.text()
    meaning = ChannelMeaningDialog(decoded.document.capture.channels[0])
    qtbot.addWidget(meaning)
    meaning._factor.setText("ten")
    meaning.accept()
    assert "ten" in meaning.wrong.text()
