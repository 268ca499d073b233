"""Choices about the view that outlast the program: mouse tool, snapping, value axes, appearance."""

from __future__ import annotations

from PySide6.QtCore import QSettings
from PySide6.QtWidgets import QApplication

from app.gui.menus import Menus
from app.gui.style import Appearance, palette_of
from app.gui.trace.api import ARRANGEMENTS, SNAPS, Arrangement, Tool
from app.gui.trace.area import TraceArea

_AXES: dict[Arrangement, str] = {
    "by-unit": "axes_by_unit",
    "each": "axes_each",
    "overlaid": "axes_overlaid",
}


class ViewChoices:
    """Sets the trace area up as chosen, and ticks the choices in the menus."""

    def __init__(self, area: TraceArea, settings: QSettings) -> None:
        self._area = area
        self._settings = settings
        self._menus: Menus | None = None

    def attach(self, menus: Menus) -> None:
        """Tick and apply what was chosen the last time."""
        self._menus = menus
        snaps = str(self._settings.value("snap", "crossing flip symbol")).split()
        for snap in SNAPS:
            menus.actions[f"snap_{snap}"].setChecked(snap in snaps)
        self.set_snaps()
        self.set_tool("pan")
        axes = str(self._settings.value("axes", ARRANGEMENTS[0]))
        self.set_axes(next((one for one in ARRANGEMENTS if one == axes), ARRANGEMENTS[0]))
        menus.actions["smooth"].setChecked(bool(self._settings.value("smooth", False, type=bool)))
        self.set_smooth()
        look = str(self._settings.value("appearance", Appearance.SYSTEM.value))
        self.set_appearance(next((one for one in Appearance if one.value == look), Appearance.SYSTEM))

    def set_tool(self, tool: Tool) -> None:
        self._tick(f"tool_{tool}")
        self._area.set_tool(tool)

    def set_snaps(self) -> None:
        """As ticked in the menu."""
        if self._menus is None:
            return
        actions = self._menus.actions
        chosen = [snap for snap in SNAPS if actions[f"snap_{snap}"].isChecked()]
        self._area.set_snap(chosen)
        self._settings.setValue("snap", " ".join(chosen) or "none")

    def snap_to_level(self) -> None:
        """Tick snapping to the level line."""
        if self._menus is not None:
            self._menus.actions["snap_level"].setChecked(True)
            self.set_snaps()

    def set_axes(self, axes: Arrangement) -> None:
        self._tick(_AXES[axes])
        self._area.set_arrangement(axes)
        self._settings.setValue("axes", axes)

    def set_smooth(self) -> None:
        """As ticked in the menu."""
        if self._menus is not None:
            smooth = self._menus.actions["smooth"].isChecked()
            self._area.set_smooth(smooth)
            self._settings.setValue("smooth", smooth)

    def set_appearance(self, appearance: Appearance) -> None:
        self._tick(f"look_{appearance.value}")
        QApplication.setPalette(palette_of(appearance))
        self._settings.setValue("appearance", appearance.value)

    def _tick(self, action: str) -> None:
        if self._menus is not None:
            self._menus.actions[action].setChecked(True)
