"""The trace area as one widget; see `app.gui.trace.api` for what each setter and signal means."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property
from typing import TYPE_CHECKING

from PySide6.QtCore import Signal, Slot
from PySide6.QtWidgets import QVBoxLayout, QWidget

from app.gui.trace.api import ARRANGEMENTS, SNAPS, TOOLS, FlipView
from app.gui.trace.viewrange import ViewRange

if TYPE_CHECKING:
    from collections.abc import Callable

    from app.files.envelope_cache import EnvelopeCache
    from app.gui.trace.api import Arrangement, GridHandle, GridView, LaneBurst, Snap, Tool, TraceChannel
    from app.gui.trace.builder import EnvelopeBuilder
    from app.gui.trace.canvas import TraceCanvas
    from app.gui.trace.contents import TraceContents
    from app.gui.trace.control import TraceControl
    from app.gui.trace.curves import ChannelEnvelope
    from app.gui.trace.marks_shown import MarksShown
    from app.gui.trace.parts import TraceParts
    from app.model.items import Cursor, SpanMark


class TraceArea(QWidget):
    """Overview strip, trace and lane of decoded symbols over one time axis.

    What draws them is made with the first channels, or by `make`: loading it takes longer than showing an empty window.
    Envelopes of large mapped captures are kept in, and taken from, what ``cache`` gives.
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

    def __init__(
        self, parent: QWidget | None = None, cache: Callable[[], EnvelopeCache] | None = None
    ) -> None:
        super().__init__(parent)
        self.setObjectName("traceArea")
        self.setAccessibleName("Trace")
        self._cache = cache
        self._envelopes: tuple[ChannelEnvelope, ...] = ()
        self._arrangement: Arrangement = "each"
        self._tool: Tool = "pan"
        self._snap: frozenset[Snap] | None = None
        self._active = ""
        self._hue_of: dict[str, int] = {}
        self._hues: tuple[int, ...] = ()
        self._smooth = False
        self._ends: dict[str, tuple[float, float]] = {}
        self._levels: dict[str, float] = {}
        self._view = ViewRange.whole(0.0, 1.0, 1.0)
        self._layout = QVBoxLayout(self)
        self._layout.setContentsMargins(0, 0, 0, 0)
        self._layout.setSpacing(2)

    def make(self) -> None:
        """Load and make what draws, if that has not been done."""
        assert self._parts is not None

    @property
    def is_made(self) -> bool:
        return "_parts" in self.__dict__

    @cached_property
    def _parts(self) -> TraceParts:
        from app.gui.trace.parts import make_parts

        parts = make_parts(self, None if self._cache is None else self._cache())
        parts.control.machine.tool = self._tool
        if self._snap is not None:
            parts.control.snapper.targets = self._snap
        parts.control.level_changed.connect(self._keep_level)
        parts.control.range_wanted.connect(self._show)
        parts.overview.range_wanted.connect(self._show)
        parts.builder.grew.connect(self._envelope_grew)
        self.setFocusProxy(parts.canvas)
        self._layout.addWidget(parts.overview)
        self._layout.addWidget(parts.canvas, 1)
        return parts

    @property
    def _canvas(self) -> TraceCanvas:
        return self._parts.canvas

    @property
    def _control(self) -> TraceControl:
        return self._parts.control

    @property
    def _builder(self) -> EnvelopeBuilder:
        return self._parts.builder

    @property
    def _shown(self) -> MarksShown:
        return self._parts.shown

    # --- what is shown

    def set_channels(self, channels: Sequence[TraceChannel]) -> None:
        if not channels and not self.is_made:
            return
        from app.gui.trace.curves import ChannelEnvelope

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
        if cursors or self.is_made:
            self._shown.set_cursors(cursors)
            self._canvas.marks_changed()

    def set_flips(self, flips: Sequence[FlipView]) -> None:
        if flips or self.is_made:
            self._shown.set_flips(flips)
            self._control.walk.flips_changed()
            self._canvas.marks_changed()

    def set_lane(self, bursts: Sequence[LaneBurst]) -> None:
        if bursts or self.is_made:
            self._shown.set_lane(bursts)
            self._parts.overview.set_lane(self._shown.lane)
            self._canvas.marks_changed(lane=True)

    def set_span(self, span_s: tuple[float, float] | None) -> None:
        if span_s or self.is_made:
            self._shown.span_s = span_s
            self._canvas.marks_changed()

    def set_named_spans(self, spans: Sequence[SpanMark]) -> None:
        if spans or self.is_made:
            self._shown.set_named_spans(spans)
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
        if grid or self.is_made:
            self._shown.set_grid(grid)
            self._canvas.marks_changed()

    @property
    def level(self) -> float | None:
        """The level line of the active channel."""
        return self._shown.level if self.is_made else None

    def set_levels(self, levels: dict[str, float]) -> None:
        """Where the level lines of channels stand; the others have none."""
        self._levels = dict(levels)
        if self.is_made:
            self._shown.level = self._levels.get(self._canvas.active)
            self._canvas.marks_changed()

    def set_level(self, value: float | None) -> None:
        self._shown.level = value
        self._keep_level(value, None)
        self._canvas.marks_changed()

    def set_tool(self, tool: Tool) -> None:
        if tool not in TOOLS:
            raise ValueError(f"no tool {tool!r}: one of {', '.join(TOOLS)}")
        self._tool = tool
        if self.is_made:
            self._control.machine.tool = tool

    def set_snap(self, targets: Iterable[Snap]) -> None:
        wanted = frozenset(targets)
        if not wanted <= set(SNAPS):
            raise ValueError(f"no snapping to {', '.join(sorted(wanted - set(SNAPS)))}")
        self._snap = wanted
        if self.is_made:
            self._control.snapper.targets = wanted

    def set_arrangement(self, how: Arrangement) -> None:
        if how not in ARRANGEMENTS:
            raise ValueError(f"no arrangement {how!r}: one of {', '.join(ARRANGEMENTS)}")
        changed, self._arrangement = how != self._arrangement, how
        if changed and self.is_made:
            self._lay_out()
            self._show(self._view)

    def set_smooth(self, smooth: bool) -> None:
        self._smooth = smooth
        if self.is_made:
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
        self._parts.keys.select_grid()

    def select_flip_at(self, time_s: float) -> None:
        """The flip that stands there, if one does."""
        found = self._shown.flips.nearest(time_s)
        if found is not None and found.time_s == time_s:
            self._parts.keys.show_selected(found)

    def select_next_flip(self, step: int) -> None:
        selected = self._shown.selected
        flip = selected if isinstance(selected, FlipView) else None
        found = self._shown.flips.step(flip, self._view.start_s, step)
        if found is not None:
            self._parts.keys.show_selected(found)

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
        from app.gui.trace.contents import TraceContents

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
        if self.is_made:
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
        from app.gui.trace.rows import TraceRow

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
        self._parts.overview.set_envelopes(chosen, self._hues[at : at + 1])
        for row in self._canvas.rows:
            row.set_active(self._active)
        self._canvas.redraw()

    @Slot(object)
    def _show(self, view: ViewRange) -> None:
        changed = view != self._view
        self._view = self._control.view = view
        self._canvas.show_range(view.start_s, view.end_s)
        self._parts.overview.set_view(view)
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
        self._parts.overview.redraw()


def kept_envelopes() -> EnvelopeCache:
    """Those in the user's cache folder."""
    from app.files.envelope_cache import EnvelopeCache

    return EnvelopeCache()
