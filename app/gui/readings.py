"""What the readings panel shows, worked out from one frozen request, off the window's thread."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.errors import CancelledError
from app.gui.grid_texts import grid_rows
from app.gui.hand_texts import difference_text, rate_text, rates_text, scatter_text
from app.gui.readings_tools import ReadingRow, counted, measured, segment_of, tool_rows
from app.model.capture import Capture
from app.model.expressions import ChannelSource, channel_source
from app.model.items import Cursor
from app.model.symbol_grid import SymbolGrid
from app.model.tolerance import Tolerance, tolerance_of
from dsp.errors import BadInputError
from dsp.hand import GridFit, fit_grid
from dsp.hand_flips import OFF_GRID, compare_flips, union_symbols
from dsp.measure import SpanReadings, noise_std, read_span
from dsp.results import Refusal
from dsp.source import SampleSource

_AROUND = 2048
"""Samples on either side of a cursor from which the noise there is taken."""
_SEVERAL_SEGMENTS = "not within one segment"
_SYMBOLS_SHOWN = 64
_LONG = 1 << 23
"""Samples of a stretch from which its readings come in two steps."""


@dataclass(frozen=True, eq=False)
class ReadingsRequest:
    """``flips_s`` are those that count after correction; ``carrier_hz`` and ``symbol_rate_bd`` are a decode's, or None.

    ``hand_s`` are the flips set by hand, ``denied_s`` where the hand says that there is none, and ``automatic_s``
    those that the decoder found.
    """

    capture: Capture
    channel: str
    cursors: tuple[Cursor, ...]
    span_s: tuple[float, float] | None
    flips_s: tuple[float, ...] = ()
    carrier_hz: float | None = None
    symbol_rate_bd: float | None = None
    hand_s: tuple[float, ...] = ()
    denied_s: tuple[float, ...] = ()
    automatic_s: tuple[float, ...] = ()
    grid: SymbolGrid | None = None
    cancelled: Callable[[], bool] | None = None
    brief: bool = False


@dataclass(frozen=True, eq=False)
class _Stoppable:
    """Samples that are no longer given when nobody waits for what is worked out of them."""

    samples: SampleSource
    cancelled: Callable[[], bool]

    def __len__(self) -> int:
        return len(self.samples)

    def __getitem__(self, key: slice, /) -> NDArray[Any]:
        if self.cancelled():
            raise CancelledError
        return np.asarray(self.samples[key])


def takes_long(request: ReadingsRequest) -> bool:
    """Whether a stretch is so long that going through its samples is noticed."""
    times_s = [cursor.time_s for cursor in request.cursors]
    stretches = [(min(times_s), max(times_s))] if times_s else []
    stretches += [request.span_s] if request.span_s is not None else []
    return any((end_s - start_s) * request.capture.rate_hz > _LONG for start_s, end_s in stretches)


def readings(
    request: ReadingsRequest, cancelled: Callable[[], bool] | None = None, *, brief: bool = False
) -> tuple[ReadingRow, ...]:
    """Cursors one by one, what lies between the first and the last, and the selected span.

    ``brief`` leaves out what needs every sample of a stretch, and says that it is to come.

    Raises
    ------
    CancelledError : as soon as ``cancelled`` says so.
    """
    request = replace(request, cancelled=cancelled or request.cancelled, brief=brief)
    source = channel_source(request.capture, request.channel)
    known = tolerance_of(request.capture)
    cursors = sorted(request.cursors, key=lambda cursor: cursor.time_s)
    rows: list[ReadingRow] = []
    for cursor in cursors:
        rows += _cursor(request.capture, source, known, cursor)
    if len(cursors) > 1:
        first, last = cursors[0], cursors[-1]
        rows += _stretch(request, source, known, f"{first.name} to {last.name}", (first.time_s, last.time_s))
    if len(cursors) > 2:
        for one, other in pairwise(cursors):
            times = _times(request.capture, known, other.time_s - one.time_s)
            rows += [ReadingRow(f"{one.name} to {other.name}"), *times]
            rows += _step(request.capture, source, known, one.time_s, other.time_s)
    if request.span_s is not None:
        rows += _stretch(request, source, known, "Selected span", request.span_s)
    if request.grid is not None:
        rows += grid_rows(request.grid, list(request.hand_s), _not_denied(request, request.grid), known)
    return (*rows, *_instrument(request.capture))


def _cursor(capture: Capture, source: ChannelSource, known: Tolerance, cursor: Cursor) -> list[ReadingRow]:
    # the time base runs from the capture's own zero, which the instrument sets exactly
    std = known.time_std(cursor.time_s, _placed_std(capture, 1))
    return [
        ReadingRow(f"Cursor {cursor.name}"),
        measured(
            "time", cursor.time_s, std, "s", "Where the cursor stands; uncertainty: one sample interval"
        ),
        _value_at(capture, source, known, cursor.time_s),
    ]


def _not_denied(request: ReadingsRequest, grid: SymbolGrid) -> list[float]:
    """The automatic flips about a grid, less those that the hand denies."""
    low_s, high_s = grid.start_s - grid.period_s, grid.end_s + grid.period_s
    near = [at for at in request.automatic_s if low_s <= at <= high_s]
    denied = [at for at in request.denied_s if low_s <= at <= high_s]
    return [at for at in near if not any(abs(at - other) <= OFF_GRID * grid.period_s for other in denied)]


def value_at(capture: Capture, source: ChannelSource, time_s: float) -> tuple[float, float | None] | None:
    """Value on the straight line between two samples, and its standard uncertainty; None outside every segment."""
    segment = segment_of(capture, time_s, time_s)
    if segment is None:
        return None
    place = segment.first + (time_s - segment.start_s) * capture.rate_hz
    index = min(max(math.floor(place), segment.first), segment.last - 1)
    first, last = max(index - _AROUND, segment.first), min(index + _AROUND, segment.last)
    around = np.asarray(source[first:last], np.float64)
    pair = around[index - first : index - first + 2]
    value = float(pair[0] + (place - index) * (pair[-1] - pair[0]))
    noise = noise_std(around)
    # a step of the converter spreads evenly: JCGM 100:2008, F.2.2.1
    step = abs(source.scale) if np.asarray(source.stored[0:0]).dtype.kind in "iu" else 0.0
    return value, math.hypot(noise, step / math.sqrt(12)) if math.isfinite(noise) else None


def _value_at(capture: Capture, source: ChannelSource, known: Tolerance, time_s: float) -> ReadingRow:
    found = value_at(capture, source, time_s)
    if found is None:
        return ReadingRow("value", "no sample here", _VALUE)
    if not math.isfinite(found[0]):
        return ReadingRow("value", "not a finite number", _VALUE)
    return measured("value", found[0], known.gain_std(*found), source.unit, _VALUE)


_VALUE = "On the straight line between two samples; uncertainty: noise and step"


def _stretch(
    request: ReadingsRequest, source: ChannelSource, known: Tolerance, title: str, span_s: tuple[float, float]
) -> list[ReadingRow]:
    start_s, end_s = span_s
    rows = [ReadingRow(title), *_times(request.capture, known, end_s - start_s)]
    rows += _step(request.capture, source, known, start_s, end_s)
    if request.brief:
        return [*rows, ReadingRow("mean, RMS, …", "being worked out…", _TO_COME)]
    inside = sum(start_s <= flip < end_s for flip in request.flips_s)
    found = _read(request, source, span_s)
    if isinstance(found, str):
        return [*rows, ReadingRow("samples", found, "Nothing is measured across the edge of a segment")]
    rows += _cycles(found, known)
    rows.append(counted("flips", inside, "Flips within, after your corrections"))
    rows += tool_rows(request.capture, source, known, span_s, found, request.flips_s, request.symbol_rate_bd)
    levels = (
        ("mean", found.mean, "Of all samples within"),
        ("RMS", found.rms, "Root of the mean square, about zero"),
        ("peak to peak", found.peak_to_peak, "Greatest less least sample"),
        ("slope", found.slope, "Of the straight line fitted by least squares"),
    )
    rows += [
        measured(name, one.value, known.gain_std(one.value, one.std), one.unit, tip)
        for name, one, tip in levels
    ]
    return rows + _by_hand(request, known, span_s)


_TO_COME = "Every sample of a long stretch is read for these; go on meanwhile"


def _by_hand(request: ReadingsRequest, known: Tolerance, span_s: tuple[float, float]) -> list[ReadingRow]:
    """What the flips set by hand in a stretch tell; nothing where there is none."""

    def within(times_s: tuple[float, ...]) -> list[float]:
        return [time_s for time_s in times_s if span_s[0] <= time_s < span_s[1]]

    hand_s, automatic_s = within(request.hand_s), within(request.automatic_s)
    if not hand_s:
        return []
    grid = fit_grid(hand_s)
    rows = [ReadingRow("your flips", str(len(hand_s)), "Set by hand within"), *_grid(grid, hand_s, known)]
    period_s = None if not request.symbol_rate_bd else 1 / request.symbol_rate_bd
    if isinstance(grid, GridFit) and not grid.is_ambiguous:
        period_s = grid.period_s
    if not automatic_s or period_s is None:
        return rows
    found = compare_flips(automatic_s, hand_s, period_s=period_s, denied_s=within(request.denied_s))
    said = f"{found.agreed} agreed, {found.missed} missed, {found.extra} extra"
    rows.append(ReadingRow("against automatic", said, _COMPARED))
    difference = difference_text(found, known)
    if difference:
        rows.append(ReadingRow("yours less automatic", difference, "Mean over those agreed"))
    return rows


_COMPARED = "Agreed: within a quarter symbol of an automatic flip; missed: only yours; extra: automatic, removed by you"


def _grid(grid: GridFit | Refusal, hand_s: list[float], known: Tolerance) -> list[ReadingRow]:
    if isinstance(grid, Refusal):
        return [ReadingRow("symbol rate by hand", "not settled", grid.text)]
    rows = [
        ReadingRow("symbol rate by hand", rate_text(grid, known), "Of the grid fitted to your flips"),
        ReadingRow("scatter by hand", scatter_text(grid), "Of your flips about its edges, root mean square"),
    ]
    if grid.outliers:
        rows.append(ReadingRow("off the grid", str(len(grid.outliers)), "Of your flips; left out of the fit"))
    if grid.alternatives_bd:
        rows.append(ReadingRow("also possible", rates_text(grid.alternatives_bd), "Rates not ruled out"))
    if grid.is_ambiguous:
        return [*rows, ReadingRow("symbols by hand", "not settled", "Too few flips to be sure of the rate")]
    on = [time_s for i, time_s in enumerate(hand_s) if i not in grid.outliers]
    symbols = union_symbols(grid, hand_s, span_s=(min(on), max(on))).symbols
    shown = symbols if len(symbols) <= _SYMBOLS_SHOWN else symbols[:_SYMBOLS_SHOWN] + "…"
    return [*rows, ReadingRow("symbols by hand", shown, "Between your first and last flip, the first as 1")]


def _times(capture: Capture, known: Tolerance, length_s: float) -> list[ReadingRow]:
    std = known.time_std(length_s, _placed_std(capture, 2))
    rows = [measured("difference", length_s, std, "s", _PLACED)]
    if length_s > 0 and std is not None:
        rows.append(measured("1 / difference", 1 / length_s, std / length_s**2, "Hz", _PLACED))
    return rows


def _placed_std(capture: Capture, ends: int) -> float:
    """Each end stands somewhere within one sample interval: evenly spread, JCGM 100:2008, 4.3.7."""
    return math.sqrt(ends / 12) / capture.rate_hz


def _step(
    capture: Capture, source: ChannelSource, known: Tolerance, start_s: float, end_s: float
) -> list[ReadingRow]:
    """Value at the end less that at the start; the noise of both, and the gain of the difference."""
    first, last = value_at(capture, source, start_s), value_at(capture, source, end_s)
    if first is None or last is None or not math.isfinite(last[0] - first[0]):
        return []
    std = None if first[1] is None or last[1] is None else math.hypot(first[1], last[1])
    step = last[0] - first[0]
    return [measured("value difference", step, known.gain_std(step, std), source.unit, _STEP)]


_STEP = "Value at the end less value at the start; uncertainty: noise and step at both, and the gain"
_PLACED = "Uncertainty: one sample interval at each end, and the time base"


def _read(request: ReadingsRequest, source: ChannelSource, span_s: tuple[float, float]) -> SpanReadings | str:
    capture = request.capture
    segment = segment_of(capture, *span_s)
    if segment is None:
        return _SEVERAL_SEGMENTS
    start = segment.first + math.ceil((span_s[0] - segment.start_s) * capture.rate_hz)
    stop = segment.first + math.ceil((span_s[1] - segment.start_s) * capture.rate_hz)
    start, stop = max(start, segment.first), min(stop, segment.last)
    if stop - start < 2:
        return "fewer than two"
    try:
        return read_span(
            source.stored if request.cancelled is None else _Stoppable(source.stored, request.cancelled),
            capture.rate_hz,
            start=start,
            stop=stop,
            scale=source.scale,
            offset=source.offset,
            unit=source.unit,
            carrier_hz=request.carrier_hz,
        )
    except BadInputError as error:
        return str(error)


def _cycles(found: SpanReadings, known: Tolerance) -> list[ReadingRow]:
    if found.carrier is None:
        return [
            ReadingRow("frequency", "no steady oscillation", "Fewer than four crossings, or too many samples")
        ]
    tone = found.carrier.frequency
    std = known.time_std(tone.value, tone.std)
    return [
        measured("frequency", tone.value, std, "Hz", "From the crossings of the middle level"),
        counted("whole cycles", found.carrier.whole_cycles, "Between the first and the last crossing"),
        counted("crossings", found.carrier.crossings, "Of the middle level, in both directions"),
    ]


def _instrument(capture: Capture) -> list[ReadingRow]:
    tip = "File > Describe capture… states it; then it is part of every uncertainty shown"
    rows = []
    if capture.timebase_ppm is None:
        rows.append(ReadingRow("time base tolerance", "not stated", tip))
    if capture.gain_percent is None:
        rows.append(ReadingRow("gain tolerance", "not stated", tip))
    return [ReadingRow("Instrument"), *rows] if rows else []
