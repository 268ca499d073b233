"""A span as a SigMF pair (Signal Metadata Format 1.x, core namespace), with marks and bursts as annotations."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from app.files.export_common import Cancelled, Progress, SpanSamples, write_whole

META, DATA = ".sigmf-meta", ".sigmf-data"


@dataclass(frozen=True)
class Annotation:
    """Something to say about ``start_s`` to ``end_s``; an instant where both are the same."""

    start_s: float
    end_s: float
    label: str
    comment: str = ""
    low_hz: float | None = None
    high_hz: float | None = None


def write_sigmf(
    path: Path,
    span: SpanSamples,
    annotations: Sequence[Annotation],
    version: str,
    progress: Progress | None = None,
    cancelled: Cancelled | None = None,
) -> tuple[Path, Path]:
    """Write both files; values are in the channels' units, whose names stand in the description.

    Returns the paths of metadata and samples.

    Raises
    ------
    app.errors.UsageError : they cannot be written.
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    meta, data = path.with_suffix(META), path.with_suffix(DATA)
    digest = hashlib.sha512()

    def write(file: IO[bytes]) -> None:
        for _, _, values in span.pieces(progress, cancelled):
            raw = values.tobytes()
            digest.update(raw)
            file.write(raw)

    write_whole(data, write)
    document = _document(span, annotations, version, digest.hexdigest())
    text = json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    write_whole(meta, lambda file: file.write(text.encode("utf-8", "replace")))
    return meta, data


def _document(
    span: SpanSamples, annotations: Sequence[Annotation], version: str, sha512: str
) -> dict[str, Any]:
    capture = span.capture
    channels = ", ".join(f"{source.name} in {source.unit}" for source in span.sources)
    about = ": ".join(text for text in (capture.name, capture.label) if text)
    origin = span.segments[0]
    captures = []
    before = 0
    for segment in span.segments:
        apart = round((segment.start_s - origin.start_s) * capture.rate_hz)
        captures.append({"core:sample_start": before, "core:global_index": apart})
        before += segment.last - segment.first
    found = [one for each in annotations if (one := _annotation(span, each)) is not None]
    return {
        "global": {
            "core:datatype": "rf32_le" if span.dtype.itemsize == 4 else "rf64_le",
            "core:sample_rate": capture.rate_hz,
            "core:version": "1.0.0",
            "core:num_channels": len(span.sources),
            "core:sha512": sha512,
            "core:description": f"{about}; channels: {channels}; first sample at {origin.start_s!r} s",
            "core:recorder": f"halfturn {version}",
        },
        "captures": captures,
        "annotations": sorted(found, key=lambda one: one["core:sample_start"]),
    }


def _annotation(span: SpanSamples, one: Annotation) -> dict[str, Any] | None:
    """Sample numbers within the export; None where nothing of it is exported."""
    rate_hz = span.capture.rate_hz
    before = 0
    for segment in span.segments:
        count = segment.last - segment.first
        first = round((one.start_s - segment.start_s) * rate_hz)
        last = round((one.end_s - segment.start_s) * rate_hz)
        if last >= 0 and first < count:
            first, last = max(first, 0), min(max(last, first + 1), count)
            entry: dict[str, Any] = {
                "core:sample_start": before + first,
                "core:sample_count": last - first,
                "core:label": one.label,
            }
            if one.comment:
                entry["core:comment"] = one.comment
            if one.low_hz is not None and one.high_hz is not None:
                entry |= {"core:freq_lower_edge": one.low_hz, "core:freq_upper_edge": one.high_hz}
            return entry
        before += count
    return None
