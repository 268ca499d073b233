"""What the window tells of flips set by hand: their grid, the comparison, bits where no burst was found."""

from __future__ import annotations

import math

import pytest

from app.gui.readings import ReadingsRequest, readings
from app.gui.trace_views import BurstViews
from app.model.commands_captures import DescribeCapture, OpenCapture
from app.model.commands_flips import ClearHandFlips, DeleteAutoFlip, MoveHandFlip, PlaceFlip
from app.model.commands_marks import RemoveCursor

NUMBERS = (1, 2, 4, 5, 8, 9, 11, 14, 15, 17, 20, 22)
# from edge 1 to edge 22, turning over at the others: runs of 1 2 1 3 1 2 3 1 2 3 2 symbols
BETWEEN = "1" + "00" + "1" + "000" + "1" + "00" + "111" + "0" + "11" + "000" + "11"


def flips_s(start_s, numbers=NUMBERS, rate_bd=1000.0):
    """Up to two hundredths of a symbol off."""
    return [start_s + (n + 0.02 * math.sin(5.0 * n)) / rate_bd for n in numbers]


def place(window, times_s) -> None:
    for time_s in times_s:
        window.bridge.run(PlaceFlip(0, time_s))


def cell(window, row: int, title: str) -> str:
    model = window.bursts.model
    titles = [model.headerData(i, window.bursts.table.horizontalHeader().orientation()) for i in range(10)]
    return str(model.index(row, titles.index(title)).data())


def shown(window) -> dict[str, str]:
    """Of the last stretch: the selected span comes after the cursors."""
    model = window.readings.model
    return {model.index(i, 0).data(): model.index(i, 1).data() for i in range(model.rowCount())}


@pytest.fixture
def marked(window, quiet_capture):
    """Twelve flips by hand where nothing was decoded."""
    window.bridge.run(OpenCapture(quiet_capture))
    place(window, flips_s(0.53))
    return window


def test_flips_where_nothing_was_decoded_have_bits_in_table_and_lane(marked):
    (one,) = marked.view.bursts
    assert one.bits == BETWEEN
    assert cell(marked, 0, "Bits") == BETWEEN
    assert cell(marked, 0, "By hand") == "12 set"
    assert cell(marked, 0, "Carrier") == cell(marked, 0, "Amplitude") == "unknown"
    assert cell(marked, 0, "Symbol rate").endswith("kBd")
    # from edge 1 to edge 22, each with an uncertainty
    assert cell(marked, 0, "Length").startswith(("20.99", "21.0"))
    assert cell(marked, 0, "Start").startswith(("530.99", "531.0"))
    assert "(" in cell(marked, 0, "Length")
    assert "(" in cell(marked, 0, "Start")
    assert marked.bursts.decode.isVisible()
    (lane,), _ = BurstViews().show(marked.view.bursts, marked.view.flips)
    assert lane.symbols == BETWEEN
    assert lane.symbol_period_s == pytest.approx(1e-3, rel=1e-2)
    assert lane.first_symbol_s == pytest.approx(0.531, abs=5e-5)


def test_bits_of_the_hand_follow_and_stay_selected(marked):
    marked.bursts.table.selectRow(0)
    assert marked.bursts.bits.toPlainText().startswith("10010001 00111011")
    text = marked.bursts.bits.toPlainText()
    assert "The symbol grid of 12 of your 12 flips: 1.000" in text
    assert "automatic" not in text
    # the flip at edge 11 goes to edge 12
    key = next(flip.key for flip in marked.view.flips if 0.5405 < flip.time_s < 0.5415)
    marked.bridge.run(MoveHandFlip(key, 0.542), "drag")
    assert marked.bursts.chosen() is not None
    assert marked.bursts.bits.toPlainText().startswith("10010001 00011011")
    marked.menus.actions["undo"].trigger()
    assert marked.view.bursts[0].bits == BETWEEN
    marked.bridge.run(ClearHandFlips(0, 0.5, 0.6))
    assert marked.view.bursts == ()
    marked.menus.actions["undo"].trigger()
    assert marked.view.bursts[0].bits == BETWEEN


def test_the_selected_span_tells_grid_and_symbols_of_the_hand(marked, qtbot):
    marked.area.span_selected.emit(0.525, 0.56)
    qtbot.waitUntil(lambda: "Selected span" in shown(marked))
    found = shown(marked)
    assert found["flips"] == found["your flips"] == "12"
    assert found["symbol rate by hand"].startswith("1.000")
    assert found["symbol rate by hand"].endswith("kBd")
    assert "% of a symbol" in found["scatter by hand"]
    assert found["symbols by hand"] == BETWEEN
    assert "against automatic" not in found
    # one cursor alone makes no stretch of its own
    marked.bridge.run(RemoveCursor(marked.document.data.cursors[0].key))
    # three of them settle nothing
    marked.area.span_selected.emit(0.525, 0.5345)
    qtbot.waitUntil(lambda: shown(marked).get("your flips") == "3")
    assert shown(marked)["symbol rate by hand"] == "not settled"
    assert "symbols by hand" not in shown(marked)
    marked.area.span_selected.emit(0.57, 0.58)
    qtbot.waitUntil(lambda: shown(marked).get("flips") == "0")
    assert "your flips" not in shown(marked)


