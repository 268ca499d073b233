"""The channels of a capture and what is derived from them: which are shown, and what can be done with each."""

from __future__ import annotations

from dataclasses import dataclass

from PySide6.QtCore import QModelIndex, Qt, Signal, SignalInstance, Slot
from PySide6.QtWidgets import QHBoxLayout, QHeaderView, QPushButton, QVBoxLayout, QWidget

from app.gui.panels.table import AnyIndex, RowsModel, RowTable

_HEADINGS = ("Channel", "Unit", "Shown", "Decoded")


@dataclass(frozen=True)
class ChannelRow:
    """``decoded``: it is the one that is looked at and decoded."""

    name: str
    unit: str
    derived: bool
    shown: bool
    decoded: bool


class ChannelsModel(RowsModel):
    """The check mark in front of a name says whether it is drawn; words say so as well."""

    titles = _HEADINGS
    tips = (
        "Name of the channel, or arithmetic on channels",
        "Unit of its values: V, A, or FS for full scale where the file does not say",
        "Whether it is drawn in the trace; the check mark in front of the name changes it",
        "The one that readings and decodes are of; Enter or a double click chooses it",
    )
    shown_wanted = Signal(str, bool)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.rows: tuple[ChannelRow, ...] = ()

    def set_rows(self, rows: tuple[ChannelRow, ...]) -> None:
        self.beginResetModel()
        self.rows = rows
        self.endResetModel()

    def count(self) -> int:
        return len(self.rows)

    def data(self, index: AnyIndex, role: int = Qt.ItemDataRole.DisplayRole) -> object:
        row = self.rows[index.row()]
        if role == Qt.ItemDataRole.DisplayRole:
            return (row.name, row.unit, "yes" if row.shown else "no", "yes" if row.decoded else "")[
                index.column()
            ]
        if role == Qt.ItemDataRole.CheckStateRole and index.column() == 0:
            return Qt.CheckState.Checked if row.shown else Qt.CheckState.Unchecked
        if role == Qt.ItemDataRole.ToolTipRole:
            return f"{row.name}: derived from other channels" if row.derived else row.name
        return None

    def setData(self, index: AnyIndex, value: object, role: int = Qt.ItemDataRole.EditRole) -> bool:
        if role != Qt.ItemDataRole.CheckStateRole or index.column() != 0:
            return False
        wanted = Qt.CheckState(value) == Qt.CheckState.Checked
        self.shown_wanted.emit(self.rows[index.row()].name, wanted)
        return True

    def flags(self, index: AnyIndex) -> Qt.ItemFlag:
        usual = super().flags(index)
        return usual | Qt.ItemFlag.ItemIsUserCheckable if index.column() == 0 else usual


class ChannelsPanel(QWidget):
    """Signals carry the name of the selected channel."""

    shown_wanted = Signal(str, bool)
    decode_wanted = Signal(str)
    add_wanted = Signal()
    pair_wanted = Signal()
    describe_wanted = Signal(str)
    remove_wanted = Signal(str)
    instrument_wanted = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("channels")
        self.setAccessibleName("Channels")
        self.model = ChannelsModel(self)
        self.table = RowTable("channelsTable", "Channels of this capture", self.model, self)
        self.table.setToolTip(
            "The mark in front shows or hides a channel; Enter or a double click decodes it"
        )
        self.table.horizontalHeader().setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
        for column in range(1, len(_HEADINGS)):
            self.table.horizontalHeader().setSectionResizeMode(
                column, QHeaderView.ResizeMode.ResizeToContents
            )
        self.setFocusProxy(self.table)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(4, 4, 4, 4)
        layout.addWidget(self.table, 1)
        row = QHBoxLayout()
        self.add_button = self._button(
            "addDerived", "Der&ived…", "Arithmetic on channels, filters, delay", row
        )
        self.pair_button = self._button(
            "pairChannels", "&Pair…", "Match two probes, and see their difference", row
        )
        self.describe_button = self._button(
            "describeChannel", "Me&aning…", "Probe factor, shift, unit of the selected channel", row
        )
        self.remove_button = self._button(
            "removeDerived", "Remove", "Remove the selected derived channel", row
        )
        layout.addLayout(row)
        row = QHBoxLayout()
        self.instrument_button = self._button(
            "describeInstrument",
            "Instr&ument…",
            "Tolerance of its time base and gain, and what was done",
            row,
        )
        row.addStretch(1)
        layout.addLayout(row)
        self.model.shown_wanted.connect(self.shown_wanted)
        self.table.activated.connect(self._decode)
        self.add_button.clicked.connect(self.add_wanted)
        self.pair_button.clicked.connect(self.pair_wanted)
        self.instrument_button.clicked.connect(self.instrument_wanted)
        self.describe_button.clicked.connect(lambda: self._emit(self.describe_wanted))
        self.remove_button.clicked.connect(lambda: self._emit(self.remove_wanted))
        self.table.selectionModel().selectionChanged.connect(self._allow)
        self.model.modelReset.connect(self._allow)
        self._allow()

    def show_channels(self, rows: tuple[ChannelRow, ...]) -> None:
        selected = self.selected()
        self.model.set_rows(rows)
        names = [row.name for row in rows]
        if selected is not None and selected.name in names:
            self.table.selectRow(names.index(selected.name))

    def selected(self) -> ChannelRow | None:
        rows = self.table.selectionModel().selectedRows()
        return self.model.rows[rows[0].row()] if rows and rows[0].row() < len(self.model.rows) else None

    def _button(self, name: str, text: str, tip: str, row: QHBoxLayout) -> QPushButton:
        button = QPushButton(text, self)
        button.setObjectName(name)
        button.setAccessibleName(tip)
        button.setToolTip(tip)
        row.addWidget(button)
        return button

    def _emit(self, signal: SignalInstance) -> None:
        selected = self.selected()
        if selected is not None:
            signal.emit(selected.name)

    @Slot(QModelIndex)
    def _decode(self, index: QModelIndex) -> None:
        self.decode_wanted.emit(self.model.rows[index.row()].name)

    @Slot()
    def _allow(self) -> None:
        selected = self.selected()
        for button in (self.add_button, self.instrument_button):
            button.setEnabled(bool(self.model.rows))
        self.pair_button.setEnabled(sum(not row.derived for row in self.model.rows) > 1)
        self.describe_button.setEnabled(selected is not None and not selected.derived)
        self.remove_button.setEnabled(selected is not None and selected.derived)
