"""The table of bursts, with mouse and keys."""

from __future__ import annotations

import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtWidgets import QLineEdit

from app.gui.panels.bursts_model import COLUMNS, NAME, START
from app.model.corrections import edge_s
from dsp.results import DecodeSettings

LENGTH = [column.title for column in COLUMNS].index("Length")
SYMBOLS = "1110010000"


@pytest.fixture
def shown(decoded, qtbot):
    decoded.resize(1300, 900)
    decoded.activateWindow()
    qtbot.waitActive(decoded)
    return decoded


def click_row(qtbot, window, row: int, column: int = START, double: bool = False) -> None:
    table = window.bursts.table
    place = table.visualRect(window.bursts.sorted.index(row, column)).center()
    qtbot.mouseClick(table.viewport(), Qt.MouseButton.LeftButton, pos=place)
    if double:
        qtbot.mouseDClick(table.viewport(), Qt.MouseButton.LeftButton, pos=place)


def starts(window) -> list[str]:
    rows = window.bursts.sorted
    return [rows.index(row, START).data() for row in range(rows.rowCount())]


def lane_point(window, time_s: float) -> QPoint:
    canvas = window.area._canvas
    area = canvas.geometry_px()
    return QPoint(round(canvas.time_scale().px(time_s)), round((area.rows_bottom + area.lane_bottom) / 2))


def test_a_click_zooms_and_a_double_click_fits(shown, qtbot):
    click_row(qtbot, shown, 0)
    assert shown.area.visible_range() == pytest.approx((0.509, 0.521))
    assert shown.view.chosen == 0
    click_row(qtbot, shown, 1, double=True)
    assert shown.area.visible_range() == pytest.approx((0.550, 0.558))
    assert shown.view.chosen == 1


