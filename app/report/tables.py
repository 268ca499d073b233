"""The tables of a report: bursts, frames that are alike, marks, captures, digests."""

from __future__ import annotations

import math
from collections import Counter

from app.model.capture import Capture
from app.model.corrections import CorrectedBurst
from app.model.items import SessionData
from app.model.naming import BurstName
from app.model.quantity import format_quantity, format_value
from app.report.gather import ChannelReport
from app.report.markup import Child, Element, element, facts, table
from app.report.pictures import talker_name
from dsp.results import DecodeSettings, Notice

MOST_ROWS = 500
_MOST_BITS = 4096


def capture_facts(capture: Capture) -> Element:
    """What was captured and how."""
    lengths = sum(segment.last - segment.first for segment in capture.segments)
    rows: list[tuple[str, Child]] = [
        ("file", capture.name),
        ("done while capturing", capture.label or "not noted"),
        ("format", capture.format),
        ("sample rate", format_quantity(capture.rate_hz, capture.rate_std_hz, "Hz")),
        ("start", format_value(capture.start_s, "s")),
        ("length", f"{format_value(lengths / capture.rate_hz, 's')}, {capture.samples} samples a channel"),
        ("segments", str(len(capture.segments))),
    ]
    for channel in capture.channels:
        step = "" if channel.scale == 1 else f", one step is {format_value(channel.scale, channel.unit)}"
        rows.append((f"channel {channel.name}", f"{channel.unit}, stored as {channel.stored.dtype}{step}"))
    ppm, percent = capture.timebase_ppm, capture.gain_percent
    rows.append(("time base", "tolerance not stated" if ppm is None else f"±{ppm:g} ppm"))
    rows.append(("gain", "tolerance not stated" if percent is None else f"±{percent:g} %"))
    return facts(rows)


def notices(found: tuple[Notice, ...]) -> list[Element]:
    return [element("p", element("strong", "Mind: "), one.text, class_="mind") for one in found]


def burst_table(part: ChannelReport) -> list[Element]:
    """One row a burst, corrected by hand where that was done."""
    heads = ("#", "start", "symbols", "talker", "amplitude", "carrier", "Es/N0", "ends", "bits")
    rows = [_burst_row(part, n, one, part.names[n]) for n, one in enumerate(part.bursts[:MOST_ROWS])]
    made = [table(heads, rows, kind="bursts")]
    if len(part.bursts) > MOST_ROWS:
        made.append(
            element(
                "p", f"The first {MOST_ROWS} of {len(part.bursts)} bursts; an export as CSV has all of them."
            )
        )
    made.append(
        element(
            "p",
            "The start is the leading edge of the first symbol; its uncertainty, as that of gaps and answer "
            "times, holds if the burst begins with just this symbol. “ends” is the probability that the burst begins "
            "and ends with just these symbols. A + behind the number of symbols says that the capture cuts the burst. "
            "“By hand” marks bits corrected by hand; the decoder's own are below them.",
            class_="small",
        )
    )
    return made


def _burst_row(part: ChannelReport, number: int, one: CorrectedBurst, said: BurstName) -> list[Child]:
    burst = part.tolerance.burst(one.burst)
    ends = burst.start_probability * burst.end_probability
    carrier = (
        "–" if burst.carrier_hz is None else format_quantity(burst.carrier_hz, burst.carrier_std_hz, "Hz")
    )
    ratio = "–" if burst.esn0_db is None else format_quantity(burst.esn0_db, burst.esn0_std_db, "dB")
    level = (
        "–"
        if not math.isfinite(burst.amplitude)
        else format_quantity(burst.amplitude, burst.amplitude_std, part.unit)
    )
    cut = "+" if burst.cut_at_start or burst.cut_at_end else ""
    return [
        str(number),
        format_quantity(burst.start_s, part.start_std_s(one), "s"),
        f"{len(one.symbols)}{cut}",
        "–" if burst.talker is None else str(burst.talker),
        level,
        carrier,
        ratio,
        f"{ends:.3f}" if math.isfinite(ends) else "–",
        _bits(one, said),
    ]


def _bits(one: CorrectedBurst, said: BurstName) -> Element:
    cell = element("div", class_="bits")
    if said.name:
        cell.append(element("div", said.name, class_="name"))
    if said.excluded:
        cell.append(element("div", "left out by hand, not counted", class_="hand"))
    if one.marks or one.grid_of != "decoder":
        cell.append(element("span", "by hand ", class_="hand"))
        cell.append(element("code", _shortened(one.bits) if one.bits is not None else "no bits follow"))
        if one.grid_of != "hand":
            cell.append(element("br"))
            cell.append(element("span", "decoder ", class_="small"))
            cell.append(element("code", _shortened(one.burst.bits), class_="small"))
    else:
        cell.append(element("code", _shortened(one.burst.bits)))
    for warning in one.burst.warnings:
        cell.append(element("div", warning, class_="small"))
    return cell


def _shortened(bits: str) -> str:
    return bits if len(bits) <= _MOST_BITS else f"{bits[:_MOST_BITS]}… ({len(bits)} bits)"


