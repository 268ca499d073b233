"""Decoding in the window, correcting by hand, and taking all of it back."""

from __future__ import annotations

import threading

import pytest
from PySide6.QtCore import Qt

from app.errors import CancelledError, UsageError
from app.gui.panels.bursts_model import BITS
from app.gui.trace_views import BurstViews
from app.jobs import decoding
from app.model.commands_captures import CloseCapture, DescribeCapture, OpenCapture
from app.model.commands_flips import DeleteAutoFlip, PlaceFlip
from dsp.results import DecodeSettings

SYMBOLS = "1110010000"


def bits(window) -> list[str]:
    model = window.bursts.model
    return [model.index(row, BITS).data() for row in range(model.rowCount())]


def test_the_table_shows_what_was_found(decoded):
    assert bits(decoded) == [SYMBOLS, "10101010"]
    cells = {
        decoded.bursts.model.headerData(i, Qt.Orientation.Horizontal): decoded.bursts.model.index(0, i).data()
        for i in range(decoded.bursts.model.columnCount())
    }
    assert cells == {
        "Name": "",
        "Start": "510 ms",
        "Length": "10 ms",
        "Talker": "0",
        "Symbols": "10",
        "Bits": SYMBOLS,
        "By hand": "",
        "Amplitude": "8.000(10) V",
        "Carrier": "1.00000(20) kHz",
        "Symbol rate": "1.00000(10) kBd",
        "Es/N0": "18.0(5) dB",
    }
    assert decoded.bursts.sentence.text().startswith("The line is keyed by half turns of a carrier (bpsk")
    assert decoded.menus.actions["undo"].text() == "&Undo decode wire A"


def test_settings_span_and_channel_reach_the_decoder(decoded, made_up_decode, answer, qtbot):
    known = DecodeSettings(carrier_hz=1000.0)
    answer("decode_settings", known)
    answer("derived_channel", "wire A - wire B")
    decoded.menus.actions["decode_settings"].trigger()
    decoded.menus.actions["derived_channel"].trigger()
    decoded.area.span_selected.emit(0.52, 0.56)
    decoded.menus.actions["decode_span"].trigger()
    qtbot.waitUntil(lambda: len(decoded.document.data.decodes) == 2)
    request = made_up_decode[-1]
    assert (request.settings, request.span_s, request.channel) == (known, (0.52, 0.56), "wire A - wire B")
    assert decoded.document.data.decodes[-1].channel == "wire A - wire B"
    assert decoded.chooser.channels.currentText() == "wire A - wire B (derived)"


def test_a_derived_channel_that_cannot_be_is_told(decoded, answer):
    answer("derived_channel", "wire A - wire C")
    decoded.menus.actions["derived_channel"].trigger()
    assert "there is no channel" in decoded.messages.lines()[0].message.text
    assert decoded.document.channel == "wire A"


def test_bits_follow_flips_and_undo_takes_all_back(decoded):
    area = decoded.area
    area.flip_place_wanted.emit(0.5181)
    assert bits(decoded)[0] == "1110010011"
    first, *_ = decoded.link.flips
    assert first.origin == "auto"
    area.flip_delete_wanted.emit(first)
    assert bits(decoded)[0] == "1111101100"
    hand = next(flip for flip in decoded.link.flips if flip.origin == "hand")
    for time_s in (0.5175, 0.5172, 0.5171):
        area.flip_moved.emit(hand, time_s, "drag")
    assert bits(decoded)[0] == "1111101000"
    automatic = next(flip for flip in decoded.link.flips if flip.origin == "auto" and flip.time_s > 0.55)
    for time_s in (0.5512, 0.5519, 0.5521):
        area.flip_moved.emit(automatic, time_s, "drag 2")
    # the flip at edge 1 stands at edge 2 now, where one was already
    assert bits(decoded)[1] == "11010101"
    steps = []
    for _ in range(4):
        steps.append(decoded.document.undo_label)
        decoded.menus.actions["undo"].trigger()
    assert steps == ["move automatic flip", "move flip", "delete automatic flip", "place flip"]
    assert bits(decoded) == [SYMBOLS, "10101010"]
    for _ in steps:
        decoded.menus.actions["redo"].trigger()
    assert bits(decoded) == ["1111101000", "11010101"]


def test_a_removed_flip_is_shown_and_can_come_back(decoded):
    automatic = decoded.link.flips[0]
    decoded.area.flip_delete_wanted.emit(automatic)
    removed = decoded.link.flips[0]
    assert (removed.origin, removed.time_s) == ("removed", automatic.time_s)
    assert removed.interval_s == automatic.interval_s
    decoded.area.flip_delete_wanted.emit(removed)
    assert decoded.link.flips[0] == automatic
    assert decoded.document.data.flips == ()


