"""From a session in memory to the tree that is written, in the layout of `app.files.schema`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import accumulate
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.files import schema
from app.files.schema import FLAG, INT, TEXT, Array, Field, Group, Table
from app.files.session_tree import Node, Value, encoded, text_type
from app.model.capture import Capture, Channel
from app.model.items import DecodeRun, SessionData
from dsp.results import Burst, Character, Decode, Notice

_NUMBERS = {INT: "<i8", FLAG: "u1"}
_TABLES = {t.name: t for t in schema.SESSION.tables}
_CAPTURES, _DECODES = schema.SESSION.groups
(_CHANNELS,) = _CAPTURES.groups
_CAPTURE_TABLES = {t.name: t for t in _CAPTURES.tables}
_DECODE_TABLES = {t.name: t for t in _DECODES.tables}
_DECODE_ARRAYS = {a.name: a for a in _DECODES.arrays}
_ROUNDING = 1e-9


def pack(
    data: SessionData, *, created: str, saved: str, program_version: str, links: Sequence[str | None]
) -> Node:
    """The tree of a session; samples are not copied.

    ``links`` has one entry a capture: the path of its file relative to the session, or None to embed it.

    Raises
    ------
    app.errors.SessionError : a text is too long for the file.
    """
    root = Node(
        _attributes(
            schema.SESSION,
            format=schema.FORMAT,
            format_version=schema.FORMAT_VERSION,
            created=created,
            saved=saved,
            program_version=program_version,
            next_key=data.next_key,
        )
    )
    captures = [_capture(c, link) for c, link in zip(data.captures, links, strict=True)]
    root.add_numbered("captures", captures)
    root.add_numbered("decodes", [_decode(run) for run in data.decodes])
    _add(root, _TABLES["cursors"], [(c.key, c.capture, c.name, c.time_s) for c in data.cursors])
    _add(root, _TABLES["spans"], [(s.key, s.capture, s.name, s.start_s, s.end_s) for s in data.spans])
    _add(root, _TABLES["flips"], [(f.key, f.capture, f.time_s, f.removes) for f in data.flips])
    _add(root, _TABLES["notes"], [(n.key, n.capture, n.time_s, n.text) for n in data.notes])
    marks = [(m.key, m.capture, m.channel, m.time_s, m.name, m.excluded) for m in data.burst_marks]
    _add(root, _TABLES["burst_marks"], marks)
    pins = [(p.key, p.capture, p.name, p.quantity, p.place, p.value, p.std, p.unit) for p in data.pins]
    _add(root, _TABLES["pins"], pins)
    looks = [
        (k.key, k.capture, k.channel, k.hidden, *(k.values or (None, None)), k.level) for k in data.looks
    ]
    _add(root, _TABLES["looks"], looks)
    return root


def _capture(capture: Capture, link: str | None) -> Node:
    node = Node(
        _attributes(
            _CAPTURES,
            name=capture.name,
            format=capture.format,
            label=capture.label,
            rate_hz=capture.rate_hz,
            rate_std_hz=capture.rate_std_hz,
            start_s=capture.start_s,
            samples=capture.samples,
            storage="embedded" if link is None else "linked",
            link=link,
            sha256=capture.sha256,
            file_dtype=None if capture.layout is None else capture.layout.dtype,
            file_channels=None if capture.layout is None else capture.layout.channels,
            file_skip=None if capture.layout is None else capture.layout.skip,
            file_planar=None if capture.layout is None else capture.layout.planar,
            timebase_ppm=capture.timebase_ppm,
            gain_percent=capture.gain_percent,
            derived="\n".join(capture.derived) or None,
        )
    )
    segments = [(s.first, s.last, s.start_s) for s in capture.segments]
    _add(node, _CAPTURE_TABLES["segments"], segments)
    _add(node, _CAPTURE_TABLES["warnings"], _notices(capture.warnings))
    spans = [(s.name, s.start_s, s.end_s) for s in capture.spans]
    _add(node, _CAPTURE_TABLES["spans"], spans)
    node.add_numbered("channels", [_channel(c, link is None) for c in capture.channels])
    return node


def _channel(channel: Channel, embed: bool) -> Node:
    return Node(
        _attributes(
            _CHANNELS,
            name=channel.name,
            unit=channel.unit,
            scale=channel.scale,
            offset=channel.offset,
            dtype=channel.stored.dtype.str,
        ),
        {"samples": channel.stored} if embed and len(channel) else {},
    )


def _decode(run: DecodeRun) -> Node:
    result, told = run.result, run.result.settings
    node = Node(
        _attributes(
            _DECODES,
            key=run.key,
            capture=run.capture,
            channel=run.channel,
            span_start_s=run.span_s[0],
            span_end_s=run.span_s[1],
            program_version=run.program_version,
            samples_sha256=run.samples_sha256,
            set_carrier_hz=told.carrier_hz,
            set_symbol_rate_bd=told.symbol_rate_bd,
            set_modulation=told.modulation,
            set_line_code=told.line_code,
            set_polarity=told.polarity,
            kind=result.signalling.kind,
            probability=result.signalling.probability,
            refusal_code=result.refusal.code if result.refusal else None,
            refusal_text=result.refusal.text if result.refusal else None,
        )
    )
    alternatives = [(a.kind, a.probability) for a in result.signalling.alternatives]
    _add(node, _DECODE_TABLES["alternatives"], alternatives)
    _add(node, _DECODE_TABLES["reasons"], [(text,) for text in result.signalling.reasons])
    _add(node, _DECODE_TABLES["warnings"], _notices(result.warnings))
    _add_bursts(node, result)
    return node


def _add_bursts(node: Node, result: Decode) -> None:
    """One row a burst; what a burst has several of stands end to end in datasets of its own."""
    bursts = result.bursts
    characters = [b.characters or () for b in bursts]
    ends = zip(
        _ends(b.symbols for b in bursts),
        _ends(b.confidence for b in bursts),
        _ends(b.bits for b in bursts),
        _ends(b.flips_s for b in bursts),
        _ends(b.flips_interval_s for b in bursts),
        _ends(b.symbol_rate_alternatives_bd for b in bursts),
        _ends(characters),
        _ends(b.warnings for b in bursts),
        strict=True,
    )
    _add(node, _DECODE_TABLES["bursts"], [_burst(b) + e for b, e in zip(bursts, ends, strict=True)])
    _add(node, _DECODE_TABLES["flip_intervals"], [pair for b in bursts for pair in b.flips_interval_s])
    _add(node, _DECODE_TABLES["characters"], [_character(c) for row in characters for c in row])
    _add(node, _DECODE_TABLES["burst_warnings"], [(text,) for b in bursts for text in b.warnings])
    texts = {"symbols": "".join(b.symbols for b in bursts), "bits": "".join(b.bits for b in bursts)}
    numbers = {
        "confidence": [x for b in bursts for x in b.confidence],
        "flips_s": [x for b in bursts for x in b.flips_s],
        "symbol_rate_alternatives_bd": [x for b in bursts for x in b.symbol_rate_alternatives_bd],
    }
    node.arrays |= {k: np.frombuffer(t.encode("ascii"), "S1") for k, t in texts.items() if t}
    node.arrays |= {k: _held(_DECODE_ARRAYS[k], np.array(x, "<f8")) for k, x in numbers.items() if x}


def _burst(b: Burst) -> tuple[Any, ...]:
    return (
        b.start_s,
        b.end_s,
        b.start_probability,
        b.end_probability,
        b.cut_at_start,
        b.cut_at_end,
        b.talker,
        b.amplitude,
        b.amplitude_std,
        b.carrier_hz,
        b.carrier_std_hz,
        b.symbol_rate_bd,
        b.symbol_rate_std_bd,
        b.cycles_per_symbol,
        b.esn0_db,
        b.esn0_std_db,
        b.first_symbol_s,
        b.bits_per_symbol,
        b.line_code,
        b.characters is not None,
    )


def _character(c: Character) -> tuple[Any, ...]:
    return c.start_s, c.value, None if c.parity_ok is None else int(c.parity_ok), c.stop_ok


def _notices(notices: Sequence[Notice]) -> list[tuple[Any, ...]]:
    return [(n.code, n.text, n.count, n.first_sample) for n in notices]


def _ends(rows: Iterable[Sequence[Any]]) -> list[int]:
    return list(accumulate(len(row) for row in rows))


def _attributes(group: Group, **values: Value | None) -> dict[str, Value]:
    """The attributes of a group in their stored types; what is None is left out."""
    out: dict[str, Value] = {}
    for one in group.attributes:
        value = values[one.name]
        if value is None:
            continue
        if one.kind == TEXT:
            out[one.name] = encoded(str(value), schema.MOST_ATTRIBUTE_BYTES).decode()
        else:
            out[one.name] = int(value) if one.kind == INT else float(_held(one, np.array(float(value))))
    return out


def _add(node: Node, table: Table, rows: Sequence[Sequence[Any]]) -> None:
    if not rows:
        return
    columns = [
        _column(one, values) for one, values in zip(table.columns, zip(*rows, strict=True), strict=True)
    ]
    out = np.empty(len(rows), [(one.name, c.dtype) for one, c in zip(table.columns, columns, strict=True)])
    for one, column in zip(table.columns, columns, strict=True):
        out[one.name] = column
    node.arrays[table.name] = out


def _column(one: Field, values: Sequence[Any]) -> NDArray[Any]:
    if one.kind == TEXT:
        raw = [encoded(text, schema.MOST_TEXT_BYTES) for text in values]
        return np.array(raw, text_type(max(map(len, raw))))
    if one.kind == INT:
        return np.array([-1 if v is None else v for v in values], _NUMBERS[INT])
    if one.kind == FLAG:
        return np.array(values, _NUMBERS[FLAG])
    return _held(one, np.array([np.nan if v is None else v for v in values], "<f8"))


def _held(one: Field | Array, values: NDArray[Any]) -> NDArray[Any]:
    """Values beyond a limit by rounding alone, such as a probability of 1 + 2e-16, are put at the limit."""
    slack = _ROUNDING * max(1.0, abs(one.low), abs(one.high))
    if one.high - one.low > 1e6:
        return values
    near = (values >= one.low - slack) & (values <= one.high + slack)
    return np.where(near, np.clip(values, one.low, one.high), values)
