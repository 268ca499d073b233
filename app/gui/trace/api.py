"""What the trace area is given and what it reports.

`app.gui.trace.area.TraceArea` knows nothing of documents, files or decoding: it is given plain frozen
values by setters, draws them, and emits what the user wants as signals. It never changes a value it was
given; whoever owns the values changes them and calls the setter again.

Times
    Every time that goes in or comes out is a float in seconds on the capture's own axis (that of
    `TraceChannel.start_s` and `TraceSegment.start_s`). Inside, the area draws relative to an origin of
    its own, so large start times keep their precision.

Setters
    ``set_channels(channels)``
        what to draw; empties the view when empty. The envelope built for a channel
        is kept as long as its ``stored`` is the same object. Shows everything if
        the time axis changed, else keeps the visible range.
    ``set_cursors(cursors)``
        list of `app.model.items.Cursor`; drawn with their ``name``.
    ``set_flips(flips)``
        list of `FlipView`, in any order.
    ``set_lane(bursts)``
        list of `LaneBurst`, in any order.
    ``set_span((start_s, end_s))``
        the selected span, or None.
    ``set_named_spans(spans)``
        list of `app.model.items.SpanMark`; each drawn as a bracket with its name.
    ``set_value_ends({name: (low, high)})``
        ends of the value axes of channels that do not follow their values; the others do.
    ``set_grid(grid)``
        a `GridView`, or None: symbol edges through the rows, and a bar over the lane that can be dragged; its ends
        can be dragged as well, with the other end staying.
    ``set_levels({name: value})``
        a line at this value of the channel, which can be dragged; that of the active channel is shown.
        ``set_level(value)``, or None, is what the user wants for the active channel.
    ``set_tool(tool)``
        what a plain drag or click does, one of `TOOLS`:
        ``pan`` drag moves the view; ``zoom`` drag marks the stretch to fill the view;
        ``span`` drag selects a span; ``flip`` click places a flip, drag moves one.
        In every tool cursors, span edges and flip heads can be dragged, Shift+drag
        selects a span, the middle button pans, the wheel zooms.
    ``set_snap(targets)``
        any of `SNAPS`; empty: no snapping. Holding Alt turns snapping off for a drag.
    ``set_arrangement(how)``
        one of `ARRANGEMENTS`: channels of one unit share an axis, each has its own (until told), or all lie
        over one another, each on a scale of its own; the axis is then that of the active channel.
    ``set_smooth(smooth)``
        whether the curve between samples is the band-limited one where there is room; it says so itself.
    ``set_active_channel(name)``
        the channel that snapping looks at, and whose scale the wheel changes where several lie over one
        another; the first one until told.

Methods that actions may call
    ``show_range(start_s, end_s)``, ``visible_range() -> (start_s, end_s)``, ``zoom_all()``,
    ``zoom_by(factor)`` (below 1 shows less), ``zoom_to_span()``, ``pan_by(fraction)`` of the visible width,
    ``fit_values()`` (value axes to what is visible), ``place_flip()`` (at the pointer, else at the selected
    cursor, else mid-view), ``delete_flip()`` (the hovered, else the selected), ``select_next_flip(step)``,
    ``span_from_cursors()``, ``cancel()`` (as Escape). The keys are in `app.gui.trace.keys.KEYS`.
    ``walk()`` begins or ends stepping from one half cycle of the carrier to the next, with flips set by key
    (`app.gui.trace.walk`).
    ``stop()`` gives up building envelopes, to be called before the window closes.

Signals
    ``cursor_moved(key, time_s, gesture_id)``
        the cursor with that ``key`` should now stand at ``time_s``.
        Emitted at every step of a drag or an arrow key.
    ``flip_place_wanted(time_s)``
        a new flip by hand.
    ``flip_moved(flip, time_s, gesture_id)``
        ``flip`` is the `FlipView` *as it was when the gesture began*,
        the same object in every signal of the gesture, even when
        ``set_flips`` was called in between.
    ``flip_delete_wanted(flip)``
        a `FlipView` of any origin; of a ``removed`` one it means: take
        the removal back.
    ``grid_shaped(start_s, end_s, count, gesture_id)``
        the symbol grid should now have these ends and so many symbols.
    ``level_changed(value, gesture_id)``
        the user wants the level line of the active channel elsewhere, or none.
    ``walk_changed(on)``
        stepping has begun or ended.
    ``span_selected(start_s, end_s)``
        once, on release; ``start_s < end_s``.
    ``span_cleared()``
        the user wants no span.
    ``values_scaled(list, gesture_id)``
        pairs of a channel's name and the ends of its value axis that the user set, None where
        the axis is to follow the values again.
    ``range_changed(start_s, end_s)``
        the visible range is another now.
    ``mouse_hint(text)``
        what the mouse would do here; empty when it leaves.
    ``unreadable(error)``
        samples of a channel cannot be read, a `HalfturnError` says why; the trace ends before them.

Gesture ids
    One drag, or one key held down, is one gesture: all its signals carry the same ``gesture_id``, an opaque
    object to be compared by ``==`` and otherwise only kept. Undo takes back a gesture as a whole. A drag
    that the user cancels (Escape) ends with a signal that carries the time it began with.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from dsp.source import SampleSource

Tool = Literal["pan", "zoom", "span", "flip"]
Snap = Literal["crossing", "extremum", "level", "flip", "symbol"]
Arrangement = Literal["by-unit", "each", "overlaid"]
FlipOrigin = Literal["auto", "hand", "removed"]
ChannelEnds = tuple[str, tuple[float, float] | None]

TOOLS: tuple[Tool, ...] = ("pan", "zoom", "span", "flip")
FLIP_ORIGINS: tuple[FlipOrigin, ...] = ("auto", "removed", "hand")  # as drawn, one over the other
SNAPS: tuple[Snap, ...] = ("crossing", "extremum", "level", "flip", "symbol")
ARRANGEMENTS: tuple[Arrangement, ...] = ("by-unit", "each", "overlaid")


@dataclass(frozen=True)
class TraceSegment:
    """Samples ``[first, last)`` are contiguous; sample ``first`` was taken at ``start_s``."""

    first: int
    last: int
    start_s: float


@dataclass(frozen=True, eq=False)
class TraceChannel:
    """One channel to draw: ``value = stored * scale + offset`` in ``unit``.

    ``stored`` has a length and gives a one-dimensional array of any integer or float type for
    ``stored[a:b]``: an array, a memory map, or an object that computes a derived channel on demand. It is
    only ever read by slices, also from a second thread. ``segments`` empty means: all samples are
    contiguous from ``start_s``.
    """

    name: str
    unit: str
    stored: SampleSource
    rate_hz: float
    start_s: float = 0.0
    segments: tuple[TraceSegment, ...] = ()
    scale: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True)
class FlipView:
    """A flip as it is to be shown.

    ``interval_s`` is its 95 % interval. ``origin``: ``auto`` found by the decoder, ``hand`` placed by the
    user, ``removed`` found by the decoder and struck out by the user. ``key`` is the owner's handle, if any.
    """

    time_s: float
    interval_s: tuple[float, float] | None = None
    origin: FlipOrigin = "auto"
    key: int | None = None


@dataclass(frozen=True)
class GridView:
    """``count`` symbols from ``start_s`` to ``end_s``; ``text`` says how well they fit the flips."""

    start_s: float
    end_s: float
    count: int
    text: str = ""

    @property
    def period_s(self) -> float:
        return (self.end_s - self.start_s) / self.count


GridPart = Literal["whole", "end", "start"]


@dataclass(frozen=True)
class GridHandle:
    """What of the grid is taken hold of, and the time at which it stands; of the whole that is its start."""

    part: GridPart
    time_s: float


@dataclass(frozen=True)
class LaneBurst:
    """The decoded symbols of one burst; symbol ``k`` begins at ``first_symbol_s + k * symbol_period_s``.

    ``symbols`` has one character a symbol, ``confidence`` one probability a symbol (or is empty),
    ``changed`` one flag a symbol that is set where the user's flips gave another symbol (or is empty).
    """

    start_s: float
    end_s: float
    first_symbol_s: float
    symbol_period_s: float
    symbols: str
    confidence: Sequence[float] = ()
    changed: Sequence[bool] = ()
    talker: int | None = None
    carrier_hz: float | None = None