def test_all_hand_flips_can_be_taken_back_at_once(decoded):
    decoded.area.flip_place_wanted.emit(0.5181)
    decoded.area.flip_delete_wanted.emit(decoded.link.flips[0])
    decoded.menus.actions["clear_hand_flips"].trigger()
    assert bits(decoded)[0] == SYMBOLS
    assert not decoded.menus.actions["clear_hand_flips"].isEnabled()


def test_lane_marks_what_the_hand_changed(decoded):
    decoded.bridge.run(PlaceFlip(0, 0.518))
    lane, _ = BurstViews().show(decoded.view.bursts, decoded.view.flips)
    assert lane[0].symbols == "1110010011"
    assert list(lane[0].changed) == [False] * 8 + [True] * 2
    assert not any(lane[1].changed)


def test_a_removal_without_an_automatic_flip_can_still_be_seen(decoded):
    decoded.bridge.run(DeleteAutoFlip(0, 0.54))
    assert [(view.time_s, view.origin) for view in decoded.link.flips if view.key is not None] == [
        (0.54, "removed")
    ]


def test_selecting_a_burst_zooms_to_it_and_shows_its_bits(decoded):
    decoded.area.show_range(0.5, 0.6)
    decoded.bursts.table.selectRow(0)
    start_s, end_s = decoded.area.visible_range()
    assert (start_s, end_s) == pytest.approx((0.509, 0.521))
    assert decoded.bursts.bits.toPlainText().startswith("11100100 00")
    decoded.area.flip_place_wanted.emit(0.5181)
    assert decoded.bursts.chosen() is not None
    assert decoded.bursts.bits.toPlainText().startswith("11100100 11")
    assert "0 agreed, 1 missed by the decoder, 0 too many" in decoded.bursts.bits.toPlainText()


def test_another_channel_has_a_decode_of_its_own(decoded):
    decoded.chooser.channel_chosen.emit("wire B")
    assert bits(decoded) == []
    assert decoded.bursts.decode.isVisible()
    decoded.chooser.channel_chosen.emit("wire A")
    assert len(bits(decoded)) == 2
    decoded.menus.actions["clear_decode"].trigger()
    assert bits(decoded) == []


def test_a_decode_outlives_a_new_label_but_not_its_capture(
    window, quiet_capture, made_up_decode, monkeypatch, qtbot
):
    made_up = decoding.run_decode
    go_on = threading.Event()

    def slow(request, progress, cancelled):
        go_on.wait(5)
        return made_up(request, progress, cancelled)

    monkeypatch.setattr("app.jobs.decoding.run_decode", slow)
    window.bridge.run(OpenCapture(quiet_capture))
    window.menus.actions["decode_all"].trigger()
    window.bridge.run(DescribeCapture(0, "vent opens"))
    go_on.set()
    qtbot.waitUntil(lambda: bool(window.document.data.decodes))
    go_on.clear()
    window.menus.actions["decode_all"].trigger()
    window.bridge.run(CloseCapture(0))
    go_on.set()
    qtbot.waitUntil(lambda: window.runner.current() is None)
    assert window.document.data.decodes == ()


def test_a_long_decode_can_be_cancelled(window, quiet_capture, monkeypatch, qtbot):
    stopped = threading.Event()

    def endless(request, progress, cancelled):
        progress(0.1)
        while not cancelled():
            stopped.wait(0.001)
        stopped.set()
        raise CancelledError("stopped")

    monkeypatch.setattr("app.jobs.decoding.run_decode", endless)
    window.bridge.run(OpenCapture(quiet_capture))
    window.menus.actions["decode_all"].trigger()
    qtbot.waitUntil(window.work_bar.isVisible)
    assert window.menus.actions["cancel_work"].isEnabled()
    window.work_bar.stop.click()
    assert stopped.wait(5)
    qtbot.waitUntil(lambda: not window.work_bar.isVisible())
    assert window.document.data.decodes == ()
    assert window.messages.lines()[0].message.weight == "caution"  # only those of the first start


def test_a_decode_that_fails_is_told_in_one_sentence(window, quiet_capture, monkeypatch, qtbot):
    def refuse(request, progress, cancelled):
        raise UsageError("a carrier of 60 kHz is above half the sample rate; give a lower one")

    monkeypatch.setattr("app.jobs.decoding.run_decode", refuse)
    window.bridge.run(OpenCapture(quiet_capture))
    window.menus.actions["decode_all"].trigger()
    qtbot.waitUntil(lambda: window.messages.lines()[0].message.weight == "error")
    line = window.messages.lines()[0]
    assert line.message.text == "a carrier of 60 kHz is above half the sample rate; give a lower one"
    assert line.message.details == ""
