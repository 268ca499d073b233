"""The bursts of one channel as a table: one row a burst, uncertainties with every value."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from PySide6.QtCore import QAbstractTableModel, QModelIndex, QObject, Qt
from PySide6.QtGui import QFont

from app.gui.panels.table import AnyIndex
from app.gui.style import fixed_font
from app.model.corrections import CorrectedBurst
from app.model.quantity import format_quantity, format_value
from app.model.tolerance import Tolerance
from dsp.hand import GridFit
from dsp.results import Burst

_NOWHERE = QModelIndex()
_BITS_SHOWN = 120


@dataclass(frozen=True)
class Column:
    """``text`` is given the burst with combined uncertainties, and the corrections."""

    title: str
    tip: str
    text: Callable[[Burst, CorrectedBurst, str], str]


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
    if as_is.grid_of == "hand" and isinstance(as_is.hand_grid, GridFit):
        return format_quantity(burst.start_s, as_is.hand_grid.origin_std_s, "s")
    return format_value(burst.start_s, "s", 9)


def _length(burst: Burst, as_is: CorrectedBurst, _unit: str) -> str:
    length_s, rate_bd, std_bd = burst.end_s - burst.start_s, burst.symbol_rate_bd, burst.symbol_rate_std_bd
    if as_is.grid_of == "hand" and rate_bd and std_bd:
        return format_quantity(length_s, length_s * std_bd / rate_bd, "s")
    return format_value(length_s, "s")


COLUMNS = (
    Column("Start", "Leading edge of the burst", _start),
    Column("Length", "From leading to trailing edge", _length),
    Column("Talker", "Transmitter, told from others by amplitude, carrier and timing", _talker),
    Column("Symbols", "How many symbols", lambda b, _c, _u: str(len(b.symbols))),
    Column("Bits", "Bits after the line code, with your corrections", _bits),
    Column("By hand", "Your flips against the automatic ones", _by_hand),
    Column(
        "Amplitude",
        "Peak of the carrier, or half the swing of a baseband signal",
        lambda b, _c, u: format_quantity(b.amplitude, b.amplitude_std, u),
    ),
    Column("Carrier", "Carrier frequency", _carrier),
    Column(
        "Symbol rate",
        "Symbols in a second",
        lambda b, _c, _u: format_quantity(b.symbol_rate_bd, b.symbol_rate_std_bd, "Bd"),
    ),
    Column(
        "Es/N0",
        "Energy of a symbol over noise density",
        lambda b, _c, _u: format_quantity(b.esn0_db, b.esn0_std_db, "dB"),
    ),
)
_TITLES = tuple(column.title for column in COLUMNS)
START, LENGTH, BITS, BY_HAND = map(_TITLES.index, ("Start", "Length", "Bits", "By hand"))


class BurstsModel(QAbstractTableModel):
    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._bursts: tuple[CorrectedBurst, ...] = ()
        self._tolerance = Tolerance()
        self._unit = ""

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

    def data(self, index: AnyIndex, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        as_is = self._bursts[index.row()]
        if role == Qt.ItemDataRole.DisplayRole:
            shown = self._tolerance.burst(as_is.basis)
            return COLUMNS[index.column()].text(shown, as_is, self._unit)
        if role == Qt.ItemDataRole.FontRole and index.column() == BITS:
            return fixed_font()
        if role == Qt.ItemDataRole.FontRole and as_is.changed:
            bold = QFont()
            bold.setBold(True)
            return bold
        if role == Qt.ItemDataRole.ToolTipRole:
            return "\n".join(as_is.burst.warnings) or None
        return None
