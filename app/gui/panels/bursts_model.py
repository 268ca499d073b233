"""The bursts of one channel as a table: one row a burst, uncertainties with every value."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QAbstractTableModel, QModelIndex, QObject, Qt, Signal
from PySide6.QtGui import QFont

from app.gui.panels.table import AnyIndex
from app.gui.style import fixed_font
from app.model.naming import NOTHING_SAID, BurstName
from app.model.quantity import format_quantity, format_value
from app.model.tolerance import Tolerance

if TYPE_CHECKING:
    from app.model.corrections import CorrectedBurst
    from dsp.results import Burst

_NOWHERE = QModelIndex()
_BITS_SHOWN = 120


@dataclass(frozen=True)
class Column:
    """``text`` is given the burst with combined uncertainties, and the corrections; ``order`` is sorted by."""

    title: str
    tip: str
    text: Callable[[Burst, CorrectedBurst, str], str]
    order: Callable[[Burst, CorrectedBurst], float | str | None]


def _by_hand(_burst: Burst, as_is: CorrectedBurst, _unit: str) -> str:
    found = as_is.comparison
    parts = []
    if found.agreed:
        parts.append(f"{found.agreed} agreed")
    if found.missed:
        parts.append(f"{found.missed} set")
    if found.extra:
        parts.append(f"{found.extra} removed")
    if as_is.grid_of == "union":
        parts.append("sliced anew")
    if as_is.off_grid:
        parts.append(f"{len(as_is.off_grid)} off grid")
    return ", ".join(parts)


def _bits(_burst: Burst, as_is: CorrectedBurst, _unit: str) -> str:
    if as_is.bits is None:
        return "unknown after the correction"
    return as_is.bits if len(as_is.bits) <= _BITS_SHOWN else as_is.bits[:_BITS_SHOWN] + "…"


def _talker(burst: Burst, _as_is: CorrectedBurst, _unit: str) -> str:
    return "" if burst.talker is None else str(burst.talker)


def _carrier(burst: Burst, as_is: CorrectedBurst, _unit: str) -> str:
    if as_is.grid_of == "hand":
        return "unknown"
    return (
        "none" if burst.carrier_hz is None else format_quantity(burst.carrier_hz, burst.carrier_std_hz, "Hz")
    )


def _start(burst: Burst, as_is: CorrectedBurst, _unit: str) -> str:
    from dsp.hand import GridFit

    if as_is.grid_of == "hand" and isinstance(as_is.hand_grid, GridFit):
        return format_quantity(burst.start_s, as_is.hand_grid.origin_std_s, "s")
    return format_value(burst.start_s, "s", 9)


def _length(burst: Burst, as_is: CorrectedBurst, _unit: str) -> str:
    length_s, rate_bd, std_bd = burst.end_s - burst.start_s, burst.symbol_rate_bd, burst.symbol_rate_std_bd
    if as_is.grid_of == "hand" and rate_bd and std_bd:
        return format_quantity(length_s, length_s * std_bd / rate_bd, "s")
    return format_value(length_s, "s")


COLUMNS = (
    Column(
        "Name", "Your name for the burst; F2 or a double click here changes it", lambda *_: "", lambda *_: ""
    ),
    Column(
        "Start",
        "Leading edge of the first symbol, on the capture's own time axis",
        _start,
        lambda b, _c: b.start_s,
    ),
    Column(
        "Length",
        "From the leading edge of the first symbol to the trailing edge of the last",
        _length,
        lambda b, _c: b.end_s - b.start_s,
    ),
    Column(
        "Talker",
        "Transmitter, told from others by amplitude, carrier and timing",
        _talker,
        lambda b, _c: b.talker,
    ),
    Column(
        "Symbols",
        "How many symbols the burst has",
        lambda b, _c, _u: str(len(b.symbols)),
        lambda b, _c: len(b.symbols),
    ),
    Column("Bits", "Bits after the line code, with your corrections", _bits, lambda _b, c: c.bits or ""),
    Column("By hand", "Your flips against the automatic ones", _by_hand, lambda b, c: _by_hand(b, c, "")),
    Column(
        "Amplitude",
        "Peak of the carrier, or half the swing of a baseband signal",
        lambda b, _c, u: format_quantity(b.amplitude, b.amplitude_std, u),
        lambda b, _c: b.amplitude,
    ),
    Column(
        "Carrier",
        "Carrier frequency; digits in brackets are the standard uncertainty of the last digits",
        _carrier,
        lambda b, _c: b.carrier_hz,
    ),
    Column(
        "Symbol rate",
        "Symbols in a second, in baud (Bd)",
        lambda b, _c, _u: format_quantity(b.symbol_rate_bd, b.symbol_rate_std_bd, "Bd"),
        lambda b, _c: b.symbol_rate_bd,
    ),
    Column(
        "Es/N0",
        "Energy of a symbol over one-sided noise density, in dB: at 7 dB about one bit of BPSK in 1300 is wrong",
        lambda b, _c, _u: format_quantity(b.esn0_db, b.esn0_std_db, "dB"),
        lambda b, _c: b.esn0_db,
    ),
)
_TITLES = tuple(column.title for column in COLUMNS)
NAME, START, LENGTH, BITS, BY_HAND = map(_TITLES.index, ("Name", "Start", "Length", "Bits", "By hand"))


class BurstsModel(QAbstractTableModel):
    """``name_wanted(row, name)`` when the user gives a burst another name."""

    name_wanted = Signal(int, str)

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._bursts: tuple[CorrectedBurst, ...] = ()
        self._tolerance = Tolerance()
        self._unit = ""
        self._names: tuple[BurstName, ...] = ()

    def show_names(self, names: Sequence[BurstName]) -> None:
        """What the user said of each burst, in their order."""
        before, self._names = self._names, tuple(names)
        for row in range(len(self._bursts)):
            if (before[row] if row < len(before) else NOTHING_SAID) != self.name(row):
                self.dataChanged.emit(self.index(row, 0), self.index(row, len(COLUMNS) - 1))

    def name(self, row: int) -> BurstName:
        return self._names[row] if row < len(self._names) else NOTHING_SAID

    def show(self, bursts: Sequence[CorrectedBurst], unit: str, tolerance: Tolerance) -> None:
        """Show these; rows stay as they are, and selected, where only corrections changed."""
        new = tuple(bursts)
        same = len(new) == len(self._bursts) and all(
            a.burst is b.burst or a.grid_of == b.grid_of == "hand"
            for a, b in zip(new, self._bursts, strict=True)
        )
        if same and (unit, tolerance) == (self._unit, self._tolerance):
            changed = [i for i, (a, b) in enumerate(zip(new, self._bursts, strict=True)) if a is not b]
            self._bursts = new
            for row in changed:
                self.dataChanged.emit(self.index(row, 0), self.index(row, len(COLUMNS) - 1))
            return
        self.beginResetModel()
        self._bursts, self._unit, self._tolerance = new, unit, tolerance
        self.endResetModel()

    @property
    def tolerance(self) -> Tolerance:
        """Of the instrument, for what is shown beside the table."""
        return self._tolerance

    def burst(self, row: int) -> CorrectedBurst:
        return self._bursts[row]

    def rowCount(self, parent: AnyIndex = _NOWHERE) -> int:
        return 0 if parent.isValid() else len(self._bursts)

    def columnCount(self, parent: AnyIndex = _NOWHERE) -> int:
        return 0 if parent.isValid() else len(COLUMNS)

    def headerData(
        self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole
    ) -> Any:
        if orientation != Qt.Orientation.Horizontal:
            return section + 1 if role == Qt.ItemDataRole.DisplayRole else None
        if role == Qt.ItemDataRole.DisplayRole:
            return COLUMNS[section].title
        return COLUMNS[section].tip if role == Qt.ItemDataRole.ToolTipRole else None

    def flags(self, index: AnyIndex) -> Qt.ItemFlag:
        flags = super().flags(index)
        return flags | Qt.ItemFlag.ItemIsEditable if index.column() == NAME else flags

    def setData(self, index: AnyIndex, value: Any, role: int = Qt.ItemDataRole.EditRole) -> bool:
        if index.column() != NAME or role != Qt.ItemDataRole.EditRole:
            return False
        if str(value).strip() != self.name(index.row()).name:
            self.name_wanted.emit(index.row(), str(value).strip())
        return True

    def data(self, index: AnyIndex, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        as_is, name = self._bursts[index.row()], self.name(index.row())
        if role in (Qt.ItemDataRole.DisplayRole, Qt.ItemDataRole.EditRole):
            if index.column() == NAME:
                left_out = " (left out)" if name.excluded and role == Qt.ItemDataRole.DisplayRole else ""
                return f"{name.name}{left_out}".strip()
            shown = self._tolerance.burst(as_is.basis)
            return COLUMNS[index.column()].text(shown, as_is, self._unit)
        if role == Qt.ItemDataRole.FontRole:
            return self._font(index.column(), as_is, name)
        if role == Qt.ItemDataRole.ToolTipRole:
            said = ("left out by you; its bits do not count",) if name.excluded else ()
            return "\n".join((*said, *as_is.burst.warnings)) or None
        return None

    def key(self, row: int, column: int) -> Any:
        """What a row is sorted by."""
        one = self._bursts[row]
        return self.name(row).name if column == NAME else COLUMNS[column].order(one.basis, one)

    def keys(self, column: int) -> list[Any]:
        """What each row is sorted by, in order of time."""
        return [self.key(row, column) for row in range(len(self._bursts))]

    def words(self, row: int, column: int) -> str:
        """What stands in a cell."""
        return str(self.data(self.index(row, column)) or "")

    def _font(self, column: int, as_is: CorrectedBurst, name: BurstName) -> QFont | None:
        font = fixed_font() if column == BITS else QFont()
        font.setBold(bool(as_is.changed) and column != BITS)
        font.setStrikeOut(name.excluded and column != NAME)
        return font if column == BITS or as_is.changed or name.excluded else None
