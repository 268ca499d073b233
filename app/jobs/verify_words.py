"""What came of decoding again, in words: for the command line and the window alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from app.jobs.verifying import BurstVerdict, Difference, HandCorrection, RunVerdict
from dsp.results import Burst

VERDICT_WORDS = {
    "same": "same",
    "different": "DIFFERENT",
    "missing": "NOT FOUND AGAIN",
    "new": "NOT IN THE SESSION",
}
SAMPLES_WORDS = {True: "the same", False: "DIFFERENT", None: "not stated in the session"}
_MOST_SHOWN = 64


@dataclass(frozen=True)
class VerifyRow:
    """A line of the result: of one burst, or of a decode as a whole where ``number`` is None.

    ``span_s`` is where to look at it.
    """

    capture: int
    capture_name: str
    channel: str
    number: int | None
    span_s: tuple[float, float] | None
    is_same: bool
    words: str
    details: str


def rows_of(verdict: RunVerdict) -> tuple[VerifyRow, ...]:
    """Of a decode first what concerns all of it, then each burst."""
    whole = [f"samples: {SAMPLES_WORDS[verdict.samples_same]}", f"by version {verdict.program_version}"]
    if verdict.failure is not None:
        whole.append(f"it cannot be decoded again: {verdict.failure}")
    whole += [difference_text(one) for one in verdict.differences]
    is_same = verdict.failure is None and verdict.samples_same is not False and not verdict.differences
    where = verdict.capture, verdict.capture_name, verdict.channel
    first = VerifyRow(
        *where, None, verdict.span_s, is_same, "same" if is_same else "DIFFERENT", "; ".join(whole)
    )
    return first, *(_of_burst(where, burst) for burst in verdict.bursts)


def total_text(verdicts: Sequence[RunVerdict]) -> str:
    """What became of all decodes, in a sentence."""
    bursts = [burst for verdict in verdicts for burst in verdict.bursts]
    total = f"{counted(len(verdicts), 'decode')}, {counted(len(bursts), 'burst')}"
    other = sum(burst.verdict != "same" for burst in bursts)
    runs = sum(not verdict.is_same for verdict in verdicts)
    if not verdicts:
        return "There is nothing to check: the session holds no decode."
    if not runs:
        return f"Decoded again, everything is the same: {total}."
    return (
        f"Decoded again, {runs} of {total} came out differently; {counted(other, 'burst')} are not the same."
    )


def _of_burst(where: tuple[int, str, str], burst: BurstVerdict) -> VerifyRow:
    either = burst.stored or burst.again
    details = [difference_text(one) for one in burst.differences]
    if burst.hand is not None:
        details.append(hand_text(burst.hand))
    if burst.said.text:
        details.append(burst.said.text)
    return VerifyRow(
        *where,
        burst.number,
        _span(either),
        burst.verdict == "same",
        VERDICT_WORDS[burst.verdict],
        "; ".join(details),
    )


def _span(burst: Burst | None) -> tuple[float, float] | None:
    return None if burst is None else (burst.start_s, burst.end_s)


def difference_text(one: Difference) -> str:
    return f"{one.field.replace('_', ' ')}: {shown(one.stored)} in the session, {shown(one.again)} now"


def hand_text(hand: HandCorrection) -> str:
    read = "no bits follow" if hand.bits is None else f"with them {shown(hand.bits)}"
    return (
        f"by hand, not compared: {counted(hand.flips_set, 'flip')} set, {hand.flips_removed} removed; {read}"
    )


def shown(value: object) -> str:
    """A value in few characters."""
    text = repr(value) if isinstance(value, float) else str(value)
    return text if len(text) <= _MOST_SHOWN else f"{text[:_MOST_SHOWN]}…"


def counted(count: int, noun: str) -> str:
    """``1 burst``, ``2 bursts``."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
