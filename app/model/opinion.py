"""Another person's session beside one's own: their marks taken in under a name of their own, differences listed.

Their flips are taken in as cursors, since a flip in one's own session would change one's own bits.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import count

from app.model.burst_pairs import paired
from app.model.capture import Capture
from app.model.commands import CommandError
from app.model.corrections import CorrectedBurst
from app.model.items import Cursor, Note, SessionData, SpanMark
from app.model.naming import names_of_bursts
from app.model.quantity import format_value
from app.model.shown import BurstBook

SUFFIX = "(theirs)"
_SHOWN_BITS = 24


@dataclass(frozen=True)
class Disagreement:
    """``what`` differs on capture ``capture`` at ``time_s``; an empty text means that side has none."""

    capture: int
    time_s: float | None
    what: str
    mine: str
    theirs: str


def matched(mine: SessionData, theirs: SessionData) -> dict[int, int]:
    """Of each of their captures that is one of mine, my number of it.

    The same file by its SHA-256, else the same name, rate and type of channels on overlapping times.
    """
    out: dict[int, int] = {}
    for number, capture in enumerate(theirs.captures):
        for index, own in enumerate(mine.captures):
            if index not in out.values() and _is_same(own, capture):
                out[number] = index
                break
    return out


def _is_same(one: Capture, other: Capture) -> bool:
    if one.sha256 is not None and one.sha256 == other.sha256:
        return True
    return (
        one.sha256 is None
        and (one.name, one.rate_hz) == (other.name, other.rate_hz)
        and _start_s(one) < _end_s(other)
        and _start_s(other) < _end_s(one)
    )


def _start_s(capture: Capture) -> float:
    return capture.segments[0].start_s


def _end_s(capture: Capture) -> float:
    last = capture.segments[-1]
    return last.start_s + (last.last - last.first) / capture.rate_hz


@dataclass(frozen=True, eq=False)
class TakeOpinion:
    """Take their cursors, spans, flips and notes into the session, each under a name that says whose it is."""

    theirs: SessionData
    item = None

    def describe(self, _data: SessionData) -> str:
        return "take in a second opinion"

    def apply(self, data: SessionData) -> SessionData:
        places = matched(data, self.theirs)
        if not places:
            raise CommandError(
                "None of the captures in that session is one of these; open the capture it is about."
            )
        keys = count(data.next_key)
        spans = [
            SpanMark(next(keys), places[one.capture], f"{one.name} {SUFFIX}", one.start_s, one.end_s)
            for one in self.theirs.spans
            if one.capture in places
        ]
        times = [(one.capture, one.name, one.time_s) for one in self.theirs.cursors]
        times += [
            (one.capture, "no flip" if one.removes else "flip", one.time_s) for one in self.theirs.flips
        ]
        cursors = [
            Cursor(next(keys), places[capture], f"{name} {SUFFIX}", time_s)
            for capture, name, time_s in times
            if capture in places
        ]
        notes = [
            Note(
                next(keys),
                None if one.capture is None else places[one.capture],
                one.time_s,
                f"{one.text} {SUFFIX}",
            )
            for one in self.theirs.notes
            if one.capture is None or one.capture in places
        ]
        return replace(
            data,
            spans=(*data.spans, *spans),
            cursors=(*data.cursors, *cursors),
            notes=(*data.notes, *notes),
            next_key=next(keys),
        )


def disagreements(mine: SessionData, theirs: SessionData) -> tuple[Disagreement, ...]:
    """Where bits, flips by hand, spans and labels differ, in order of capture and time."""
    out: list[Disagreement] = []
    for number, index in matched(mine, theirs).items():
        own, other = mine.captures[index], theirs.captures[number]
        if own.label != other.label:
            out.append(Disagreement(index, None, "label", own.label, other.label))
        limits = (max(_start_s(own), _start_s(other)), min(_end_s(own), _end_s(other)))
        out += _of_spans(mine, theirs, index, number)
        out += _of_flips(mine, theirs, index, number)
        channels = {run.channel for run in theirs.decodes if run.capture == number}
        for channel in sorted(channels | {run.channel for run in mine.decodes if run.capture == index}):
            out += _of_bursts(mine, theirs, (index, number), channel, limits)
    out.sort(key=lambda one: (one.capture, one.time_s is not None, one.time_s or 0.0))
    return tuple(out)


def _of_spans(mine: SessionData, theirs: SessionData, index: int, number: int) -> list[Disagreement]:
    own = {
        (s.name, s.start_s, s.end_s) for s in mine.spans if s.capture == index and not s.name.endswith(SUFFIX)
    }
    other = {(s.name, s.start_s, s.end_s) for s in theirs.spans if s.capture == number}
    out = [
        Disagreement(index, start, "span", _span(name, start, end), "") for name, start, end in own - other
    ]
    return out + [
        Disagreement(index, start, "span", "", _span(name, start, end)) for name, start, end in other - own
    ]


def _span(name: str, start_s: float, end_s: float) -> str:
    return f"{name}: {format_value(start_s, 's')} to {format_value(end_s, 's')}"


def _of_flips(mine: SessionData, theirs: SessionData, index: int, number: int) -> list[Disagreement]:
    own = {(f.time_s, f.removes) for f in mine.flips if f.capture == index}
    other = {(f.time_s, f.removes) for f in theirs.flips if f.capture == number}
    words = {True: "no flip", False: "flip"}
    out = [Disagreement(index, at, "flip by hand", words[removes], "") for at, removes in own - other]
    return out + [Disagreement(index, at, "flip by hand", "", words[removes]) for at, removes in other - own]


def _of_bursts(
    mine: SessionData, theirs: SessionData, places: tuple[int, int], channel: str, limits: tuple[float, float]
) -> list[Disagreement]:
    index, number = places
    own = [b for b in BurstBook().bursts_of(mine, index, channel) if _within(b, limits)]
    other = [b for b in BurstBook().bursts_of(theirs, number, channel) if _within(b, limits)]
    out = []
    pairs, left = paired(own, other, lambda one: one.burst)
    said = names_of_bursts(mine, index, channel, [one for one, _ in pairs])
    # of those without a partner nothing is asked, so any burst may stand in its place
    others_said = names_of_bursts(theirs, number, channel, [partner or one for one, partner in pairs])
    for (one, partner), own_said, other_said in zip(pairs, said, others_said, strict=True):
        if partner is None and not _whole(one, limits):
            continue  # theirs is cut within it
        if partner is None or one.bits != partner.bits:
            out.append(Disagreement(index, one.burst.start_s, f"bits of {channel}", *_bits(one, partner)))
        if partner is not None and own_said != other_said:
            words = own_said.text or "counted", other_said.text or "counted"
            out.append(Disagreement(index, one.burst.start_s, f"burst of {channel}", *words))
    return out + [
        Disagreement(index, b.burst.start_s, f"bits of {channel}", "", b.bits or "none")
        for b in left
        if _whole(b, limits)
    ]


def _within(one: CorrectedBurst, limits: tuple[float, float]) -> bool:
    return one.burst.end_s > limits[0] and one.burst.start_s < limits[1]


def _whole(one: CorrectedBurst, limits: tuple[float, float]) -> bool:
    return one.burst.start_s >= limits[0] and one.burst.end_s <= limits[1]


def _bits(one: CorrectedBurst, other: CorrectedBurst | None) -> tuple[str, str]:
    """Both readings; of long ones the first place where they part."""
    a, b = one.bits or "none", "" if other is None else other.bits or "none"
    if len(a) + len(b) <= 200 or not b:
        return a, b
    at = next((k for k, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), min(len(a), len(b)))
    return _from(a, at), _from(b, at)


def _from(bits: str, at: int) -> str:
    return (
        f"from bit {at}: {bits[at : at + _SHOWN_BITS]}" if at < len(bits) else f"ends after {len(bits)} bits"
    )
