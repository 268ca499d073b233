"""A SigMF pair: a JSON file of metadata beside a file of raw samples, which is mapped.

Signal Metadata Format Specification 1.x (core namespace): datatype, sample rate, number of channels, offset,
captures and annotations are read; of these label, comment and extent, as named spans. Of a dataset that does not
conform (``core:dataset``, ``core:header_bytes`` before each capture, ``core:trailing_bytes``) the samples are found
between what is none.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.errors import CaptureError, one_line
from app.files.capture_common import Head, finish, make_channels
from app.files.capture_options import HIGHEST_RATE_HZ, LOWEST_RATE_HZ, ReadOptions, Watch, counted
from app.model.capture import Capture, NamedSpan, Segment
from dsp.results import Notice

META, DATA = ".sigmf-meta", ".sigmf-data"

_TYPE = re.compile(r"(?P<kind>[cr])(?P<number>[fiu])(?P<bits>8|16|32|64)(?P<order>_le|_be)?")
_LARGEST_META = 64 << 20
_MOST_ANNOTATIONS = 1000
_MOST_READ_BYTES = 2 << 30
_LONGEST_NAME = 80


def is_sigmf(head: Head) -> bool:
    """Whether ``head`` is either file of a pair."""
    if head.suffix == DATA:
        return head.path.with_suffix(META).is_file()
    return head.start.lstrip()[:1] == b"{" and (head.suffix == META or b'"core:datatype"' in head.start)


def read_sigmf(head: Head, options: ReadOptions, watch: Watch) -> Capture:
    """Map the samples that the metadata describe.

    Raises
    ------
    app.errors.CaptureError : metadata damaged or of an unknown type, the other file missing or empty.
    """
    meta_path = head.path.with_suffix(META) if head.suffix == DATA else head.path
    meta = _object(meta_path)
    about = _part(meta_path, meta, "global", dict)
    data_path = _dataset(meta_path, about)
    dtype, is_complex = _type(meta_path, about.get("core:datatype"))
    if not data_path.is_file():
        raise CaptureError(
            meta_path, "", f"its samples, {data_path.name}, are missing", "put both files together"
        )
    rate_hz = options.rate_hz or _number(meta_path, about.get("core:sample_rate"))
    count = about.get("core:num_channels", 1)
    if type(count) is not int or not 1 <= count <= 1024:
        raise CaptureError(meta_path, "core:num_channels", f"it is {count!r}", "give a number from 1 to 1024")
    wide = count * (2 if is_complex else 1)
    offset = _count(meta_path, "core:offset", about)
    captures = _part(meta_path, meta, "captures", list)
    size = data_path.stat().st_size
    end = size - _count(meta_path, "core:trailing_bytes", about)
    pieces = _pieces(meta_path, captures, offset, dtype.itemsize * wide, end)
    frames = sum(count for _, count in pieces)
    if frames == 0:
        raise CaptureError(data_path, "", "the file holds no samples", "record it again")
    arrays = _mapped(data_path, pieces, dtype, wide)
    left_over = max(end - pieces[-1][0] - pieces[-1][1] * dtype.itemsize * wide, 0)
    names = [f"{'IQ'[i % 2]}{i // 2 + 1 if count > 1 else ''}" if is_complex else "" for i in range(wide)]
    channels = make_channels(arrays, options, names=names)
    segments = _segments(captures, frames, rate_hz, offset)
    annotations = _part(meta_path, meta, "annotations", list)
    spans = _spans(annotations, segments, rate_hz, offset)
    warnings = _warnings(len(annotations) - len(spans), left_over, frames)
    # of samples in a file of another kind the metadata tell how they lie in it
    data_head = Head(data_path if data_path.suffix == DATA else meta_path, head.start, size)
    capture = finish(data_head, "SigMF", rate_hz, channels, watch, warnings)
    return replace(capture, segments=segments, start_s=segments[0].start_s, spans=spans)


def _dataset(meta_path: Path, about: dict[str, Any]) -> Path:
    """The file with the samples: that of the pair, or the one named, which lies beside the metadata."""
    name = about.get("core:dataset")
    if name is None:
        return meta_path.with_suffix(DATA)
    if not isinstance(name, str) or not name or name in (".", "..") or re.search(r"[/\\\0]", name):
        raise CaptureError(
            meta_path, "core:dataset", f"it is {name!r}", "give the name of a file beside the metadata"
        )
    return meta_path.with_name(name)


def _count(meta_path: Path, key: str, part: dict[str, Any]) -> int:
    count = part.get(key, 0)
    if type(count) is not int or not 0 <= count < 1 << 62:
        raise CaptureError(meta_path, key, f"it is {count!r}", "give a whole number from 0 on")
    return count


def _pieces(
    meta_path: Path, captures: list[Any], offset: int, frame_bytes: int, end: int
) -> list[tuple[int, int]]:
    """Where stretches of samples begin, and how many of them there are: a header may stand before each capture."""
    headers: dict[int, int] = {0: 0}
    for each in captures:
        first = each.get("core:sample_start", offset) if isinstance(each, dict) else None
        if type(first) is int and 0 <= first - offset <= end // frame_bytes:
            header = _count(meta_path, "core:header_bytes", each)
            headers[first - offset] = headers.get(first - offset, 0) + header
    firsts = [first for first in sorted(headers) if first == 0 or headers[first]]
    pieces = []
    at = 0
    for first, following in pairwise([*firsts, None]):
        begin = at + headers[first or 0]
        there = max(end - begin, 0) // frame_bytes
        count = there if following is None else min(following - (first or 0), there)
        at = begin + count * frame_bytes
        pieces.append((begin, count))
        if following is not None and count < following - (first or 0):
            break
    return pieces


def _mapped(path: Path, pieces: list[tuple[int, int]], dtype: np.dtype[Any], wide: int) -> list[NDArray[Any]]:
    """One array a channel; mapped where the samples stand in one stretch, else read."""
    maps = [np.memmap(path, dtype, "r", begin, (count, wide)) for begin, count in pieces if count]
    if len(maps) == 1:
        return [maps[0][:, i] for i in range(wide)]
    if sum(each.nbytes for each in maps) > _MOST_READ_BYTES:
        raise CaptureError(
            path,
            "",
            f"headers between the samples of a file beyond {_MOST_READ_BYTES >> 30} GB are not read",
            "write it as a pair without them",
        )
    return [np.concatenate([each[:, i] for each in maps]) for i in range(wide)]


def _segments(captures: list[Any], frames: int, rate_hz: float, offset: int) -> tuple[Segment, ...]:
    """One segment a capture of the metadata, at its global index where it has one, else end to end."""
    indices: dict[int, int | None] = {0: None}
    for each in captures:
        first = each.get("core:sample_start", offset) if isinstance(each, dict) else None
        if type(first) is int and 0 <= first - offset < frames:
            index = each.get("core:global_index")
            indices[first - offset] = index if type(index) is int and abs(index) < 1 << 62 else None
    origin = indices[0] or 0
    segments: list[Segment] = []
    for first, last in pairwise([*sorted(indices), frames]):
        index = indices[first]
        start_s = (first if index is None else index - origin) / rate_hz
        if segments:
            before = segments[-1]
            start_s = max(start_s, before.start_s + (before.last - before.first) / rate_hz)
        segments.append(Segment(first, last, start_s))
    return tuple(segments)


def _spans(
    annotations: list[Any], segments: tuple[Segment, ...], rate_hz: float, offset: int
) -> tuple[NamedSpan, ...]:
    """The annotations that lie on samples of the file; one without a count is of one sample."""
    frames = segments[-1].last
    spans = []
    for number, each in enumerate(annotations[:_MOST_ANNOTATIONS], 1):
        first = each.get("core:sample_start") if isinstance(each, dict) else None
        if type(first) is not int:
            continue
        first -= offset
        count = each.get("core:sample_count", 1)
        last = min(first + count, frames) if type(count) is int and count >= 0 else first
        first = max(first, 0)
        if first < min(last, frames) or (first == last < frames):
            start_s = _time_s(segments, rate_hz, first)
            end_s = _time_s(segments, rate_hz, max(last - 1, first)) + (last > first) / rate_hz
            spans.append(NamedSpan(_name(each, number), start_s, end_s))
    return tuple(spans)


def _time_s(segments: tuple[Segment, ...], rate_hz: float, sample: int) -> float:
    part = next(part for part in segments if part.first <= sample < part.last)
    return part.start_s + (sample - part.first) / rate_hz


def _name(annotation: dict[str, Any], number: int) -> str:
    texts = (annotation.get(f"core:{key}") for key in ("label", "comment", "description"))
    said = (one_line(text)[:_LONGEST_NAME] for text in texts if isinstance(text, str))
    return next(filter(None, said), f"annotation {number}")


def _warnings(left_out: int, left_over: int, frames: int) -> list[Notice]:
    warnings = []
    if left_over:
        text = f"{left_over} bytes after sample {frames - 1} make no sample of every channel and are left out"
        warnings.append(Notice("truncated", text, 1, frames - 1))
    if left_out:
        text = f"{counted(left_out, 'annotation')} left out: damaged, beyond the samples, or more than {_MOST_ANNOTATIONS}"
        warnings.append(Notice("annotations", text, left_out))
    return warnings


def _object(path: Path) -> dict[str, Any]:
    damaged = CaptureError(path, "", "the metadata are no JSON object", "write them again")
    if path.stat().st_size > _LARGEST_META:
        raise damaged
    try:
        found = json.loads(path.read_text("utf-8"))
    except (ValueError, RecursionError) as error:
        raise damaged from error
    if not isinstance(found, dict):
        raise damaged
    return found


def _part(path: Path, meta: dict[str, Any], name: str, kind: type[Any]) -> Any:
    part = meta.get(name, kind())
    if not isinstance(part, kind):
        raise CaptureError(path, name, "the metadata are damaged there", "write them again")
    return part


def _type(path: Path, name: object) -> tuple[np.dtype[Any], bool]:
    match = _TYPE.fullmatch(name) if isinstance(name, str) else None
    try:
        if match is None:
            raise TypeError
        order = ">" if match["order"] == "_be" else "<"
        return np.dtype(f"{order}{match['number']}{int(match['bits']) // 8}"), match["kind"] == "c"
    except TypeError as error:
        raise CaptureError(
            path,
            "core:datatype",
            f"the sample type {name!r} is not known",
            "write one such as ri16_le or cf32_le",
        ) from error


def _number(path: Path, rate: object) -> float:
    if (
        isinstance(rate, bool)
        or not isinstance(rate, int | float)
        or not LOWEST_RATE_HZ <= rate <= HIGHEST_RATE_HZ
    ):
        raise CaptureError(path, "core:sample_rate", f"it is {rate!r}", "give the rate with --rate")
    return float(rate)
