"""What helps to mark by eye, put together: the symbol grid, the comparison of flips, and the menu entries they tick."""

from __future__ import annotations

from PySide6.QtCore import QObject, Signal, Slot

from app.gui.bridge import DocumentBridge
from app.gui.channel_view import ChannelView
from app.gui.compare_flow import CompareFlow
from app.gui.decode_flow import DecodeFlow
from app.gui.grid_flow import GridFlow
from app.gui.menus import Menus
from app.gui.panels.comparison import ComparisonPanel
from app.gui.trace.area import TraceArea
from app.gui.trace_link import TraceLink
from app.gui.work import JobRunner


class MarkingAids(QObject):
    """``told(Message)`` is what the user must know."""

    told = Signal(object)

    def __init__(
        self,
        panel: ComparisonPanel,
        bridge: DocumentBridge,
        view: ChannelView,
        area: TraceArea,
        link: TraceLink,
        decoding: DecodeFlow,
        runner: JobRunner,
    ) -> None:
        super().__init__(area)
        self._panel = panel
        self._area = area
        self._menus: Menus | None = None
        self.grid = GridFlow(bridge, view, area, link, decoding, self)
        self.comparing = CompareFlow(panel, bridge, view, area, runner, self)
        # after the trace has been told
        bridge.changed.connect(self._show_level)
        view.changed.connect(self._show_level)
        area.level_changed.connect(self._show_level)
        for flow in (self.grid, self.comparing):
            flow.told.connect(self.told)

    def attach(self, menus: Menus) -> None:
        """Tick what is on, and let the keys work where they are meant to."""
        self._menus = menus
        self._area.walk_changed.connect(menus.actions["walk_crossings"].setChecked)
        for name in ("next_difference", "previous_difference"):
            menus.confine(name, self._area, self._panel)

    def close(self) -> None:
        """Ask for nothing more."""
        self.comparing.close()

    @Slot()
    def _show_level(self) -> None:
        if self._menus is not None:
            self._menus.actions["level_line"].setChecked(self._area.level is not None)
