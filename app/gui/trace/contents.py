"""What the trace area shows at a moment, for whoever draws it elsewhere."""

from __future__ import annotations

from dataclasses import dataclass

from app.gui.trace.api import GridView
from app.gui.trace.curves import ChannelEnvelope
from app.gui.trace.marks_shown import FlipBook, LaneBook
from app.model.items import Cursor


@dataclass(frozen=True, eq=False)
class RowContents:
    """Channels that share an axis, or with ``own_scales`` lie over one another each on its own.

    ``hues`` chooses their colours, ``scales`` are the least and greatest value in view; all in the order of
    ``envelopes``. The axis is that of channel ``active``.
    """

    envelopes: tuple[ChannelEnvelope, ...]
    hues: tuple[int, ...]
    scales: tuple[tuple[float, float], ...]
    own_scales: bool
    active: int
    smooth: bool

    @property
    def active_name(self) -> str:
        """Name of the channel that the axis is of."""
        return self.envelopes[self.active].channel.name


@dataclass(frozen=True, eq=False)
class TraceContents:
    """``start_s`` to ``end_s`` is in view; curves are drawn relative to ``origin_s``. ``level`` is the row of the level
    line and its value on the axis of that row."""

    rows: tuple[RowContents, ...]
    start_s: float
    end_s: float
    origin_s: float
    cursors: tuple[Cursor, ...]
    flips: FlipBook
    lane: LaneBook
    span_s: tuple[float, float] | None
    grid: GridView | None = None
    level: tuple[int, float] | None = None

    @property
    def unread(self) -> bool:
        """Whether something in view is still to be read."""
        return any(
            envelope.unread_from_s(self.start_s, self.end_s, 1000) is not None
            for row in self.rows
            for envelope in row.envelopes
        )
