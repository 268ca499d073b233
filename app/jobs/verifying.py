"""Decode again what a session holds, from its own samples and settings, and compare burst by burst.

What is compared is what the decoder found; corrections by hand are counted beside it and change no verdict.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from operator import attrgetter
from typing import Literal

from app.errors import UsageError
from app.jobs.decoding import DecodeRequest, run_decode
from app.model.burst_pairs import paired
from app.model.corrections import corrected
from app.model.items import DecodeRun, FlipMark, SessionData
from app.model.naming import NOTHING_SAID, BurstName, names_of
from app.model.sharing import SHARED_CUT
from dsp.results import Burst, Decode, DecodeSettings

Progress = Callable[[float], None]
Cancelled = Callable[[], bool]
Verdict = Literal["same", "different", "missing", "new"]

_EXACT = ("symbols", "bits", "line_code", "bits_per_symbol", "cut_at_start", "cut_at_end", "talker")
_OF_BITS = ("symbols", "bits", "line_code", "bits_per_symbol", "characters")
# another processor may round the last digits otherwise; a tenth of the uncertainty changes no conclusion
_OF_STD = 0.1
_RELATIVE = 1e-9
_PROBABILITY = 1e-3


@dataclass(frozen=True)
class Difference:
    """A field of a burst, or of a decode, that came out otherwise."""

    field: str
    stored: object
    again: object


@dataclass(frozen=True)
class HandCorrection:
    """What the user set within a burst, and the bits with it; None where no bits follow from it."""

    flips_set: int
    flips_removed: int
    bits: str | None


@dataclass(frozen=True)
class BurstVerdict:
    """One burst, stored and decoded again; ``missing`` was stored and is not found again, ``new`` the opposite.

    ``said`` is its name, and whether the user left it out: it is compared all the same.
    """

    number: int
    verdict: Verdict
    stored: Burst | None
    again: Burst | None
    differences: tuple[Difference, ...] = ()
    hand: HandCorrection | None = None
    said: BurstName = NOTHING_SAID


@dataclass(frozen=True)
class RunVerdict:
    """One decode of a session.

    ``samples_same`` compares the digest of the samples, None where none was stored. ``failure`` says why the
    decode could not be repeated. ``differences`` are those of the decode as a whole.
    """

    key: int
    capture: int
    capture_name: str
    label: str
    channel: str
    span_s: tuple[float, float]
    settings: DecodeSettings
    program_version: str
    samples_sha256: str
    samples_same: bool | None
    differences: tuple[Difference, ...]
    bursts: tuple[BurstVerdict, ...]
    failure: str | None = None

    @property
    def is_same(self) -> bool:
        return (
            self.failure is None
            and self.samples_same is not False
            and not self.differences
            and all(burst.verdict == "same" for burst in self.bursts)
        )


def verify_run(
    data: SessionData, run: DecodeRun, progress: Progress | None = None, cancelled: Cancelled | None = None
) -> RunVerdict:
    """Repeat one decode of ``data``.

    Raises
    ------
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    capture = data.captures[run.capture]
    request = DecodeRequest(capture, run.channel, run.span_s, run.result.settings, hash_wanted=True)
    failure: str | None = None
    samples_same: bool | None = None
    differences: tuple[Difference, ...] = ()
    bursts: tuple[BurstVerdict, ...] = ()
    try:
        outcome = run_decode(request, progress, cancelled)
    except UsageError as error:
        failure = str(error)
    else:
        if run.samples_sha256:
            samples_same = outcome.samples_sha256 == run.samples_sha256
        differences = _of_decode(run.result, outcome.result)
        flips = [flip for flip in data.flips if flip.capture == run.capture]
        is_cut = any(notice.code == SHARED_CUT for notice in run.result.warnings)
        sample_s = 1 / capture.rate_hz
        found = compare_bursts(run.result.bursts, outcome.result.bursts, sample_s, flips, bits_only=is_cut)
        bursts = _named(data, run, found)
    return RunVerdict(
        key=run.key,
        capture=run.capture,
        capture_name=capture.name,
        label=capture.label,
        channel=run.channel,
        span_s=run.span_s,
        settings=run.result.settings,
        program_version=run.program_version,
        samples_sha256=run.samples_sha256,
        samples_same=samples_same,
        differences=differences,
        bursts=bursts,
        failure=failure,
    )


def _named(data: SessionData, run: DecodeRun, found: tuple[BurstVerdict, ...]) -> tuple[BurstVerdict, ...]:
    spans_s = [(0.0, 0.0) if one.stored is None else (one.stored.start_s, one.stored.end_s) for one in found]
    names = names_of(data, run.capture, run.channel, spans_s)
    return tuple(replace(one, said=said) for one, said in zip(found, names, strict=True))


