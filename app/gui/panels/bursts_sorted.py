"""The table of bursts sorted by any column, and cut down to what a few words say.

A capture may hold tens of thousands of bursts. Their order is worked out from lists of keys in one go, and a filter
that reads cells goes through them in slices between which the window stays alive.
"""

from __future__ import annotations

import math
import re
import time
from collections.abc import Callable
from itertools import pairwise
from typing import Any, overload

from PySide6.QtCore import (
    QAbstractProxyModel,
    QModelIndex,
    QObject,
    Qt,
    QTimer,
    Signal,
    Slot,
)

from app.gui.panels.bursts_model import BITS, BY_HAND, COLUMNS, NAME, BurstsModel
from app.gui.panels.table import AnyIndex

_COMPARISON = re.compile(r"(\w+(?:/\w+)?)\s*(<=|>=|=|<|>)\s*(\S+)")
_NOWHERE = QModelIndex()
_SLICE_S = 0.02
_ROWS_AT_ONCE = 64

# cells whose words are there already come first, those that are numbers with uncertainties last
_READING_ORDER = (
    *(NAME, BITS, BY_HAND),
    *(column for column in range(len(COLUMNS)) if column not in (NAME, BITS, BY_HAND)),
)

Test = Callable[[int], bool]


class BurstsSorted(QAbstractProxyModel):
    """Rows in the order of a column; what is unknown comes last, whichever way the order goes.

    ``filtered()`` when the rows that a filter leaves are shown.
    """

    filtered = Signal()

    def __init__(self, model: BurstsModel, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._model = model
        self._words: tuple[str, ...] = ()
        self._column = -1
        self._down = False
        self._all: list[int] = []
        self._held: list[bool] | None = None
        self._rows: list[int] = []
        self._places: list[int] = []
        self._going: list[bool] = []
        self._tests: list[Test] = []
        self._cells: dict[int, str] = {}
        self._timer = QTimer(self)
        self._timer.setInterval(0)
        self._timer.timeout.connect(self._go_on)
        self.setSourceModel(model)
        model.modelAboutToBeReset.connect(self.beginResetModel)
        model.modelReset.connect(self._begin_again)
        model.dataChanged.connect(self._take_change)
        self._begin_again_quietly()

    def show_only(self, text: str) -> None:
        """Rows that hold every word: in a cell, or as ``talker=1``, ``symbols>40`` on a column."""
        self._words = tuple(_tightened(text).split())
        self._look_through()

    def rowCount(self, parent: AnyIndex = _NOWHERE) -> int:
        return 0 if parent.isValid() else len(self._rows)

    def columnCount(self, parent: AnyIndex = _NOWHERE) -> int:
        return 0 if parent.isValid() else len(COLUMNS)

    def index(self, row: int, column: int, parent: AnyIndex = _NOWHERE) -> QModelIndex:
        if parent.isValid() or not (0 <= row < len(self._rows) and 0 <= column < len(COLUMNS)):
            return QModelIndex()
        return self.createIndex(row, column)

    @overload
    def parent(self) -> QObject: ...

    @overload
    def parent(self, child: AnyIndex) -> QModelIndex: ...

    def parent(self, child: AnyIndex | None = None) -> QModelIndex | QObject:
        return QModelIndex() if child is not None else QObject.parent(self)  # type: ignore[return-value]

    def mapToSource(self, index: AnyIndex) -> QModelIndex:
        if not index.isValid() or index.row() >= len(self._rows):
            return QModelIndex()
        return self._model.index(self._rows[index.row()], index.column())

    def mapFromSource(self, index: AnyIndex) -> QModelIndex:
        if not index.isValid() or index.row() >= len(self._places) or self._places[index.row()] < 0:
            return QModelIndex()
        return self.createIndex(self._places[index.row()], index.column())

    def headerData(
        self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole
    ) -> Any:
        if orientation == Qt.Orientation.Vertical and 0 <= section < len(self._rows):
            section = self._rows[section]
        return self._model.headerData(section, orientation, role)

    def sort(self, column: int, order: Qt.SortOrder = Qt.SortOrder.AscendingOrder) -> None:
        self._column, self._down = column, order == Qt.SortOrder.DescendingOrder
        self._arrange()

    def _arrange(self) -> None:
        """Put the rows into their order; what is selected stays so where it is still shown."""
        self.layoutAboutToBeChanged.emit()
        before = self.persistentIndexList()
        numbers = [self._rows[index.row()] for index in before]
        self._set_rows()
        after = [
            self.createIndex(self._places[number], index.column())
            if self._places[number] >= 0
            else QModelIndex()
            for number, index in zip(numbers, before, strict=True)
        ]
        self.changePersistentIndexList(before, after)
        self.layoutChanged.emit()

    def _set_rows(self) -> None:
        order = self._order()
        self._rows = order if self._held is None else [n for n in order if self._held[n]]
        self._places = [-1] * len(order)
        for place, number in enumerate(self._rows):
            self._places[number] = place

    def _order(self) -> list[int]:
        count = self._model.rowCount()
        if not 0 <= self._column < len(COLUMNS):
            return list(range(count))
        keys = self._model.keys(self._column)
        known = [n for n in range(count) if not _is_unknown(keys[n])]
        known.sort(key=keys.__getitem__, reverse=self._down)
        return known + [n for n in range(count) if _is_unknown(keys[n])]

    @Slot()
    def _begin_again(self) -> None:
        self._begin_again_quietly()
        self.endResetModel()
        if self._words:
            self._look_through()

    def _begin_again_quietly(self) -> None:
        self._timer.stop()
        self._cells = {}
        self._held = None
        self._set_rows()

    @Slot(QModelIndex, QModelIndex)
    def _take_change(self, first: AnyIndex, last: AnyIndex) -> None:
        changed = range(first.row(), last.row() + 1)
        for number in changed:
            self._cells.pop(number, None)
        if self._timer.isActive():
            self._look_through()
        if self._held is not None:
            tests = [self._test(word) for word in self._words]
            for number in changed:
                self._held[number] = all(test(number) for test in tests)
        if any(self._is_misplaced(number) for number in changed):
            self._arrange()
        for number in changed:
            if self._places[number] >= 0:
                place = self._places[number]
                self.dataChanged.emit(self.index(place, first.column()), self.index(place, last.column()))

    def _is_misplaced(self, number: int) -> bool:
        """Whether a row is shown that should not be, or the other way round, or stands at the wrong place."""
        place = self._places[number]
        if self._held is not None and self._held[number] != (place >= 0):
            return True
        if place < 0 or not 0 <= self._column < len(COLUMNS):
            return False
        around = self._rows[max(place - 1, 0) : place + 2]
        keys = [self._model.key(one, self._column) for one in around]
        return any(self._comes_after(a, b) for a, b in pairwise(keys))

    def _comes_after(self, one: Any, other: Any) -> bool:
        if _is_unknown(one) or _is_unknown(other):
            return _is_unknown(one) and not _is_unknown(other)
        return bool(one < other if self._down else other < one)

    def _look_through(self) -> None:
        """Ask every row whether it holds the words, in slices of time."""
        self._timer.stop()
        if not self._words:
            self._show_held(None)
            return
        self._going = []
        self._tests = [self._test(word) for word in self._words]
        self._go_on()

    @Slot()
    def _go_on(self) -> None:
        count = self._model.rowCount()
        until = time.monotonic() + _SLICE_S
        while len(self._going) < count and time.monotonic() < until:
            first = len(self._going)
            rows = range(first, min(first + _ROWS_AT_ONCE, count))
            self._going += [all(test(row) for test in self._tests) for row in rows]
        if len(self._going) < count:
            self._timer.start()
            return
        self._timer.stop()
        self._show_held(self._going)

    def _show_held(self, held: list[bool] | None) -> None:
        self._held = held
        self._arrange()
        self.filtered.emit()

    def _test(self, word: str) -> Test:
        """Whether a row holds a word."""
        found = _COMPARISON.fullmatch(word)  # prefixes of numbers keep their case
        titles = [column.title.casefold().replace(" ", "") for column in COLUMNS]
        if found is None or found[1].casefold() not in titles:
            return lambda row: self._holds(row, word.casefold())
        column = titles.index(found[1].casefold())
        keys, wanted, sign = self._model.keys(column), _number(found[3]), found[2]
        text = found[3].casefold()

        def compare(row: int) -> bool:
            value = keys[row]
            if wanted is None or not isinstance(value, int | float):
                return sign == "=" and text in self._model.words(row, column).casefold()
            return _compared(value, sign, wanted)

        return compare

    def _holds(self, row: int, word: str) -> bool:
        if row in self._cells:
            return word in self._cells[row]
        texts = []
        for column in _READING_ORDER:
            texts.append(self._model.words(row, column).casefold())
            if word in texts[-1]:
                return True
        # a blank is in no word, so that none is found across two cells
        self._cells[row] = " ".join(texts)
        return False


def _compared(value: float, sign: str, wanted: float) -> bool:
    if sign == "=":
        return math.isclose(value, wanted, rel_tol=1e-6)
    if sign in ("<", "<="):
        return value < wanted or (sign == "<=" and value == wanted)
    return value > wanted or (sign == ">=" and value == wanted)


def _tightened(text: str) -> str:
    return re.sub(r"\s*(<=|>=|=|<|>)\s*", r"\1", text)


def _number(text: str) -> float | None:
    from app.model.quantity import parse_quantity

    try:
        return parse_quantity(text, "Hz", "Bd", "dB", "s", "V", "A")
    except ValueError:
        return None


def _is_unknown(value: Any) -> bool:
    return value is None or (isinstance(value, float) and math.isnan(value))
