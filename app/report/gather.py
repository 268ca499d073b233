"""What a report tells, worked out from a session before any of it is written."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from operator import attrgetter

from app.errors import CancelledError, SessionError, UsageError
from app.model.capture import Capture
from app.model.corrections import CorrectedBurst
from app.model.expressions import ChannelSource, channel_source
from app.model.items import DecodeRun, SessionData
from app.model.naming import BurstName, names_of_bursts
from app.model.shown import BurstBook, runs_of
from app.model.summary import Summary, summarise
from app.model.tolerance import Tolerance, tolerance_of
from app.report.samples import indices, segment_at
from app.report.timing import Interval, intervals
from dsp.edge_times import edge_times
from dsp.errors import BadInputError
from dsp.measure import SpanReadings, read_span

Progress = Callable[[float], None]
Cancelled = Callable[[], bool]

_LEVELS_OVER = 1 << 22


@dataclass(frozen=True, eq=False)
class ChannelReport:
    """One channel of one capture that has been decoded: its bursts as they stand, and what sums them up.

    ``names`` has what the user said of each burst. What is left out stands among ``bursts`` and is in no figure.
    """

    index: int
    capture: Capture
    channel: str
    unit: str
    source: ChannelSource
    tolerance: Tolerance
    runs: tuple[DecodeRun, ...]
    bursts: tuple[CorrectedBurst, ...]
    names: tuple[BurstName, ...]
    summary: Summary
    intervals: tuple[Interval, ...]

    @property
    def run(self) -> DecodeRun:
        """The newest decode."""
        return self.runs[-1]

    def start_std_s(self, one: CorrectedBurst) -> float | None:
        """Standard uncertainty of a burst's start on the capture's time axis."""
        found = edge_times(one.burst, 1 / self.capture.rate_hz)
        return None if found is None else self.tolerance.time_std(one.burst.start_s, found.start_std_s)

    @property
    def counted(self) -> tuple[CorrectedBurst, ...]:
        """The bursts that are not left out."""
        return tuple(one for one, said in zip(self.bursts, self.names, strict=True) if not said.excluded)

    @property
    def left_out(self) -> tuple[int, ...]:
        """Numbers of those that are."""
        return tuple(n for n, said in enumerate(self.names) if said.excluded)

    def levels(self) -> SpanReadings | None:
        """Those of the first segment of the newest decode's span; read anew at each call."""
        return _levels(self.capture, self.source, self.run.span_s, self.summary)

    @property
    def span_s(self) -> tuple[float, float]:
        return min(run.span_s[0] for run in self.runs), max(run.span_s[1] for run in self.runs)


def gathered(data: SessionData, cancelled: Cancelled | None = None) -> tuple[ChannelReport, ...]:
    """A part for each channel of ``data`` that has a decode, in the order of the captures.

    Raises
    ------
    app.errors.SessionError : a decode of a channel that the capture does not have.
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    keys = sorted({(run.capture, run.channel) for run in data.decodes})
    out = []
    for index, channel in keys:
        if cancelled is not None and cancelled():
            raise CancelledError("the report was cancelled")
        try:
            out.append(_channel(data, index, channel))
        except UsageError as error:
            raise SessionError(
                f"the decode of channel “{channel[:40]}” of {data.captures[index].name} cannot be shown: {error}"
            ) from error
    return tuple(out)


def _channel(data: SessionData, index: int, channel: str) -> ChannelReport:
    capture = data.captures[index]
    source = channel_source(capture, channel)
    tolerance = tolerance_of(capture)
    runs = runs_of(data, index, channel)
    bursts = tuple(sorted(BurstBook().bursts_of(data, index, channel), key=attrgetter("burst.start_s")))
    names = names_of_bursts(data, index, channel, bursts)
    said = tuple(zip(bursts, names, strict=True))
    automatic = tuple(one.burst for one, name in said if one.grid_of != "hand" and not name.excluded)
    omitted = tuple(one.burst for one, name in said if one.grid_of != "hand" and name.excluded)
    newest = runs[-1].result
    summary = summarise(replace(newest, bursts=automatic), source.unit, tolerance)
    edges_s = [segment.start_s for segment in capture.segments]
    return ChannelReport(
        index=index,
        capture=capture,
        channel=channel,
        unit=source.unit,
        source=source,
        tolerance=tolerance,
        runs=runs,
        bursts=bursts,
        names=names,
        summary=summary,
        intervals=intervals(automatic, edges_s, tolerance, omitted, sample_s=1 / capture.rate_hz),
    )


def _levels(
    capture: Capture,
    source: ChannelSource,
    span_s: tuple[float, float],
    summary: Summary,
) -> SpanReadings | None:
    """Readings of the first segment of the span, of at most some million samples."""
    first, last = indices(capture, segment_at(capture, span_s[0]), span_s)
    last = min(last, first + _LEVELS_OVER)
    if last - first < 2:
        return None
    try:
        return read_span(
            source.stored,
            capture.rate_hz,
            start=first,
            stop=last,
            scale=source.scale,
            offset=source.offset,
            unit=source.unit,
            carrier_hz=summary.carrier_hz.value if summary.carrier_hz else None,
        )
    except (BadInputError, UsageError):
        return None
