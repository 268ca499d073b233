"""What a session holds besides samples: plain frozen values, no behaviour, no Qt.

Every item names the capture it stands on by that capture's index in the session; times are seconds on
the capture's own axis. ``key`` is unique within the session and never reused, so that commands and
views can refer to an item without holding it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from app.model.capture import Capture

if TYPE_CHECKING:
    from dsp.results import Decode


@dataclass(frozen=True)
class Cursor:
    key: int
    capture: int
    name: str
    time_s: float


@dataclass(frozen=True)
class SpanMark:
    key: int
    capture: int
    name: str
    start_s: float
    end_s: float


@dataclass(frozen=True)
class FlipMark:
    """A flip set by hand. ``removes`` marks the opposite: here the user says there is *no* flip."""

    key: int
    capture: int
    time_s: float
    removes: bool = False


@dataclass(frozen=True)
class Note:
    key: int
    capture: int | None
    time_s: float | None
    text: str


@dataclass(frozen=True)
class BurstMark:
    """What the user says of the burst of ``channel`` that holds ``time_s``: its name, and whether it is left out."""

    key: int
    capture: int
    channel: str
    time_s: float
    name: str = ""
    excluded: bool = False


@dataclass(frozen=True)
class ChannelLook:
    """How a channel is drawn, where the user chose it: not at all, or with ``values`` as ends of its axis.

    ``channel`` is the name of one of the capture's channels or an expression on them. ``values`` None: as they come.
    ``level`` is where its level line stands, in the channel's unit; None without one.
    """

    key: int
    capture: int
    channel: str
    hidden: bool = False
    values: tuple[float, float] | None = None
    level: float | None = None


@dataclass(frozen=True)
class Pin:
    """A reading that was kept as it was: ``value`` in ``unit`` with its standard uncertainty, None if unknown.

    ``place`` says what it was read of, such as ``A to B``; ``quantity`` which reading it is.
    """

    key: int
    capture: int
    name: str
    quantity: str
    place: str
    value: float
    std: float | None
    unit: str


@dataclass(frozen=True)
class DecodeRun:
    """One decode of one channel over one span, as it came out; hand corrections are kept apart."""

    key: int
    capture: int
    channel: str
    span_s: tuple[float, float]
    program_version: str
    samples_sha256: str
    result: Decode


@dataclass(frozen=True, eq=False)
class SessionData:
    """All that a session file holds."""

    captures: tuple[Capture, ...] = ()
    cursors: tuple[Cursor, ...] = ()
    spans: tuple[SpanMark, ...] = ()
    flips: tuple[FlipMark, ...] = ()
    notes: tuple[Note, ...] = ()
    decodes: tuple[DecodeRun, ...] = ()
    burst_marks: tuple[BurstMark, ...] = ()
    pins: tuple[Pin, ...] = ()
    looks: tuple[ChannelLook, ...] = ()
    created: str = ""
    next_key: int = 1
