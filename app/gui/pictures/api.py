"""What a picture is made of, and what it is made from; plain frozen values, no Qt.

A kind of picture is a pure function from a `PictureRequest` to a `Picture`, run off the window's thread. One view
draws every picture, since all are curves, points, bars, lines and images.
What works them out is imported with the first picture: the window opens sooner without it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from app.errors import CancelledError, UsageError
from app.model.capture import Capture
from app.model.expressions import channel_source

if TYPE_CHECKING:
    from app.model.corrections import CorrectedBurst
    from dsp.picture_phase import SymbolGrid
    from dsp.source import Record, SampleSource

Floats = NDArray[np.float64]

MOST_BURSTS = 2000
"""Bursts that one picture looks at; of more, evenly spread ones."""


class NoPictureError(UsageError):
    """There is nothing to draw; the message says what is missing."""


class _Watched:
    """Samples that are given out only while nobody has cancelled: every picture reads them piece by piece."""

    def __init__(self, stored: SampleSource, cancelled: Callable[[], bool]) -> None:
        self._stored = stored
        self._cancelled = cancelled

    def __len__(self) -> int:
        return len(self._stored)

    def __getitem__(self, key: slice) -> NDArray[Any]:
        if self._cancelled():
            raise CancelledError
        return self._stored[key]


@dataclass(frozen=True, eq=False)
class PictureRequest:
    """``bursts`` are those that the picture is of, each with its number in the table; ``whole_burst`` tells that it
    is of one selected burst, else ``span_s`` is what is in view. ``choice`` is one of the kind's choices. With
    ``cancelled``, samples are read only as long as it answers False."""

    capture: Capture
    channel: str
    span_s: tuple[float, float]
    bursts: tuple[tuple[int, CorrectedBurst], ...]
    whole_burst: bool = False
    choice: str = ""
    cancelled: Callable[[], bool] | None = None

    def record(self) -> Record:
        """The channel to read samples from.

        Raises, when samples are read
        -----------------------------
        CancelledError : the user had enough of waiting.
        """
        from dsp.source import make_record

        source = channel_source(self.capture, self.channel)
        segments = tuple((part.first, part.last, part.start_s) for part in self.capture.segments)
        stored = source.stored if self.cancelled is None else _Watched(source.stored, self.cancelled)
        return make_record(
            stored, self.capture.rate_hz, self.capture.start_s, source.scale, source.offset, segments
        )

    @property
    def unit(self) -> str:
        return channel_source(self.capture, self.channel).unit

    def samples(self) -> tuple[int, int]:
        """The samples in the span, half open."""
        rate_hz = self.capture.rate_hz
        inside = []
        for part in self.capture.segments:
            first = part.first + (self.span_s[0] - part.start_s) * rate_hz
            last = part.first + (self.span_s[1] - part.start_s) * rate_hz
            first, last = max(first, part.first), min(last, part.last)
            if last > first:
                inside.append((int(np.ceil(first - 1e-6)), int(np.ceil(last - 1e-6))))
        if not inside:
            raise NoPictureError("There are no samples in view.")
        return inside[0][0], inside[-1][1]

    @property
    def carrier_hz(self) -> float | None:
        """That of the first burst which has one."""
        return next((one.basis.carrier_hz for _, one in self.bursts if one.basis.carrier_hz), None)

    def carrier(self) -> float:
        if self.carrier_hz is None:
            raise NoPictureError(
                f"No burst with a carrier {self.where}: decode first, or show another stretch."
            )
        return self.carrier_hz

    @property
    def where(self) -> str:
        return "is selected" if self.whole_burst else "is in view"

    def grids(self) -> tuple[list[SymbolGrid], list[int]]:
        """Symbol grids of the bursts, and the number of each burst in the table."""
        from dsp.picture_phase import SymbolGrid

        found = [
            (SymbolGrid(one.basis.first_symbol_s, 1 / one.basis.symbol_rate_bd, len(one.symbols)), number)
            for number, one in self.bursts
            if one.basis.symbol_rate_bd and one.symbols
        ]
        if not found:
            raise NoPictureError(
                f"No burst with symbols {self.where}: decode first, or show another stretch."
            )
        return [grid for grid, _ in found], [number for _, number in found]


@dataclass(frozen=True)
class Place:
    """What a click in a picture means: a burst by its number in the table, or an instant, or both."""

    burst: int | None = None
    time_s: float | None = None


@dataclass(frozen=True, eq=False)
class Curve:
    """``strong`` stands out from the others, ``faint`` stays behind. nan leaves a gap."""

    x: Floats
    y: Floats
    name: str = ""
    strong: bool = False
    faint: bool = False


@dataclass(frozen=True, eq=False)
class Points:
    """``group`` chooses colour and shape together; ``errors``, if any, are standard uncertainties along y."""

    x: Floats
    y: Floats
    name: str = ""
    group: int = 0
    errors: Floats | None = None


@dataclass(frozen=True, eq=False)
class Bars:
    """``edges`` has one value more than ``counts``."""

    edges: Floats
    counts: Floats


@dataclass(frozen=True, eq=False)
class Pixels:
    """``values`` of shape (rows, columns), the first row on top, over ``x`` from left to right."""

    values: Floats
    x: tuple[float, float]


@dataclass(frozen=True)
class Marker:
    """A line at one place of an axis, with words beside it; a ``short`` one does not cover what it points at."""

    at: float
    text: str
    upright: bool = True
    short: bool = False


Layer = Curve | Points | Bars | Pixels | Marker


@dataclass(frozen=True, eq=False)
class Picture:
    """``note`` tells what went into it and what was left out. ``columns`` are what is exported as a table.

    ``find`` turns a click at (x, y), where a pixel is (width, height) of the axes wide and high, into a `Place`.
    """

    title: str
    x_label: str
    x_unit: str
    y_label: str
    y_unit: str
    layers: tuple[Layer, ...]
    columns: tuple[tuple[str, Floats], ...]
    note: str = ""
    find: Callable[[float, float, float, float], Place | None] | None = None
    square: bool = False


@dataclass(frozen=True)
class PictureKind:
    """``choices`` are (key, words) that the user may choose among; the first is taken at first."""

    name: str
    title: str
    tip: str
    make: Callable[[PictureRequest], Picture]
    choices: tuple[tuple[str, str], ...] = ()
    choice_label: str = ""


def nearest(
    xs: Floats, ys: Floats, places: list[Place], reach_px: float = 12.0
) -> Callable[[float, float, float, float], Place | None]:
    """Finds the place of the point nearest to a click."""

    def find(x: float, y: float, wide: float, high: float) -> Place | None:
        if not len(places):
            return None
        distance: Any = np.hypot((xs - x) / wide, (ys - y) / high)
        distance = np.where(np.isfinite(distance), distance, np.inf)
        at = int(np.argmin(distance))
        return places[at] if distance[at] <= reach_px else None

    return find


def at_time(x: float, _y: float, _wide: float, _high: float) -> Place:
    """A click on a time axis means that instant."""
    return Place(time_s=x)


def count_text(count: int, what: str) -> str:
    return f"{count:,} {what}{'' if count == 1 else 's'}".replace(",", " ")
