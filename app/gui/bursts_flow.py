"""What the user does to bursts: name, leave out, decode again, turn symbols over."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal, Slot
from PySide6.QtWidgets import QWidget

from app.gui import ask
from app.gui.bridge import DocumentBridge
from app.gui.channel_view import ChannelView
from app.gui.decode_flow import DecodeFlow
from app.gui.messages import Message
from app.gui.panels.bursts import BurstsPanel
from app.gui.trace.area import TraceArea
from app.model import edits
from app.model.naming import BurstName, names_of_bursts

if TYPE_CHECKING:
    from app.model.corrections import CorrectedBurst

_MARGIN_SYMBOLS = 4.0


class BurstsFlow(QObject):
    told = Signal(object)

    def __init__(
        self,
        bridge: DocumentBridge,
        view: ChannelView,
        panel: BurstsPanel,
        area: TraceArea,
        decoding: DecodeFlow,
        window: QWidget,
    ) -> None:
        super().__init__(window)
        self._bridge = bridge
        self._view = view
        self._panel = panel
        self._area = area
        self._decoding = decoding
        self._window = window
        panel.name_wanted.connect(self.rename)
        panel.fit_wanted.connect(self.fit)
        area.symbol_turn_wanted.connect(self.turn_symbol)

    def names(self) -> tuple[BurstName, ...]:
        """What the user said of each burst of the channel."""
        index, channel = self._view.index, self._view.channel
        if index is None or channel is None or not self._bridge.document.data.burst_marks:
            return ()
        return names_of_bursts(self._bridge.document.data, index, channel, self._view.bursts)

    @Slot(int, str)
    def rename(self, number: int, name: str) -> None:
        index, channel = self._view.index, self._view.channel
        if index is not None and channel is not None:
            self._bridge.run(edits.RenameBurst(index, channel, _span(self._view.bursts[number]), name))

    def begin_renaming(self) -> None:
        """Open the name's cell of the selected burst."""
        numbers = self._panel.chosen_numbers()
        if numbers:
            index = self._panel.sorted.mapFromSource(self._panel.model.index(numbers[0], 0))
            self._panel.table.setFocus()
            self._panel.table.setCurrentIndex(index)
            self._panel.table.edit(index)

    def toggle_excluded(self) -> None:
        """Leave the selected bursts out, or take them back in if all are out."""
        index, channel = self._view.index, self._view.channel
        numbers = self._panel.chosen_numbers()
        if index is None or channel is None or not numbers:
            return
        names = self.names()
        all_out = bool(names) and all(names[n].excluded for n in numbers)
        spans_s = tuple(_span(self._view.bursts[n]) for n in numbers)
        self._bridge.run(edits.ExcludeBursts(index, channel, spans_s, not all_out))

    def decode_again(self) -> None:
        """Decode the selected burst with settings asked for."""
        burst = self._view.burst
        if burst is None:
            return
        settings = ask.decode_settings(self._window, self._decoding.settings)
        if settings is None:
            return
        margin_s = _MARGIN_SYMBOLS / (burst.basis.symbol_rate_bd or 1e12)
        start_s, end_s = _span(burst)
        self._decoding.decode_stretch((start_s - margin_s, end_s + margin_s), settings)

    @Slot(float, float)
    def fit(self, start_s: float, end_s: float) -> None:
        """Let a burst fill the view, and its values the axes."""
        self._area.show_range(start_s, end_s)
        self._area.fit_values()

    def step(self, step: int) -> None:
        self._panel.step(step, self._area.visible_range()[0])

    def turn_symbol_here(self) -> None:
        """Turn over the symbol at the pointer, at the selected cursor, or mid-view."""
        self.turn_symbol(self._area.place_s())

    @Slot(float)
    def turn_symbol(self, time_s: float) -> None:
        """Turn over the symbol at an instant; the bits follow."""
        index = self._view.index
        for burst in self._view.bursts:
            rate_bd = burst.basis.symbol_rate_bd
            if index is None or not rate_bd:
                continue
            symbol = int((time_s - burst.basis.first_symbol_s) * rate_bd // 1)
            if 0 <= symbol < len(burst.symbols):
                self._bridge.run(edits.TurnSymbol(index, burst, symbol))
                return
        self.told.emit(Message("There is no symbol here: point at one in the lane, or put a cursor on it."))


def _span(one: CorrectedBurst) -> tuple[float, float]:
    return one.burst.start_s, one.burst.end_s
