"""The trace area as one widget; see `app.gui.trace.api` for what each setter and signal means."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from PySide6.QtCore import Signal, Slot
from PySide6.QtWidgets import QVBoxLayout, QWidget

from app.files.envelope_cache import EnvelopeCache
from app.gui.trace.api import (
    ARRANGEMENTS,
    SNAPS,
    TOOLS,
    Arrangement,
    FlipView,
    GridHandle,
    GridView,
    LaneBurst,
    Snap,
    Tool,
    TraceChannel,
)
from app.gui.trace.builder import EnvelopeBuilder
from app.gui.trace.canvas import TraceCanvas
from app.gui.trace.contents import TraceContents
from app.gui.trace.control import TraceControl
from app.gui.trace.curves import ChannelEnvelope
from app.gui.trace.keys import TraceKeys
from app.gui.trace.lane_clicks import LaneClicks
from app.gui.trace.marks_shown import LaneBook, MarksShown
from app.gui.trace.named_spans import SpanBook
from app.gui.trace.overview import OverviewStrip
from app.gui.trace.rows import TraceRow
from app.gui.trace.viewrange import ViewRange
from app.model.items import Cursor, SpanMark


class TraceArea(QWidget):
    """Overview strip, trace and lane of decoded symbols over one time axis.

    Envelopes of large mapped captures are kept in ``cache`` and taken from there.
    """

    unreadable = Signal(object)
    cursor_moved = Signal(object, float, object)
    flip_place_wanted = Signal(float)
    flip_moved = Signal(object, float, object)
    flip_delete_wanted = Signal(object)
    grid_shaped = Signal(float, float, int, object)
    level_changed = Signal(object, object)
    walk_changed = Signal(bool)
    span_selected = Signal(float, float)
    span_cleared = Signal()
    range_changed = Signal(float, float)
    mouse_hint = Signal(str)
    symbol_turn_wanted = Signal(float)
    values_scaled = Signal(object, object)

    def __init__(self, parent: QWidget | None = None, cache: EnvelopeCache | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("traceArea")
        self.setAccessibleName("Trace")
        self._shown = MarksShown()
        self._envelopes: tuple[ChannelEnvelope, ...] = ()
        self._arrangement: Arrangement = "each"
        self._active = ""
        self._hue_of: dict[str, int] = {}
        self._hues: tuple[int, ...] = ()
        self._smooth = False
        self._ends: dict[str, tuple[float, float]] = {}
        self._levels: dict[str, float] = {}
        self._view = ViewRange.whole(0.0, 1.0, 1.0)
        self._overview = OverviewStrip(self)
        self._canvas = TraceCanvas(self._shown, self)
        self._control = TraceControl(self._canvas, self._shown, self)
        self._keys = TraceKeys(self._control)
        self._control.keys = self._keys
        self._canvas.input = self._control
        self._lane_clicks = LaneClicks(self._canvas, self.symbol_turn_wanted.emit, self)
        self._builder = EnvelopeBuilder(self, cache)
        self.setFocusProxy(self._canvas)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(2)
        layout.addWidget(self._overview)
        layout.addWidget(self._canvas, 1)
        self._connect()

    def _connect(self) -> None:
        control = self._control
        control.cursor_moved.connect(self.cursor_moved)
        control.flip_place_wanted.connect(self.flip_place_wanted)
        control.flip_moved.connect(self.flip_moved)
        control.flip_delete_wanted.connect(self.flip_delete_wanted)
        control.grid_shaped.connect(self.grid_shaped)
        control.level_changed.connect(self._keep_level)
        control.walk_changed.connect(self.walk_changed)
        control.span_selected.connect(self.span_selected)
        control.span_cleared.connect(self.span_cleared)
        control.mouse_hint.connect(self.mouse_hint)
        control.range_wanted.connect(self._show)
        control.values_scaled.connect(self.values_scaled)
        self._overview.range_wanted.connect(self._show)
        self._overview.mouse_hint.connect(self.mouse_hint)
        self._builder.grew.connect(self._envelope_grew)
        self._builder.arrived.connect(self._canvas.redraw)
        self._builder.failed.connect(self.unreadable)
        self._canvas.resized.connect(self._canvas.redraw)

    # --- what is shown

    def set_channels(self, channels: Sequence[TraceChannel]) -> None:
        self._builder.stop()
        before = self._envelopes
        kept = {id(envelope.channel.stored): envelope for envelope in before}
        self._envelopes = tuple(ChannelEnvelope(c, kept.get(id(c.stored))) for c in channels)
        self._builder.build(self._envelopes)
        self._hues = self._hues_of(channels)
        same = bool(before and self._envelopes) and self._envelopes[0].timeline.same_axis(before[0].timeline)
        if not same:
            self._view = self._whole()
        self._lay_out()
        self._show(self._view)

    def set_cursors(self, cursors: Sequence[Cursor]) -> None:
        self._shown.set_cursors(cursors)
        self._canvas.marks_changed()

    def set_flips(self, flips: Sequence[FlipView]) -> None:
        self._shown.set_flips(flips)
        self._control.walk.flips_changed()
        self._canvas.marks_changed()

    def set_lane(self, bursts: Sequence[LaneBurst]) -> None:
        self._shown.lane = LaneBook(bursts)
        self._overview.set_lane(self._shown.lane)
        self._canvas.marks_changed(lane=True)

    def set_span(self, span_s: tuple[float, float] | None) -> None:
        self._shown.span_s = span_s
        self._canvas.marks_changed()

    def set_named_spans(self, spans: Sequence[SpanMark]) -> None:
        self._shown.named_spans = SpanBook(spans)
        self._canvas.marks_changed()

    def set_value_ends(self, ends: Mapping[str, tuple[float, float]]) -> None:
        if ends == self._ends:
            return
        self._ends = dict(ends)
        for row in self._canvas.rows:
            if any(envelope.channel.name in ends for envelope in row.envelopes):
                row.set_ends(ends)
            elif not row.fits_itself:
                row.fit(self._view.first_s, self._view.last_s)
        self._canvas.redraw()

    def set_grid(self, grid: GridView | None) -> None:
        self._shown.set_grid(grid)
        self._canvas.marks_changed()

    @property
    def level(self) -> float | None:
        """The level line of the active channel."""
        return self._shown.level

    def set_levels(self, levels: dict[str, float]) -> None:
        """Where the level lines of channels stand; the others have none."""
        self._levels = dict(levels)
        self._shown.level = self._levels.get(self._canvas.active)
        self._canvas.marks_changed()

    def set_level(self, value: float | None) -> None:
        self._shown.level = value
        self._keep_level(value, None)
        self._canvas.marks_changed()

    def set_tool(self, tool: Tool) -> None:
        if tool not in TOOLS:
            raise ValueError(f"no tool {tool!r}: one of {', '.join(TOOLS)}")
        self._control.machine.tool = tool

    def set_snap(self, targets: Iterable[Snap]) -> None:
        wanted = frozenset(targets)
        if not wanted <= set(SNAPS):
            raise ValueError(f"no snapping to {', '.join(sorted(wanted - set(SNAPS)))}")
        self._control.snapper.targets = wanted

    def set_arrangement(self, how: Arrangement) -> None:
        if how not in ARRANGEMENTS:
            raise ValueError(f"no arrangement {how!r}: one of {', '.join(ARRANGEMENTS)}")
        if how != self._arrangement:
            self._arrangement = how
            self._lay_out()
            self._show(self._view)

    def set_smooth(self, smooth: bool) -> None:
        self._smooth = smooth
        for row in self._canvas.rows:
            row.smooth = smooth
        self._canvas.redraw()

    def set_active_channel(self, name: str) -> None:
        self._active = name
        self._choose_active()

    # --- the visible range

    def show_range(self, start_s: float, end_s: float) -> None:
        self._show(self._view.shown(start_s, end_s))

    def visible_range(self) -> tuple[float, float]:
        return self._view.start_s, self._view.end_s

    def zoom_all(self) -> None:
        self._show(self._whole())
        self.fit_values()

    def zoom_by(self, factor: float) -> None:
        self._show(self._view.zoomed(factor, (self._view.start_s + self._view.end_s) / 2))

    def zoom_to_span(self) -> None:
        if self._shown.span_s is not None:
            self.show_range(*self._shown.span_s)

    def pan_by(self, fraction: float) -> None:
        self._show(self._view.panned(fraction * self._view.width_s))

    def fit_values(self) -> None:
        self._control.fit(*self.visible_range())

    # --- marks

    def place_flip(self) -> None:
        self._control.place_flip()

    def delete_flip(self) -> None:
        self._control.delete_flip()

    def walk(self) -> bool:
        """Begin stepping from crossing to crossing, or end it; False where there is none to begin at."""
        if self._control.walk.active:
            self._control.walk.end()
            return True
        return self._control.walk.begin(self._control.place_s())

    def select_grid(self) -> None:
        """The whole grid, its end, its start, in turn."""
        self._keys.select_grid()

    def select_flip_at(self, time_s: float) -> None:
        """The flip that stands there, if one does."""
        found = self._shown.flips.nearest(time_s)
        if found is not None and found.time_s == time_s:
            self._keys.show_selected(found)

    def select_next_flip(self, step: int) -> None:
        selected = self._shown.selected
        flip = selected if isinstance(selected, FlipView) else None
        found = self._shown.flips.step(flip, self._view.start_s, step)
        if found is not None:
            self._keys.show_selected(found)

    def span_from_cursors(self) -> None:
        times = sorted(cursor.time_s for cursor in self._shown.cursors)
        if len(times) >= 2 and times[0] < times[-1]:
            self.span_selected.emit(times[0], times[-1])

    def selected_mark(self) -> Cursor | FlipView | GridHandle | None:
        """The cursor, flip or part of the grid that is selected."""
        return self._shown.selected

    def place_s(self) -> float:
        """Where a mark goes that is placed by a key: the pointer, the selected cursor, mid-view."""
        return self._control.place_s()

    def contents(self) -> TraceContents:
        """What is drawn now, for drawing it elsewhere."""
        shown, rows = self._shown, tuple(row.contents() for row in self._canvas.rows)
        origin_s = self._whole().first_s
        start_s, end_s = self.visible_range()
        at = next((k for k, row in enumerate(rows) if row.active_name == self._canvas.active), None)
        level = None if shown.level is None or at is None else (at, shown.level)
        marks = (shown.cursors, shown.flips, shown.lane, shown.span_s, shown.grid, level)
        return TraceContents(rows, start_s, end_s, origin_s, *marks)

    def cancel(self) -> None:
        self._control.cancel()

    def stop(self) -> None:
        """Give up building envelopes; to be called before the program ends."""
        self._builder.stop()

    # --- inside

    def _whole(self) -> ViewRange:
        lines = [envelope.timeline for envelope in self._envelopes if len(envelope.timeline)]
        if not lines:
            return ViewRange.whole(0.0, 1.0, 1.0)
        first_s, last_s = min(line.start_s for line in lines), max(line.end_s for line in lines)
        return ViewRange.whole(first_s, last_s, max(line.rate_hz for line in lines))

    def _hues_of(self, channels: Sequence[TraceChannel]) -> tuple[int, ...]:
        """A channel keeps its colour while others come and go."""
        for name in {channel.name: None for channel in channels}:
            if name not in self._hue_of:
                taken = {self._hue_of[c.name] for c in channels if c.name in self._hue_of}
                free = (k for k in range(len(channels) + 1) if k not in taken)
                self._hue_of[name] = next(free)
        return tuple(self._hue_of[channel.name] for channel in channels)

    def _lay_out(self) -> None:
        groups: dict[str, list[int]] = {}
        for at, envelope in enumerate(self._envelopes):
            keys = {"by-unit": envelope.channel.unit, "each": str(at), "overlaid": ""}
            groups.setdefault(keys[self._arrangement], []).append(at)
        origin_s = self._whole().first_s
        own = self._arrangement == "overlaid"
        rows = [
            TraceRow([self._envelopes[k] for k in at], [self._hues[k] for k in at], origin_s, own_scales=own)
            for at in groups.values()
        ]
        for row in rows:
            row.smooth = self._smooth
            row.fit(self._view.first_s, self._view.last_s)
            row.set_ends(self._ends)
        self._canvas.set_rows(rows)
        self._choose_active()

    def _choose_active(self) -> None:
        named = [at for at, e in enumerate(self._envelopes) if e.channel.name == self._active]
        at = named[0] if named else 0
        chosen = self._envelopes[at : at + 1]
        self._control.snapper.envelope = chosen[0] if chosen else None
        self._canvas.active = chosen[0].channel.name if chosen else ""
        self._shown.level = self._levels.get(self._canvas.active)
        if self._control.walk.active:
            self._control.walk.end()
        self._overview.set_envelopes(chosen, self._hues[at : at + 1])
        for row in self._canvas.rows:
            row.set_active(self._active)
        self._canvas.redraw()

    @Slot(object)
    def _show(self, view: ViewRange) -> None:
        changed = view != self._view
        self._view = self._control.view = view
        self._canvas.show_range(view.start_s, view.end_s)
        self._overview.set_view(view)
        if changed:
            self.range_changed.emit(view.start_s, view.end_s)

    @Slot(object, object)
    def _keep_level(self, value: float | None, gesture: object) -> None:
        if value is None:
            self._levels.pop(self._canvas.active, None)
        else:
            self._levels[self._canvas.active] = value
        self.level_changed.emit(value, gesture)

    @Slot()
    def _envelope_grew(self) -> None:
        for row in self._canvas.rows:
            if row.fits_itself:
                row.fit(self._view.first_s, self._view.last_s)
        self._canvas.redraw()
        self._overview.redraw()
