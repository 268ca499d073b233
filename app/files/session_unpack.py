"""From a checked tree to the session in memory."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from app.errors import SessionError
from app.files.session_tree import Node, decoded
from app.model.capture import Capture, Channel, NamedSpan, SampleLayout, Samples, Segment
from app.model.items import (
    BurstMark,
    ChannelLook,
    Cursor,
    DecodeRun,
    FlipMark,
    Note,
    Pin,
    SessionData,
    SpanMark,
)
from dsp.results import (
    Alternative,
    Burst,
    Character,
    Decode,
    DecodeSettings,
    Notice,
    Refusal,
    Signalling,
)

_EMPTY = np.empty(0)
OpenLink = Callable[[Node], tuple[Path | None, tuple[Samples, ...]]]


def unpack(root: Node, open_link: OpenLink) -> SessionData:
    """The session in a tree that `app.files.session_check.check` has passed.

    ``open_link`` gives the file of a linked capture's node and the stored samples of each of its channels.

    Raises
    ------
    app.errors.SessionError : parts that contradict each other.
    """
    captures = tuple(
        _capture(node, f"/captures/{n}", open_link) for n, node in enumerate(root.numbered("captures"))
    )
    data = SessionData(
        captures=captures,
        cursors=tuple(Cursor(*row) for row in _rows(root, "cursors")),
        spans=tuple(SpanMark(*row) for row in _rows(root, "spans")),
        flips=tuple(FlipMark(k, c, t, bool(removes)) for k, c, t, removes in _rows(root, "flips")),
        notes=tuple(Note(k, _index(c), _number(t), text) for k, c, t, text in _rows(root, "notes")),
        decodes=tuple(_decode(node, f"/decodes/{n}") for n, node in enumerate(root.numbered("decodes"))),
        burst_marks=tuple(_burst_mark(row) for row in _rows(root, "burst_marks")),
        pins=tuple(_pin(row) for row in _rows(root, "pins")),
        looks=tuple(_look(row) for row in _rows(root, "looks")),
        created=_of(root, "created"),
        next_key=_of(root, "next_key"),
    )
    _check_items(data)
    return data


def _burst_mark(row: tuple[Any, ...]) -> BurstMark:
    key, capture, channel, time_s, name, excluded = row
    return BurstMark(key, capture, channel, time_s, name, bool(excluded))


def _pin(row: tuple[Any, ...]) -> Pin:
    key, capture, name, quantity, place, value, std, unit = row
    return Pin(key, capture, name, quantity, place, value, _number(std), unit)


def _look(row: tuple[Any, ...]) -> ChannelLook:
    key, capture, channel, hidden, low, high, level = row
    values = None if np.isnan(low) or np.isnan(high) else (low, high)
    if values is not None and not low < high:
        raise SessionError(f"the value axis of {channel} ends before it starts")
    return ChannelLook(key, capture, channel, bool(hidden), values, _number(level))


def _check_items(data: SessionData) -> None:
    keys: set[int] = set()
    for items in (
        data.cursors,
        data.spans,
        data.flips,
        data.notes,
        data.decodes,
        data.burst_marks,
        data.pins,
        data.looks,
    ):
        for item in items:
            if item.capture is not None and item.capture >= len(data.captures):
                raise SessionError(f"item {item.key} stands on capture {item.capture}, which is not there")
            if item.key in keys or item.key >= data.next_key:
                raise SessionError(f"the key {item.key} is used twice or beyond next_key")
            keys.add(item.key)
    for span in data.spans:
        if span.start_s > span.end_s:
            raise SessionError(f"span {span.key} ends before it starts")


def _capture(node: Node, path: str, open_link: OpenLink) -> Capture:
    count = _of(node, "samples")
    linked = _of(node, "storage") == "linked"
    channels = node.numbered("channels")
    if not channels:
        raise SessionError(f"{path} has no channels")
    source: tuple[Path | None, tuple[Samples, ...]]
    source = open_link(node) if linked else (None, tuple(c.arrays.get("samples", _EMPTY) for c in channels))
    file, stored = source
    for n, (channel, samples) in enumerate(zip(channels, stored, strict=True)):
        if len(samples) != count:
            raise SessionError(f"{path}/channels/{n} does not have the {count} samples it states")
        stated = _of(channel, "dtype")
        if count and samples.dtype.str != stated:
            raise SessionError(
                f"{path}/channels/{n} states samples of type “{stated[:20]}”, and they are “{samples.dtype.str}”"
            )
    return Capture(
        name=_of(node, "name"),
        format=_of(node, "format"),
        layout=layout_of(node),
        rate_hz=_of(node, "rate_hz"),
        start_s=_of(node, "start_s"),
        channels=tuple(_channel(c, samples) for c, samples in zip(channels, stored, strict=True)),
        segments=_segments(node, path, count),
        rate_std_hz=_of(node, "rate_std_hz"),
        path=file,
        sha256=_of(node, "sha256"),
        label=_of(node, "label"),
        timebase_ppm=_of(node, "timebase_ppm"),
        gain_percent=_of(node, "gain_percent"),
        derived=tuple((_of(node, "derived") or "").splitlines()),
        warnings=_notices(node),
        spans=_named_spans(node, path),
    )


def _named_spans(node: Node, path: str) -> tuple[NamedSpan, ...]:
    spans = tuple(NamedSpan(*row) for row in _rows(node, "spans"))
    if any(span.start_s > span.end_s for span in spans):
        raise SessionError(f"a span of {path} ends before it starts")
    return spans


def _channel(node: Node, samples: Samples) -> Channel:
    return Channel(_of(node, "name"), samples, _of(node, "scale"), _of(node, "offset"), _of(node, "unit"))


def _segments(node: Node, path: str, count: int) -> tuple[Segment, ...]:
    segments = tuple(Segment(*row) for row in _rows(node, "segments"))
    edge = 0
    for segment in segments:
        if not edge <= segment.first <= segment.last <= count:
            raise SessionError(f"the segments of {path} overlap or go beyond its samples")
        edge = segment.last
    if not segments:
        raise SessionError(f"{path} has no segments")
    return segments


def _notices(node: Node) -> tuple[Notice, ...]:
    return tuple(
        Notice(code, text, count, _index(first)) for code, text, count, first in _rows(node, "warnings")
    )


def _decode(node: Node, path: str) -> DecodeRun:
    refusal = _of(node, "refusal_code")
    result = Decode(
        settings=DecodeSettings(
            _of(node, "set_carrier_hz"),
            _of(node, "set_symbol_rate_bd"),
            _of(node, "set_modulation"),
            _of(node, "set_line_code"),
            _of(node, "set_polarity"),
        ),
        signalling=Signalling(
            _of(node, "kind"),
            _of(node, "probability"),
            tuple(Alternative(*row) for row in _rows(node, "alternatives")),
            tuple(text for (text,) in _rows(node, "reasons")),
        ),
        bursts=_bursts(node, path),
        refusal=None if refusal is None else Refusal(refusal, _of(node, "refusal_text") or ""),
        warnings=_notices(node),
    )
    return DecodeRun(
        _of(node, "key"),
        _of(node, "capture"),
        _of(node, "channel"),
        (_of(node, "span_start_s"), _of(node, "span_end_s")),
        _of(node, "program_version"),
        _of(node, "samples_sha256"),
        result,
    )


def _bursts(node: Node, path: str) -> tuple[Burst, ...]:
    rows = _rows(node, "bursts")
    lists = {
        "symbols_end": _text(node, "symbols"),
        "confidence_end": _numbers(node, "confidence"),
        "bits_end": _text(node, "bits"),
        "flips_end": _numbers(node, "flips_s"),
        "flip_intervals_end": _rows(node, "flip_intervals"),
        "alternatives_end": _numbers(node, "symbol_rate_alternatives_bd"),
        "characters_end": [
            Character(t, value, None if parity < 0 else bool(parity), bool(stop))
            for t, value, parity, stop in _rows(node, "characters")
        ],
        "warnings_end": [text for (text,) in _rows(node, "burst_warnings")],
    }
    ends = [(0,) * len(lists)] + [row[-len(lists) :] for row in rows]
    for name, items, column in zip(lists, lists.values(), zip(*ends, strict=True), strict=True):
        if list(column) != sorted(column) or column[-1] != len(items):
            raise SessionError(f"{path}/bursts.{name} does not fit what it counts")
    return tuple(
        _burst(row, [items[a:b] for items, a, b in zip(lists.values(), before, after, strict=True)], path)
        for row, before, after in zip(rows, ends, ends[1:], strict=False)
    )


def _burst(row: tuple[Any, ...], parts: list[Any], path: str) -> Burst:
    symbols, confidence, bits, flips, intervals, alternatives, characters, warnings = parts
    if row[0] > row[1]:
        raise SessionError(f"{path} has a burst that ends before it starts")
    if len(confidence) not in (0, len(symbols)) or len(intervals) not in (0, len(flips)):
        raise SessionError(f"{path} has a burst whose symbols, confidences or flips differ in number")
    if characters and not row[19]:
        raise SessionError(f"{path} has characters in a burst that can have none")
    return Burst(
        start_s=row[0],
        end_s=row[1],
        start_probability=row[2],
        end_probability=row[3],
        cut_at_start=bool(row[4]),
        cut_at_end=bool(row[5]),
        talker=_index(row[6]),
        amplitude=row[7],
        amplitude_std=_number(row[8]),
        carrier_hz=_number(row[9]),
        carrier_std_hz=_number(row[10]),
        symbol_rate_bd=_number(row[11]),
        symbol_rate_std_bd=_number(row[12]),
        symbol_rate_alternatives_bd=tuple(alternatives),
        cycles_per_symbol=_number(row[13]),
        esn0_db=_number(row[14]),
        esn0_std_db=_number(row[15]),
        first_symbol_s=row[16],
        flips_s=tuple(flips),
        flips_interval_s=tuple(intervals),
        bits_per_symbol=row[17],
        symbols=symbols,
        confidence=tuple(confidence),
        line_code=row[18],
        bits=bits,
        characters=tuple(characters) if row[19] else None,
        warnings=tuple(warnings),
    )


def layout_of(node: Node) -> SampleLayout | None:
    """What was told of the file of a capture's node, None if nothing had to be."""
    dtype = _of(node, "file_dtype")
    if dtype is None:
        return None
    return SampleLayout(
        dtype, _of(node, "file_channels") or 1, _of(node, "file_skip") or 0, bool(_of(node, "file_planar"))
    )


def _of(node: Node, name: str) -> Any:
    return node.attributes.get(name)


def _rows(node: Node, name: str) -> list[tuple[Any, ...]]:
    """The rows of a table, its texts as text; none if the table is left out."""
    table = node.arrays.get(name)
    if table is None:
        return []
    return [tuple(decoded(v) if isinstance(v, bytes) else v for v in row) for row in table.tolist()]


def _text(node: Node, name: str) -> str:
    array = node.arrays.get(name)
    return "" if array is None else array.tobytes().decode("ascii")


def _numbers(node: Node, name: str) -> list[float]:
    array = node.arrays.get(name)
    return [] if array is None else array.tolist()


def _index(value: int) -> int | None:
    return None if value < 0 else value


def _number(value: float) -> float | None:
    return None if np.isnan(value) else value
