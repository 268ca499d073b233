"""Order and filter of a table of many bursts, beside Python's own sorting and reading of what stands in it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from PySide6.QtCore import QItemSelectionModel, Qt
from PySide6.QtTest import QAbstractItemModelTester

from app.gui.panels.bursts_model import BITS, COLUMNS, BurstsModel
from app.gui.panels.bursts_sorted import BurstsSorted
from app.model.corrections import corrected
from app.model.naming import BurstName
from app.model.tolerance import Tolerance
from tests.gui.conftest import made_up_burst

COUNT = 3000
CARRIER = [column.title for column in COLUMNS].index("Carrier")
SYMBOLS = [column.title for column in COLUMNS].index("Symbols")


def made(count: int):
    """Bursts of 3 to 12 symbols, each seventh without a carrier."""
    bursts = []
    for n in range(count):
        burst = made_up_burst(0.02 * n, format(n * 7919 % 4096 + 4, "b")[:12])
        bursts.append(replace(burst, carrier_hz=None if n % 7 == 0 else 1000.0 + n * 31 % 97))
    model = BurstsModel()
    model.show([corrected(one, ()) for one in bursts], "V", Tolerance())
    return model, BurstsSorted(model), bursts


@pytest.fixture
def table(qtbot):
    return made(COUNT)


def numbers(proxy: BurstsSorted) -> list[int]:
    return [proxy.mapToSource(proxy.index(row, 0)).row() for row in range(proxy.rowCount())]


@pytest.mark.parametrize("order", [Qt.SortOrder.AscendingOrder, Qt.SortOrder.DescendingOrder])
def test_rows_stand_in_order_and_unknown_ones_last(table, order):
    _, proxy, bursts = table
    proxy.sort(CARRIER, order)
    found = [bursts[n].carrier_hz for n in numbers(proxy)]
    unknown = sum(one.carrier_hz is None for one in bursts)
    assert found[-unknown:] == [None] * unknown
    known = sorted((one.carrier_hz for one in bursts if one.carrier_hz), reverse=order.value == 1)
    assert found[:-unknown] == known


def test_a_filter_leaves_the_rows_that_hold_it_without_blocking(table, qtbot):
    _, proxy, bursts = table
    with qtbot.waitSignal(proxy.filtered, timeout=20_000):
        proxy.show_only("1011 symbols>9")
    wanted = [n for n, one in enumerate(bursts) if len(one.symbols) > 9]
    by_bits = [n for n in wanted if "1011" in bursts[n].bits]
    assert set(by_bits) <= set(numbers(proxy)) <= set(wanted)
    assert 0 < proxy.rowCount() < COUNT
    # reading every cell takes longer than one slice of time
    proxy.show_only("nowhere")
    assert proxy.rowCount() > 0, "the old rows stay until all have been looked through"
    qtbot.waitUntil(lambda: proxy.rowCount() == 0, timeout=20_000)
    proxy.show_only("")
    assert proxy.rowCount() == COUNT


def test_what_is_selected_stays_selected(table, qtbot):
    model, proxy, _ = table
    selection = QItemSelectionModel(proxy)
    flags = QItemSelectionModel.SelectionFlag
    selection.select(proxy.mapFromSource(model.index(1234, 0)), flags.ClearAndSelect | flags.Rows)
    for column in (BITS, CARRIER, SYMBOLS):
        proxy.sort(column, Qt.SortOrder.DescendingOrder)
        assert [proxy.mapToSource(one).row() for one in selection.selectedRows()] == [1234]


def test_a_row_moves_when_its_name_changes(table):
    model, proxy, _ = table
    proxy.sort(0, Qt.SortOrder.DescendingOrder)
    names = [BurstName() for _ in range(COUNT)]
    names[2000] = BurstName("vent 4")
    model.show_names(names)
    assert numbers(proxy)[0] == 2000


def test_it_keeps_to_what_qt_asks_of_a_model(qtbot):
    model, proxy, _ = made(25)
    tester = QAbstractItemModelTester(proxy, QAbstractItemModelTester.FailureReportingMode.Fatal)
    proxy.sort(CARRIER, Qt.SortOrder.DescendingOrder)
    proxy.show_only("symbols>9")
    proxy.show_only("")
    model.show([], "V", Tolerance())
    assert tester.model() is proxy
    assert proxy.rowCount() == 0
