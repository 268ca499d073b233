"""What the trace area is made of, loaded and made when there is something to draw."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from app.gui.trace.builder import EnvelopeBuilder
from app.gui.trace.canvas import TraceCanvas
from app.gui.trace.control import TraceControl
from app.gui.trace.keys import TraceKeys
from app.gui.trace.lane_clicks import LaneClicks
from app.gui.trace.marks_shown import MarksShown
from app.gui.trace.overview import OverviewStrip

if TYPE_CHECKING:
    from app.files.envelope_cache import EnvelopeCache
    from app.gui.trace.area import TraceArea


@dataclass(frozen=True, eq=False)
class TraceParts:
    shown: MarksShown
    overview: OverviewStrip
    canvas: TraceCanvas
    control: TraceControl
    keys: TraceKeys
    lane_clicks: LaneClicks
    builder: EnvelopeBuilder


def make_parts(area: TraceArea, cache: EnvelopeCache | None) -> TraceParts:
    """Parts of ``area`` that know each other; what they report goes out as the area's signals."""
    shown = MarksShown()
    overview = OverviewStrip(area)
    canvas = TraceCanvas(shown, area)
    control = TraceControl(canvas, shown, area)
    keys = control.keys = TraceKeys(control)
    canvas.input = control
    lane_clicks = LaneClicks(canvas, area.symbol_turn_wanted.emit, area)
    builder = EnvelopeBuilder(area, cache)
    control.cursor_moved.connect(area.cursor_moved)
    control.flip_place_wanted.connect(area.flip_place_wanted)
    control.flip_moved.connect(area.flip_moved)
    control.flip_delete_wanted.connect(area.flip_delete_wanted)
    control.grid_shaped.connect(area.grid_shaped)
    control.walk_changed.connect(area.walk_changed)
    control.span_selected.connect(area.span_selected)
    control.span_cleared.connect(area.span_cleared)
    control.mouse_hint.connect(area.mouse_hint)
    control.values_scaled.connect(area.values_scaled)
    overview.mouse_hint.connect(area.mouse_hint)
    builder.arrived.connect(canvas.redraw)
    builder.failed.connect(area.unreadable)
    canvas.resized.connect(canvas.redraw)
    return TraceParts(shown, overview, canvas, control, keys, lane_clicks, builder)
