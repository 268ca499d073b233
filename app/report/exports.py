"""What a session holds, written for other programs: bits, bursts, marks, and the samples of a span."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from app.errors import UsageError
from app.files.export_common import SpanSamples, write_whole
from app.files.export_samples import write_csv, write_npy, write_wav
from app.files.export_sigmf import DATA, META, Annotation, write_sigmf
from app.jobs.contract import BURST_FIELDS, SCHEMA, to_text
from app.jobs.spans import SpanLimits, select
from app.model.cells import csv_text
from app.model.expressions import channel_source
from app.model.items import SessionData
from app.report.gather import ChannelReport, gathered
from dsp.edge_times import edge_times

Progress = Callable[[float], None]
Cancelled = Callable[[], bool]

KINDS = ("bits", "bursts", "marks", "samples")
ENDINGS = {
    "bits": (".csv", ".json"),
    "bursts": (".csv", ".json"),
    "marks": (".csv",),
    "samples": (".csv", ".npy", ".wav", META),
}
"""What can be exported, and the endings of the files it can be exported to."""

BIT_FIELDS = (
    *("capture", "label", "channel", "burst", "start_s", "end_s", "talker", "line_code"),
    *("bits", "bits_by_hand", "least_confidence", "name", "excluded"),
)
MARK_FIELDS = ("kind", "capture", "start_s", "end_s", "text")
_LISTS = (
    "symbol_rate_alternatives_bd",
    "flips_s",
    "flips_interval_s",
    "confidence",
    "characters",
    "warnings",
)
_BURST_COLUMNS = (
    *("capture", "label", "channel", "unit", "burst"),
    *(name for name in BURST_FIELDS if name not in _LISTS),
    *("bits_by_hand", "name", "excluded", "start_std_s", "end_std_s"),
)


@dataclass(frozen=True)
class ExportRequest:
    """``capture`` is a number in the session, None for all; ``channel`` and ``span_s`` are for samples."""

    what: str
    path: Path
    capture: int | None = None
    channel: str | None = None
    span_s: SpanLimits | None = None


def export(
    data: SessionData,
    request: ExportRequest,
    version: str,
    progress: Progress | None = None,
    cancelled: Cancelled | None = None,
) -> tuple[Path, ...]:
    """Write what is asked for; the paths that were written.

    Raises
    ------
    app.errors.UsageError : no such kind or ending, nothing to export, or it cannot be written.
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    ending = request.path.suffix.lower()
    if request.what not in KINDS:
        raise UsageError(f"{request.what!r} cannot be exported; choose from {', '.join(KINDS)}")
    if ending == DATA and request.what == "samples":
        ending = META
    if ending not in ENDINGS[request.what]:
        known = ", ".join(ENDINGS[request.what])
        raise UsageError(f"{request.path}: {request.what} are exported to files that end in {known}")
    if request.what == "samples":
        return _samples(data, request, ending, version, progress, cancelled)
    if request.what == "marks":
        text = _csv(MARK_FIELDS, marks(data, request.capture))
    else:
        parts = [part for part in gathered(data, cancelled) if request.capture in (None, part.index)]
        rows = (bits if request.what == "bits" else bursts)(parts)
        columns = BIT_FIELDS if request.what == "bits" else _BURST_COLUMNS
        if ending == ".csv":
            text = _csv(columns, rows)
        else:
            text = to_text({"halfturn": version, "schema": SCHEMA, request.what: rows})
    write_whole(request.path, lambda file: file.write(text.encode("utf-8", "replace")))
    return (request.path,)


def bits(parts: Sequence[ChannelReport]) -> list[dict[str, Any]]:
    """One entry a burst; ``bits`` are the decoder's, ``bits_by_hand`` what the user's flips make of them, else None.

    ``excluded`` bursts, which the user left out, have all their fields, too.
    """
    out = []
    for part in parts:
        for number, (one, said) in enumerate(zip(part.bursts, part.names, strict=True)):
            burst = one.burst
            out.append(
                {
                    **_where(part),
                    "burst": number,
                    "start_s": burst.start_s,
                    "end_s": burst.end_s,
                    "talker": burst.talker,
                    "line_code": burst.line_code,
                    "bits": burst.bits if one.grid_of != "hand" else "",
                    "bits_by_hand": one.bits if one.marks else None,
                    "least_confidence": min(burst.confidence, default=None),
                    "name": said.name,
                    "excluded": said.excluded,
                }
            )
    return out