def frame_table(part: ChannelReport) -> Element | None:
    """Bursts of one talker and length lined up: what is the same in all of them stands as bit, what varies as a dot."""
    groups: dict[tuple[int | None, int], list[str]] = {}
    for one in part.counted:
        if one.bits and not (one.burst.cut_at_start or one.burst.cut_at_end):
            groups.setdefault((one.burst.talker, len(one.bits)), []).append(one.bits)
    ranked = sorted(groups.items(), key=lambda item: (item[0][0] is None, item[0][0] or 0, -len(item[1])))
    rows: list[list[Child]] = []
    for (talker, length), bits in ranked[:MOST_ROWS]:
        columns = ["".join(set(column)) for column in zip(*bits, strict=True)]
        lined = "".join(column if len(column) == 1 else "·" for column in columns)
        constant = sum(len(column) == 1 for column in columns)
        often, times = Counter(bits).most_common(1)[0]
        alike = (
            "all the same"
            if len(set(bits)) == 1
            else "all different; the first: "
            if times == 1
            else f"{len(set(bits))} different; most often ({times} ×): "
        )
        cell: Child = element(
            "div", alike, *([element("code", _shortened(often))] if len(set(bits)) > 1 else [])
        )
        rows.append(
            [
                talker_name(talker),
                str(length),
                str(len(bits)),
                f"{constant}" if len(bits) > 1 else "–",
                element("code", _shortened(lined)),
                cell,
            ]
        )
    if not rows:
        return None
    heads = ("talker", "bits", "frames", "constant", "constant bits, · varies", "contents")
    return table(heads, rows, kind="frames")


def mark_tables(data: SessionData) -> list[Element]:
    """Cursors, spans and flips set by hand."""
    names = [capture.name for capture in data.captures]
    made: list[Element] = []
    if data.spans:
        rows = [
            (names[s.capture], s.name, format_value(s.start_s, "s", 9), format_value(s.end_s, "s", 9))
            for s in data.spans[:MOST_ROWS]
        ]
        made.append(table(("capture", "span", "start", "end"), rows, caption="Spans"))
        made += _cut_short(len(data.spans), "spans")
    if data.cursors:
        cursors = [
            (names[c.capture], c.name, format_value(c.time_s, "s", 9)) for c in data.cursors[:MOST_ROWS]
        ]
        made.append(table(("capture", "cursor", "time"), cursors, caption="Cursors"))
        made += _cut_short(len(data.cursors), "cursors")
    if data.flips:
        flips = [
            (names[f.capture], format_value(f.time_s, "s", 9), "no flip here" if f.removes else "a flip here")
            for f in data.flips[:MOST_ROWS]
        ]
        made.append(table(("capture", "time", "said by hand"), flips, caption="Flips set by hand"))
        made += _cut_short(len(data.flips), "flips set by hand")
    return made


def note_list(data: SessionData) -> list[Element]:
    made: list[Element] = []
    for note in data.notes[:MOST_ROWS]:
        where = "session" if note.capture is None else data.captures[note.capture].name
        at = "" if note.time_s is None else f" at {format_value(note.time_s, 's', 9)}"
        made.append(
            element(
                "div",
                element("div", f"{where}{at}", class_="small"),
                element("div", note.text, class_="text"),
                class_="note",
            )
        )
    return made + _cut_short(len(data.notes), "notes")


def _cut_short(count: int, what: str) -> list[Element]:
    """That a table holds the first of many only."""
    if count <= MOST_ROWS:
        return []
    return [
        element("p", f"The first {MOST_ROWS} of {count} {what}; the export of marks as CSV has all of them.")
    ]


_SETTINGS = (
    ("carrier_hz", "carrier", "Hz"),
    ("symbol_rate_bd", "symbol rate", "Bd"),
    ("modulation", "modulation", ""),
    ("line_code", "line code", ""),
)


def _told(settings: DecodeSettings) -> str:
    given = {name: getattr(settings, name) for name, _, _ in _SETTINGS}
    said = [
        f"{words} {format_value(given[name], unit, 9) if unit else given[name]}"
        for name, words, unit in _SETTINGS
        if given[name] is not None
    ]
    told = f"told: {', '.join(said)}" if said else "nothing was told, all was found"
    return f"{told}; polarity {settings.polarity}"


def settings_table(part: ChannelReport) -> Element:
    """What was told to the decoder, and what to check the result with."""
    rows: list[list[Child]] = []
    for run in part.runs:
        told = _told(run.result.settings)
        span = f"{format_value(run.span_s[0], 's', 9)} to {format_value(run.span_s[1], 's', 9)}"
        rows.append([span, told, run.program_version, element("code", run.samples_sha256 or "not stored")])
    return table(
        ("span", "settings", "program version", "SHA-256 of the samples decoded"), rows, kind="digests"
    )


def digest_table(data: SessionData) -> Element:
    rows: list[list[Child]] = [
        [capture.name, element("code", capture.sha256 or "not known")] for capture in data.captures
    ]
    return table(("capture", "SHA-256 of the file it was read from"), rows, kind="digests")