def test_a_click_on_a_heading_sorts_and_numbers_stay_those_of_time(shown, qtbot):
    header = shown.bursts.table.horizontalHeader()
    place = QPoint(header.sectionViewportPosition(LENGTH) + 5, header.height() // 2)
    qtbot.mouseClick(header.viewport(), Qt.MouseButton.LeftButton, pos=place)
    assert starts(shown) == ["550 ms", "510 ms"]
    qtbot.mouseClick(header.viewport(), Qt.MouseButton.LeftButton, pos=place)
    assert starts(shown) == ["510 ms", "550 ms"]
    click_row(qtbot, shown, 1)
    assert shown.view.chosen == 1


@pytest.mark.parametrize(
    ("words", "left"),
    [
        ("1110010000", ["510 ms"]),
        ("symbols<9", ["550 ms"]),
        ("symbols >= 8 talker=0", ["510 ms", "550 ms"]),
        ("talker=7", []),
        ("carrier>0.9k", ["510 ms", "550 ms"]),
        ("1010 550", ["550 ms"]),
    ],
)
def test_typing_shows_only_what_holds_the_words(shown, qtbot, words, left):
    shown.bursts.filter.setFocus()
    qtbot.keyClicks(shown.bursts.filter, words)
    assert starts(shown) == left
    shown.bursts.select(0)
    assert shown.view.chosen == 0


def test_keys_step_from_burst_to_burst(shown, qtbot):
    shown.area.setFocus()
    chosen = []
    for key in (Qt.Key.Key_Down, Qt.Key.Key_Down, Qt.Key.Key_Down, Qt.Key.Key_Up):
        qtbot.keyClick(shown, key, Qt.KeyboardModifier.ControlModifier)
        chosen.append(shown.view.chosen)
    assert chosen == [0, 1, 1, 0]


def test_a_burst_is_named_by_keyboard_and_the_name_undone(shown, qtbot):
    click_row(qtbot, shown, 1)
    qtbot.keyClick(shown, Qt.Key.Key_R, Qt.KeyboardModifier.ControlModifier)
    (editor,) = shown.bursts.table.viewport().findChildren(QLineEdit)
    qtbot.keyClicks(editor, "humidity of bed 3")
    qtbot.keyClick(editor, Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: shown.bursts.model.index(1, NAME).data() == "humidity of bed 3")
    assert shown.document.undo_label == "name burst humidity of bed 3"
    assert starts(shown) == ["510 ms", "550 ms"]
    qtbot.keyClick(shown, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert shown.bursts.model.index(1, NAME).data() == ""


def test_a_burst_is_left_out_and_taken_back_in(shown, qtbot):
    click_row(qtbot, shown, 0)
    held = Qt.KeyboardModifier.ControlModifier | Qt.KeyboardModifier.ShiftModifier
    qtbot.keyClick(shown, Qt.Key.Key_X, held)
    assert shown.bursts.model.index(0, NAME).data() == "(left out)"
    font = shown.bursts.model.index(0, START).data(Qt.ItemDataRole.FontRole)
    assert font.strikeOut()
    assert shown.document.undo_label == "leave burst out"
    assert shown.bursts.sentence.text().endswith("1 burst left out by hand is not counted.")
    qtbot.keyClick(shown, Qt.Key.Key_X, held)
    assert shown.document.data.burst_marks == ()
    assert "left out" not in shown.bursts.sentence.text()
    assert shown.document.undo_label == "take burst back in"


def test_a_burst_is_decoded_again_with_other_settings(shown, qtbot, made_up_decode, answer):
    click_row(qtbot, shown, 0)
    told = DecodeSettings(line_code="differential")
    answer("decode_settings", told)
    held = Qt.KeyboardModifier.ControlModifier | Qt.KeyboardModifier.ShiftModifier
    before = len(made_up_decode)
    qtbot.keyClick(shown, Qt.Key.Key_R, held)
    qtbot.waitUntil(lambda: len(made_up_decode) == before + 1)
    request = made_up_decode[-1]
    assert request.settings == told
    assert request.span_s == pytest.approx((0.506, 0.524))
    assert shown.decoding.settings == DecodeSettings()
    qtbot.waitUntil(lambda: len(shown.view.runs) == 2)


def test_a_double_click_in_the_lane_turns_one_symbol_over(shown, qtbot):
    click_row(qtbot, shown, 0, double=True)
    surface = shown.area._canvas.viewport()
    qtbot.mouseDClick(surface, Qt.MouseButton.LeftButton, pos=lane_point(shown, 0.5135))
    assert shown.view.bursts[0].symbols == "1111010000"
    assert shown.view.bursts[0].changed == (3,)
    assert shown.document.undo_label == "turn symbol 4 over"
    assert "1111" in shown.bursts.bits.toPlainText()
    qtbot.mouseDClick(surface, Qt.MouseButton.LeftButton, pos=lane_point(shown, 0.5135))
    assert shown.view.bursts[0].symbols == SYMBOLS
    assert shown.view.flips == ()


@pytest.mark.parametrize("symbol", range(1, len(SYMBOLS)))
def test_any_symbol_but_the_first_turns_alone_and_back(shown, symbol):
    for wanted in (1, 0):
        burst = shown.view.bursts[0]
        shown.bursts_flow.turn_symbol((edge_s(burst.basis, symbol) + edge_s(burst.basis, symbol + 1)) / 2)
        differs = [
            i for i, (a, b) in enumerate(zip(shown.view.bursts[0].symbols, SYMBOLS, strict=True)) if a != b
        ]
        assert differs == [symbol] * wanted


def test_neighbours_are_turned_by_hand_one_after_another(shown):
    for symbol in (4, 5, 6):
        shown.bursts_flow.turn_symbol(0.510 + (symbol + 0.5) * 1e-3)
    assert shown.view.bursts[0].symbols == "1110101000"


def test_the_first_symbol_is_refused_and_nothing_is_left(shown):
    shown.bursts_flow.turn_symbol(0.5105)
    assert "first symbol" in shown.messages.lines()[0].message.text
    assert shown.view.flips == ()
    assert shown.document.undo_label == "decode wire A"


def test_where_no_symbol_is_a_sentence_says_so(shown, qtbot):
    shown.area.show_range(0.53, 0.54)
    qtbot.keyClick(shown, Qt.Key.Key_I, Qt.KeyboardModifier.ControlModifier)
    assert "no symbol here" in shown.messages.lines()[0].message.text