def bursts(parts: Sequence[ChannelReport]) -> list[dict[str, Any]]:
    """One entry a burst, with the fields of ``decode --json``, ``bits_by_hand``, and uncertainties of both ends."""
    out = []
    for part in parts:
        for number, (one, said) in enumerate(zip(part.bursts, part.names, strict=True)):
            burst = part.tolerance.burst(one.burst)
            entry: dict[str, Any] = {name: getattr(burst, name) for name in BURST_FIELDS}
            if burst.characters is not None:
                entry["characters"] = [asdict(character) for character in burst.characters]
            by_hand = {"bits_by_hand": one.bits if one.marks else None, **asdict(said)}
            edges = edge_times(burst, 1 / part.capture.rate_hz)
            stds = (None, None) if edges is None else (edges.start_std_s, edges.end_std_s)
            known = {
                "start_std_s": part.tolerance.time_std(burst.start_s, stds[0]),
                "end_std_s": part.tolerance.time_std(burst.end_s, stds[1]),
            }
            out.append({**_where(part), "unit": part.unit, "burst": number, **entry, **by_hand, **known})
    return out


def marks(data: SessionData, capture: int | None = None) -> list[dict[str, Any]]:
    """Spans, cursors, flips by hand, names of bursts and notes, in order of capture and time."""
    rows: list[tuple[int, str, float | None, float | None, str]] = []
    rows += [(s.capture, "span", s.start_s, s.end_s, s.name) for s in data.spans]
    rows += [(c.capture, "cursor", c.time_s, None, c.name) for c in data.cursors]
    rows += [(f.capture, "no flip" if f.removes else "flip", f.time_s, None, "") for f in data.flips]
    rows += [(-1 if n.capture is None else n.capture, "note", n.time_s, None, n.text) for n in data.notes]
    rows += [
        (m.capture, "burst left out" if m.excluded else "burst", m.time_s, None, m.name)
        for m in data.burst_marks
    ]
    kept = [row for row in rows if capture is None or row[0] == capture]
    kept.sort(key=lambda row: (row[0], -math.inf if row[2] is None else row[2]))
    return [
        {
            "kind": kind,
            "capture": "" if at < 0 else data.captures[at].name,
            "start_s": start,
            "end_s": end,
            "text": text,
        }
        for at, kind, start, end, text in kept
    ]


def annotations_of(data: SessionData, capture: int, channel: str | None) -> list[Annotation]:
    """What is known of a capture, as SigMF says it."""
    out = [
        Annotation(
            row["start_s"], row["start_s"] if row["end_s"] is None else row["end_s"], row["kind"], row["text"]
        )
        for row in marks(replace(data, burst_marks=()), capture)
        if row["start_s"] is not None
    ]
    for part in gathered(data):
        if part.index != capture or channel not in (None, part.channel):
            continue
        for number, (one, said) in enumerate(zip(part.bursts, part.names, strict=True)):
            low = high = None
            if one.burst.carrier_hz and one.burst.symbol_rate_bd:
                # the main lobe of keying by half turns
                low = max(0.0, one.burst.carrier_hz - one.burst.symbol_rate_bd)
                high = one.burst.carrier_hz + one.burst.symbol_rate_bd
            talker = "" if one.burst.talker is None else f", talker {one.burst.talker}"
            about = f" ({said.text})" if said.text else ""
            found = f"{part.channel}{about}: {one.bits if one.bits is not None else one.burst.bits}"
            out.append(
                Annotation(one.burst.start_s, one.burst.end_s, f"burst {number}{talker}", found, low, high)
            )
    return out


def _samples(
    data: SessionData,
    request: ExportRequest,
    ending: str,
    version: str,
    progress: Progress | None,
    cancelled: Cancelled | None,
) -> tuple[Path, ...]:
    index = request.capture
    if index is None and len(data.captures) == 1:
        index = 0
    if index is None or not 0 <= index < len(data.captures):
        raise UsageError(f"the samples of one capture are exported; name one of the {len(data.captures)}")
    capture = data.captures[index]
    names = [None] if request.channel else [channel.name for channel in capture.channels]
    sources = tuple(channel_source(capture, request.channel or name) for name in names)
    span = SpanSamples(capture, sources, select(capture, request.span_s).segments)
    if ending == META:
        found = annotations_of(data, index, request.channel)
        return write_sigmf(request.path, span, found, version, progress, cancelled)
    write = {".csv": write_csv, ".npy": write_npy, ".wav": write_wav}[ending]
    write(request.path, span, progress, cancelled)
    return (request.path,)


def _where(part: ChannelReport) -> dict[str, Any]:
    return {"capture": part.capture.name, "label": part.capture.label, "channel": part.channel}


def _csv(columns: Sequence[str], rows: Sequence[dict[str, Any]]) -> str:
    return csv_text(columns, ([row[name] for name in columns] for row in rows))