def test_hand_and_automatic_flips_are_compared_in_a_span(decoded, qtbot):
    # the second burst turns over at each of its edges 1 to 7, each flip found 2 us late
    place(decoded, [0.550 + n * 1e-3 + 12e-6 for n in (1, 2, 4)] + [0.5575])
    decoded.bridge.run(DeleteAutoFlip(0, 0.555 + 2e-6))
    decoded.area.span_selected.emit(0.545, 0.56)
    qtbot.waitUntil(lambda: "against automatic" in shown(decoded))
    assert shown(decoded)["against automatic"] == "3 agreed, 1 missed, 1 extra"
    assert shown(decoded)["yours less automatic"] == "10 µs"
    decoded.bursts.table.selectRow(1)
    text = decoded.bursts.bits.toPlainText()
    assert "3 agreed" in text
    assert "1 too many; mean difference, yours less automatic: 10 µs." in text
    assert "symbol grid" not in text


def test_too_few_flips_in_a_burst_say_what_they_leave_open(decoded):
    place(decoded, [0.550 + n * 1e-3 for n in (1, 2, 4, 5, 7)])
    decoded.bursts.table.selectRow(1)
    text = decoded.bursts.bits.toPlainText()
    assert "Your 5 flips alone do not settle a symbol rate: it may be 1 kBd, 2 kBd" in text


def test_a_wrong_symbol_rate_is_overruled_and_said(decoded):
    # eight flips on a grid of 1300 Bd in the first burst, which was decoded with 1000 Bd
    numbers = (1, 2, 4, 5, 7, 8, 11, 12)
    place(decoded, flips_s(0.5100, numbers, 1300.0))
    one = decoded.view.bursts[0]
    assert one.grid_of == "union"
    assert "sliced anew" in cell(decoded, 0, "By hand")
    assert cell(decoded, 0, "Symbol rate").startswith("1.30")
    assert cell(decoded, 0, "Symbols") == "13"
    decoded.bursts.table.selectRow(0)
    text = decoded.bursts.bits.toPlainText()
    assert "Your flips do not lie on the decoder's grid (1.00000(10) kBd)" in text
    lane, _ = BurstViews().show(decoded.view.bursts, decoded.view.flips)
    assert lane[0].symbols == one.symbols
    assert lane[0].symbol_period_s == pytest.approx(1 / 1300, rel=1e-2)
    for _ in numbers:
        decoded.menus.actions["undo"].trigger()
    assert decoded.view.bursts[0].grid_of == "decoder"
    assert cell(decoded, 0, "By hand") == ""


def test_stated_tolerances_are_part_of_the_rate_by_hand(quiet_capture, marked, qtbot):
    request = ReadingsRequest(quiet_capture, "wire A", (), (0.52, 0.56), hand_s=tuple(flips_s(0.53)))
    plain = {row.name: row.text for row in readings(request)}["symbol rate by hand"]
    marked.bridge.run(DescribeCapture(0, "", 100_000.0, None))
    marked.area.span_selected.emit(0.525, 0.56)
    # 10 % spread evenly: 0.1 / sqrt(3) = 5.8 % of 1 kBd
    qtbot.waitUntil(lambda: shown(marked).get("symbol rate by hand", plain) == "1.00(6) kBd")
    assert plain != "1.00(6) kBd"


def test_flips_with_alternatives_and_outliers_say_so(quiet_capture):
    even = tuple(0.53 + 1e-3 * n for n in range(9))
    request = ReadingsRequest(quiet_capture, "wire A", (), (0.52, 0.56), hand_s=even)
    found = {row.name: row.text for row in readings(request)}
    assert found["also possible"] == "2 kBd, 3 kBd"
    assert found["symbols by hand"] == "10101010"
    wild = (*flips_s(0.53), 0.5364)
    found = {
        row.name: row.text
        for row in readings(ReadingsRequest(quiet_capture, "wire A", (), (0.52, 0.56), hand_s=wild))
    }
    assert found["off the grid"] == "1"
    few = tuple(0.53 + 1e-3 * n for n in (0, 1, 3, 4, 6))
    found = {
        row.name: row.text
        for row in readings(ReadingsRequest(quiet_capture, "wire A", (), (0.52, 0.56), hand_s=few))
    }
    assert found["symbol rate by hand"].endswith("kBd")
    assert found["also possible"].startswith("2 kBd")
    assert found["symbols by hand"] == "not settled"
