"""What is done with readings and cursors: pin, copy as text, export; name a cursor, put it on a level crossing."""

from __future__ import annotations

import math
from pathlib import Path

from PySide6.QtCore import QObject, Signal, Slot
from PySide6.QtWidgets import QApplication, QWidget

from app.errors import HalfturnError
from app.gui import ask
from app.gui.bridge import DocumentBridge
from app.gui.channel_view import ChannelView
from app.gui.messages import Message, message_of
from app.gui.panels.pins import sentence
from app.gui.panels.readings import ReadingsPanel
from app.gui.picture import write_whole
from app.gui.trace.area import TraceArea
from app.model import edits
from app.model.expressions import channel_source
from app.model.items import Cursor, Pin

_LOOK_AHEAD = 1 << 20


class ReadingsFlow(QObject):
    told = Signal(object)

    def __init__(
        self,
        bridge: DocumentBridge,
        view: ChannelView,
        panel: ReadingsPanel,
        area: TraceArea,
        window: QWidget,
    ) -> None:
        super().__init__(window)
        self._bridge = bridge
        self._view = view
        self._panel = panel
        self._area = area
        self._window = window
        self._level = 0.0
        panel.pin_wanted.connect(self.pin)
        panel.pins.pin_wanted.connect(self.pin)
        panel.pins.model.renamed.connect(self.rename)

    @Slot()
    def pin(self) -> None:
        """Keep the selected readings as they are now."""
        index = self._view.index
        chosen = self._panel.chosen()
        if index is None or not chosen:
            self.told.emit(Message("Select a reading first; then it can be pinned."))
            return
        pins = tuple(
            Pin(0, index, "", row.name, place, row.value, row.std, row.unit)
            for place, row in chosen
            if row.value is not None
        )
        self._bridge.run(edits.KeepReadings(pins))

    @Slot(int, str)
    def rename(self, key: int, name: str) -> None:
        self._bridge.run(edits.RenamePin(key, name))

    def unpin(self) -> None:
        """Forget the selected pinned readings."""
        rows = self._panel.pins.table.selectionModel().selectedRows()
        keys = tuple(self._panel.pins.model.pins[index.row()].key for index in rows)
        if keys:
            self._bridge.run(edits.RemovePins(keys))

    def copy_sentences(self) -> None:
        """The selected readings as lines of text: of the pinned ones if those have the keyboard."""
        pins = self._panel.pins
        capture = self._view.capture
        if pins.table.hasFocus():
            lines = [sentence(pin, pins.model.capture(pin)) for pin in pins.chosen()]
        else:
            name = "" if capture is None else capture.name
            lines = [f"{row.name} = {row.text} ({place}, {name})" for place, row in self._panel.chosen()]
        if not lines:
            self.told.emit(Message("Select a reading first; then it can be copied."))
            return
        QApplication.clipboard().setText("\n".join(lines) + "\n")

    def export(self, suggestion: str) -> None:
        """All pinned readings as a table in a file."""
        from app.model.cells import csv_text

        data = self._bridge.document.data
        if not data.pins:
            self.told.emit(Message("No reading is pinned yet: select one, and pin it."))
            return
        path = ask.where_to_export_table(self._window, Path(suggestion))
        if path is None:
            return
        heads = ("name", "reading", "value", "standard_uncertainty", "unit", "of", "capture")
        rows = [
            (p.name, p.quantity, p.value, p.std, p.unit, p.place, self._panel.pins.model.capture(p))
            for p in data.pins
        ]
        try:
            write_whole(path, csv_text(heads, rows).encode("utf-8", "replace"))
        except HalfturnError as error:
            self.told.emit(message_of(error, f"exporting {path.name}"))

    # --- cursors

    def name_cursor(self) -> None:
        """Give the selected cursor, or the first one, another name."""
        cursor = self._cursor()
        if cursor is None:
            return
        name = ask.cursor_name(self._window, cursor.name)
        if name is not None:
            self._bridge.run(edits.RenameCursor(cursor.key, name))

    def ask_level_line(self) -> bool:
        """Put the level line where the user wants it; at first the value at the selected cursor."""
        level = ask.level_line(self._window, self._view.unit, self._value_here())
        self._area.set_level(level)
        self._level = self._level if level is None else level
        return level is not None

    def _value_here(self) -> float:
        capture, channel, selected = self._view.capture, self._view.channel, self._area.selected_mark()
        if capture is None or channel is None or not isinstance(selected, Cursor):
            return self._level
        from app.gui.readings import value_at  # the window opens sooner without it

        found = value_at(capture, channel_source(capture, channel), selected.time_s)
        return self._level if found is None or not math.isfinite(found[0]) else found[0]

    def to_level(self) -> None:
        """Put the selected cursor, or the first one, on the next crossing of a level that is asked for."""
        cursor, capture = self._cursor(), self._view.capture
        if cursor is None or capture is None or self._view.channel is None:
            return
        line = self._area.level
        level = ask.level(self._window, self._view.unit, self._level if line is None else line)
        if level is None:
            return
        self._level = level
        found = self._next_crossing(cursor.time_s, level)
        if found is None:
            words = (
                f"The trace does not cross {level:g} {self._view.unit} within the next {_LOOK_AHEAD} samples."
            )
            self.told.emit(Message(words))
            return
        self._bridge.run(edits.MoveCursor(cursor.key, found))
        start_s, end_s = self._area.visible_range()
        if not start_s <= found <= end_s:
            half_s = (end_s - start_s) / 2
            self._area.show_range(found - half_s, found + half_s)

    def _next_crossing(self, time_s: float, level: float) -> float | None:
        from dsp.interpolate import find_crossings

        capture, channel = self._view.capture, self._view.channel
        if capture is None or channel is None:
            return None
        source = channel_source(capture, channel)
        for part in capture.segments:
            end_s = part.start_s + (part.last - part.first) / capture.rate_hz
            if end_s <= time_s:
                continue
            first = part.first + max(0, math.floor((time_s - part.start_s) * capture.rate_hz) - 2)
            values = source[first : min(first + _LOOK_AHEAD, part.last)]
            from dsp.measure import noise_std

            noise = noise_std(values[:4096]) if len(values) > 3 else 0.0
            found = find_crossings(values, level=level, hysteresis=2 * noise if math.isfinite(noise) else 0.0)
            times = part.start_s + (first - part.first + found.positions) / capture.rate_hz
            # a thousandth of a sample, so that the crossing on which the cursor stands is passed
            later = times[times > time_s + 1e-3 / capture.rate_hz]
            if later.size:
                return float(later[0])
        return None

    def _cursor(self) -> Cursor | None:
        selected = self._area.selected_mark()
        if isinstance(selected, Cursor):
            return selected
        mine = [one for one in self._bridge.document.data.cursors if one.capture == self._view.index]
        if not mine:
            self.told.emit(Message("There is no cursor yet: add one (Marks > Add cursor)."))
            return None
        return mine[0]