def compare_bursts(
    stored: Sequence[Burst],
    again: Sequence[Burst],
    sample_s: float,
    flips: Sequence[FlipMark] = (),
    *,
    bits_only: bool = False,
) -> tuple[BurstVerdict, ...]:
    """Pair bursts that overlap in time by more than half of the shorter one, in order, and compare each pair.

    ``sample_s`` is the time between samples, ``flips`` are those set by hand in the capture. With ``bits_only``
    the values that a decode pools over all its bursts are passed over, as of a copy that holds only some of them.
    """
    out: list[BurstVerdict] = []
    flips = sorted(flips, key=attrgetter("time_s"))
    times_s = [flip.time_s for flip in flips]
    pairs, left = paired(stored, again, lambda burst: burst)
    for burst, partner in pairs:
        if partner is None:
            out.append(BurstVerdict(0, "missing", burst, None, (), _hand(burst, flips, times_s)))
            continue
        differences = _of_bursts(burst, partner, sample_s)
        if bits_only:
            differences = tuple(one for one in differences if one.field in _OF_BITS)
        verdict: Verdict = "different" if differences else "same"
        out.append(BurstVerdict(0, verdict, burst, partner, differences, _hand(burst, flips, times_s)))
    if not bits_only or not stored:
        out += [BurstVerdict(0, "new", None, burst) for burst in left]
    out.sort(key=lambda one: (one.stored or one.again or stored[0]).start_s)
    return tuple(
        BurstVerdict(n, one.verdict, one.stored, one.again, one.differences, one.hand)
        for n, one in enumerate(out)
    )


def _of_decode(stored: Decode, again: Decode) -> tuple[Difference, ...]:
    codes = [None if one.refusal is None else one.refusal.code for one in (stored, again)]
    pairs = (
        ("kind", stored.signalling.kind, again.signalling.kind),
        ("refusal", codes[0], codes[1]),
    )
    return tuple(Difference(name, a, b) for name, a, b in pairs if a != b)


def _of_bursts(stored: Burst, again: Burst, sample_s: float) -> tuple[Difference, ...]:
    found = [
        Difference(name, getattr(stored, name), getattr(again, name))
        for name in _EXACT
        if getattr(stored, name) != getattr(again, name)
    ]
    near: tuple[tuple[str, float | None], ...] = (
        ("start_s", sample_s),
        ("end_s", sample_s),
        ("first_symbol_s", sample_s),
        ("amplitude", stored.amplitude_std),
        ("carrier_hz", stored.carrier_std_hz),
        ("symbol_rate_bd", stored.symbol_rate_std_bd),
        ("esn0_db", stored.esn0_std_db),
        ("start_probability", _PROBABILITY / _OF_STD),
        ("end_probability", _PROBABILITY / _OF_STD),
    )
    for name, scale in near:
        a, b = getattr(stored, name), getattr(again, name)
        if not _is_near(a, b, scale):
            found.append(Difference(name, a, b))
    if len(stored.flips_s) != len(again.flips_s):
        found.append(Difference("flips", len(stored.flips_s), len(again.flips_s)))
    worst = [abs(a - b) for a, b in zip(stored.confidence, again.confidence, strict=False)]
    if len(stored.confidence) != len(again.confidence) or max(worst, default=0.0) > _PROBABILITY:
        found.append(
            Difference("confidence", *(min(one.confidence, default=None) for one in (stored, again)))
        )
    if stored.characters != again.characters:
        found.append(Difference("characters", *(_values(one) for one in (stored, again))))
    return tuple(found)


def _is_near(stored: float | None, again: float | None, scale: float | None) -> bool:
    if stored is None or again is None:
        return stored is again
    if math.isnan(stored) or math.isnan(again):
        return math.isnan(stored) and math.isnan(again)
    allowed = _OF_STD * scale if scale is not None and math.isfinite(scale) else 0.0
    return abs(stored - again) <= max(allowed, _RELATIVE * abs(stored))


def _values(burst: Burst) -> list[int] | None:
    return None if burst.characters is None else [one.value for one in burst.characters]


def _hand(burst: Burst, flips: Sequence[FlipMark], times_s: Sequence[float]) -> HandCorrection | None:
    """``times_s`` are those of the flips, ascending."""
    first = bisect_left(times_s, min(burst.start_s, burst.first_symbol_s))
    one = corrected(burst, flips[first : bisect_left(times_s, burst.end_s)])
    if not one.marks:
        return None
    removed = sum(mark.removes for mark in one.marks)
    return HandCorrection(len(one.marks) - removed, removed, one.bits)
