"""The trace area as one widget; see `app.gui.trace.api` for what each setter and signal means."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QWidget

from app.gui.trace.api import Arrangement, FlipView, LaneBurst, Snap, Tool, TraceChannel
from app.model.items import Cursor


class TraceArea(QWidget):
    """Overview strip, trace and lane of decoded symbols over one time axis."""

    cursor_moved = Signal(object, float, object)
    flip_place_wanted = Signal(float)
    flip_moved = Signal(object, float, object)
    flip_delete_wanted = Signal(object)
    span_selected = Signal(float, float)
    span_cleared = Signal()
    range_changed = Signal(float, float)
    mouse_hint = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("traceArea")
        self.setAccessibleName("Trace")
        self._range_s = (0.0, 1.0)

    def set_channels(self, channels: Sequence[TraceChannel]) -> None: ...

    def set_cursors(self, cursors: Sequence[Cursor]) -> None: ...

    def set_flips(self, flips: Sequence[FlipView]) -> None: ...

    def set_lane(self, bursts: Sequence[LaneBurst]) -> None: ...

    def set_span(self, span_s: tuple[float, float] | None) -> None: ...

    def set_tool(self, tool: Tool) -> None: ...

    def set_snap(self, targets: Iterable[Snap]) -> None: ...

    def set_arrangement(self, how: Arrangement) -> None: ...

    def set_active_channel(self, name: str) -> None: ...

    def show_range(self, start_s: float, end_s: float) -> None:
        self._range_s = (start_s, end_s)
        self.range_changed.emit(start_s, end_s)

    def visible_range(self) -> tuple[float, float]:
        return self._range_s

    def zoom_all(self) -> None: ...

    def zoom_by(self, factor: float) -> None: ...

    def zoom_to_span(self) -> None: ...

    def pan_by(self, fraction: float) -> None: ...

    def fit_values(self) -> None: ...

    def place_flip(self) -> None: ...

    def delete_flip(self) -> None: ...

    def select_next_flip(self, step: int) -> None: ...

    def span_from_cursors(self) -> None: ...

    def cancel(self) -> None: ...
