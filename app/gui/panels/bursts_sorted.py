"""The table of bursts sorted by any column, and cut down to what a few words say."""

from __future__ import annotations

import math
import re
from typing import Any

from PySide6.QtCore import QObject, QSortFilterProxyModel, Slot

from app.gui.panels.bursts_model import COLUMNS, SORT_ROLE, BurstsModel
from app.gui.panels.table import AnyIndex

_COMPARISON = re.compile(r"(\w+(?:/\w+)?)\s*(<=|>=|=|<|>)\s*(\S+)")


class BurstsSorted(QSortFilterProxyModel):
    """Rows in the order of a column; what is unknown comes last, whichever way the order goes."""

    def __init__(self, model: BurstsModel, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._model = model
        self._words: tuple[str, ...] = ()
        self._keys: dict[int, list[Any]] = {}
        # before the source is set: who is connected first is told first, and sorting asks for keys
        model.modelReset.connect(self._forget_keys)
        model.dataChanged.connect(self._forget_keys)
        self.setSourceModel(model)
        self.setSortRole(SORT_ROLE)
        self.setDynamicSortFilter(True)

    def show_only(self, text: str) -> None:
        """Rows that hold every word: in a cell, or as ``talker=1``, ``symbols>40`` on a column."""
        self._words = tuple(_tightened(text).split())
        # asks `filterAcceptsRow` of every row again, with each release of Qt
        self.setFilterFixedString(text)

    def lessThan(self, left: AnyIndex, right: AnyIndex) -> bool:
        keys = self._keys_of(left.column())
        a, b = keys[left.row()], keys[right.row()]
        if _is_unknown(a) or _is_unknown(b):
            down = self.sortOrder().value == 1
            return (
                (_is_unknown(b) and not _is_unknown(a))
                if not down
                else (_is_unknown(a) and not _is_unknown(b))
            )
        return bool(a < b)

    def _keys_of(self, column: int) -> list[Any]:
        """What each row is sorted by: asked for once, not with each of many thousand comparisons."""
        if column not in self._keys:
            rows = range(self._model.rowCount())
            self._keys[column] = [self._model.index(row, column).data(SORT_ROLE) for row in rows]
        return self._keys[column]

    @Slot()
    def _forget_keys(self) -> None:
        self._keys = {}

    def filterAcceptsRow(self, row: int, _parent: AnyIndex) -> bool:
        if not self._words:
            return True
        cells = [
            str(self._model.index(row, column).data() or "").casefold() for column in range(len(COLUMNS))
        ]
        return all(self._holds(row, cells, word) for word in self._words)

    def _holds(self, row: int, cells: list[str], word: str) -> bool:
        found = _COMPARISON.fullmatch(word)  # prefixes of numbers keep their case
        titles = [column.title.casefold().replace(" ", "") for column in COLUMNS]
        if found is None or found[1].casefold() not in titles:
            return any(word.casefold() in cell for cell in cells)
        column = titles.index(found[1].casefold())
        value = self._model.index(row, column).data(SORT_ROLE)
        wanted = _number(found[3])
        if wanted is None or not isinstance(value, int | float):
            return found[2] == "=" and found[3].casefold() in cells[column]
        tests = {
            "=": math.isclose(value, wanted, rel_tol=1e-6),
            "<": value < wanted,
            ">": value > wanted,
            "<=": value <= wanted,
            ">=": value >= wanted,
        }
        return tests[found[2]]


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
