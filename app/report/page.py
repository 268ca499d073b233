"""The report put together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime

from app.model.cautions import CAUTIONS
from app.model.items import SessionData
from app.model.naming import left_out_text
from app.model.summary import sentence
from app.report.gather import Cancelled, ChannelReport, Progress, gathered
from app.report.many import MOST_PARTS, capture_rows, part_rows
from app.report.markup import Element, element, paragraphs, section, to_html
from app.report.pictures import annotated_burst, overview, plots_of, typical
from app.report.sheet import signal_sheet, tolerance_words
from app.report.style import STYLE
from app.report.tables import (
    burst_table,
    capture_facts,
    digest_table,
    frame_table,
    mark_tables,
    note_list,
    notices,
    settings_table,
)
from app.report.words import word_list

# a page that holds everything asks for nothing, and a browser that knows this refuses whatever got in
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"

# rows from which on a table begins on a new page
_LONG_TABLE = 12

Extra = Callable[[SessionData], Sequence[Element]]
"""Sections of other parts of the program; nothing where a session has nothing for them."""


def report_html(
    data: SessionData,
    title: str,
    *,
    program_version: str,
    extras: Sequence[Extra] = (),
    made: datetime | None = None,
    progress: Progress | None = None,
    cancelled: Cancelled | None = None,
) -> str:
    """The page about ``data``; ``title`` is what the session is called.

    Raises
    ------
    app.errors.SessionError : a decode of a channel that the capture does not have.
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    parts = gathered(data, cancelled)
    body = element("body", element("h1", f"Report on {title}"), *_head(data, parts, program_version, made))
    body.append(section("What was captured, and how", *_captures(data)))
    if len(parts) > MOST_PARTS:
        body.append(section("What is sent", *part_rows(parts)))
    told = parts[:MOST_PARTS]
    for number, part in enumerate(told):
        if progress is not None:
            progress(number / len(told))
        body.append(_channel(part, number, len(parts), cancelled))
    for extra in extras:
        for one in extra(data):
            body.append(one)
    marks = mark_tables(data)
    if marks:
        body.append(section("Marks", *marks))
    if data.notes:
        body.append(section("Notes", *note_list(data)))
    body.append(section("For checking", *_checking(data)))
    body.append(section("What the words mean", word_list()))
    body.append(section("Cautions", element("ul", *(element("li", text) for text in CAUTIONS))))
    if progress is not None:
        progress(1.0)
    head = element(
        "head",
        element("meta", charset="utf-8"),
        element("meta", http_equiv="Content-Security-Policy", content=_POLICY),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("title", f"Report on {title}"),
        element("style", STYLE),
    )
    return to_html(element("html", head, body, lang="en"))


def _head(
    data: SessionData, parts: Sequence[ChannelReport], version: str, made: datetime | None
) -> list[Element]:
    at = (made or datetime.now(UTC)).strftime("%Y-%m-%d %H:%M UTC")
    begun = f", session begun {_plain_time(data.created)}" if data.created else ""
    out = [element("p", f"Made {at} by Halfturn {version}{begun}.", class_="small")]
    if not parts:
        out.append(element("p", "Nothing has been decoded in this session.", class_="lead"))
    if len(parts) > MOST_PARTS:
        bursts = sum(part.summary.bursts for part in parts)
        words = (
            f"{len(parts)} channels of {len(data.captures)} captures were decoded: {bursts} bursts in all."
        )
        return [*out, element("p", words, class_="lead")]
    for part in parts:
        where = f"{part.capture.name}, {part.channel}: " if len(parts) > 1 else ""
        words = f"{sentence(part.summary, len(part.left_out))} {left_out_text(len(part.left_out))}".rstrip()
        out.append(element("p", where + words, class_="lead"))
    return out


def _plain_time(iso: str) -> str:
    """An instant as people write it; what is no instant stays as it is."""
    try:
        return datetime.fromisoformat(iso).astimezone(UTC).strftime("%Y-%m-%d %H:%M UTC")
    except (ValueError, OverflowError):
        return iso


def _captures(data: SessionData) -> list[Element]:
    if len(data.captures) > MOST_PARTS:
        return capture_rows(data.captures)
    out: list[Element] = []
    for number, capture in enumerate(data.captures):
        if len(data.captures) > 1:
            out.append(element("h3", f"Capture {number}: {capture.name}"))
        out.append(capture_facts(capture))
        out += notices(capture.warnings)
    return out or [element("p", "The session holds no capture.")]


def _channel(part: ChannelReport, number: int, parts: int, cancelled: Cancelled | None) -> Element:
    name = f"{part.capture.name}, channel {part.channel}" if parts > 1 else f"What is sent on {part.channel}"
    made = section(name)
    made.set("class", "part")
    if parts > 1 and part.capture.label:
        made.append(element("p", f"Done while capturing: {part.capture.label}"))
    if part.summary.refusal is not None:
        made.append(
            element("p", element("strong", "No bits are given: "), part.summary.refusal, class_="mind")
        )
    reasons = part.summary.signalling.reasons
    if reasons:
        made.append(element("p", "The evidence:"))
        made.append(element("ul", *(element("li", reason) for reason in reasons)))
    known = set(part.capture.warnings)
    for one in notices(tuple(n for n in part.run.result.warnings if n not in known)):
        made.append(one)
    made.append(
        section(
            "Signal sheet", signal_sheet(part), element("p", tolerance_words(part), class_="small"), level=3
        )
    )
    shown = typical(part)
    pictures = [overview(part, number, cancelled)]
    pictures += [
        annotated_burst(part, one, number * 10 + n, part.bursts.index(one)) for n, one in enumerate(shown)
    ]
    made.append(section("Pictures", *pictures, *plots_of(part, number), level=3))
    if part.bursts:
        table_of_bursts = section("Bursts", *burst_table(part), level=3)
        if len(part.bursts) > _LONG_TABLE:
            table_of_bursts.set("class", "long")
        made.append(table_of_bursts)
        frames = frame_table(part)
        if frames is not None:
            made.append(section("Frames lined up", frames, level=3))
    made.append(section("Settings", settings_table(part), level=3))
    return made


def _checking(data: SessionData) -> list[Element]:
    return [
        *paragraphs(
            [
                "A session file that this page was made from can be checked with “halfturn verify SESSION”: it decodes "
                "the samples again with the settings above and says burst by burst whether the bits are the same.",
                "The digest of a file is that of its bytes, as common tools print it. The digest of the samples decoded, "
                "under Settings, is that of the stored numbers of the span, little-endian, one after the other.",
            ]
        ),
        digest_table(data),
    ]
