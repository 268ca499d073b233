"""The whole way from samples to bits."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from dsp.assemble import bursts_of
from dsp.classify import explain_nothing, reversed_carrier
from dsp.errors import BadInputError
from dsp.look import looked_at
from dsp.noise import estimate_noise
from dsp.outcome import FewFlips
from dsp.results import (
    KINDS,
    LINE_CODES,
    POLARITIES,
    Alternative,
    Burst,
    Decode,
    DecodeSettings,
    Notice,
    Refusal,
    Signalling,
)
from dsp.searches import searched
from dsp.source import Record, SampleSource, Watch, make_record
from dsp.taken_off import without_all
from dsp.told import Shown, common_measure, contradictions

__all__ = ["SampleSource", "decode"]


def decode(
    samples: SampleSource,
    rate_hz: float,
    *,
    start_s: float = 0.0,
    scale: float = 1.0,
    offset: float = 0.0,
    settings: DecodeSettings | None = None,
    segments: tuple[tuple[int, int, float], ...] | None = None,
    progress: Callable[[float], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Decode:
    """Find the bursts in one channel and decode them, told nothing in advance or anything.

    Parameters
    ----------
    samples : one-dimensional real samples in their stored type; read only by slices ``samples[a:b]``.
    rate_hz : sample rate.
    start_s : time of the first sample.
    scale, offset : ``value = stored * scale + offset``.
    settings : what is known already.
    segments : ``(first, last, start_s)`` of each contiguous stretch; nothing is decoded across an edge.
    progress : called now and then with the fraction done, 0 to 1.
    cancelled : asked now and then; True makes `dsp.errors.CancelledError` come out.

    Raises
    ------
    dsp.errors.BadInputError : rate not positive and finite, samples not one-dimensional and real, or a
        carrier told above half the sample rate.
    dsp.errors.CancelledError : ``cancelled`` answered True.
    TypeError : a rate or something told that is no number, samples that are no row of numbers.
    """
    settings = DecodeSettings() if settings is None else settings
    raw = make_record(samples, rate_hz, start_s, scale, offset, segments)
    _check(settings, rate_hz)
    if settings.modulation not in (None, "bpsk"):
        text = f"{settings.modulation} was told, and only bpsk can be turned into bits; tell nothing to look"
        return Decode(settings, Signalling("undecided", 0.0, (), (text,)), (), Refusal("not-decodable", text))
    record = looked_at(raw)
    watch = Watch(progress, cancelled)
    watch.at(0.0)
    broken = _not_finite(record)
    result = _decoded(record, settings, watch)
    if broken is None:
        return result
    if broken.count == record.samples:
        return _nothing(settings, "flat", "no sample is a finite number: there is nothing to decode")
    return replace(result, warnings=(broken, *result.warnings))


def _decoded(record: Record, settings: DecodeSettings, watch: Watch) -> Decode:
    noise = estimate_noise(record)
    if noise is None:
        return _nothing(
            settings, "too-short", f"{record.samples} samples are too few to tell a signal from noise"
        )
    if _is_flat(record):
        return _nothing(settings, "flat", "every sample has the same value: nothing is on this channel")
    calm, floor = without_all(record, noise)
    search = searched((calm, floor), (record, noise), settings, watch)
    if not search.links:
        signalling, refusal = explain_nothing(record, noise, list(search.active), search)
        if signalling.kind in ("none", "undecided", "tone"):
            few = search.few or reversed_carrier(record, noise, search)
            if few:
                return _few_flips(settings, few)
        return Decode(settings, signalling, (), refusal)
    bursts = bursts_of(record, search.links, settings)
    symbols = sum(len(b.symbols) for b in bursts)
    reasons: tuple[str, ...] = (
        f"{len(bursts)} bursts, {symbols} symbols lie at two opposite phases of one carrier",
        f"the squared signal has a line at {2.0 * search.links[0].model.carrier_hz:.6g} Hz",
    )
    if search.before_filter:
        text = "a filter had shaped them and the noise alike: they were decoded, and are timed, as they were before it"
        reasons = (*reasons, text)
    watch.at(1.0)
    multiple = max(link.told_multiple for link in search.links)
    if settings.symbol_rate_bd is not None and multiple == 1:
        # strong symbols are found at the rate told at once
        multiple = common_measure([b.symbols for b in bursts])
    told = (settings.carrier_hz, settings.symbol_rate_bd, settings.line_code)
    notices: tuple[Notice, ...] = ()
    if any(value is not None for value in told):
        notices = contradictions(settings, _shown(bursts), multiple, [b.symbols for b in bursts])
    return Decode(settings, Signalling("bpsk", 0.99, (), reasons), bursts, warnings=notices)


def _shown(bursts: tuple[Burst, ...]) -> list[Shown]:
    return [
        Shown(b.carrier_hz, b.symbol_rate_bd, b.carrier_std_hz or 0.0, b.symbol_rate_std_bd or 0.0)
        for b in bursts
        if b.carrier_hz is not None and b.symbol_rate_bd is not None
    ]


def _few_flips(settings: DecodeSettings, found: tuple[FewFlips, ...]) -> Decode:
    """Reversals, but too few or too regular ones: the symbol rate stays open."""
    few = max(found, key=lambda f: f.flips)
    where = f"were found in bursts of a carrier of {few.carrier_hz:.6g} Hz ({few.bursts} of them)"
    counted = "1 phase reversal" if few.flips == 1 else f"{few.flips} phase reversals"
    if few.alternates:
        why = (
            "with nothing but reversals, two tones would look the same, and so it cannot tell the symbol rate"
        )
    elif few.flips < 3:
        why = "too few to tell the symbol rate"
    else:
        why = "too few for their distances to have but one common measure, which the symbol period is"
    fact = f"{counted} {where}"
    one = "" if few.rate_bd is None else f", of which {few.rate_bd:.6g} Bd is one"
    text = f"{fact}: {why}{one}; more bursts, or the rate told, would"
    kinds = Signalling("undecided", 0.6, (Alternative("bpsk", 0.4),), (fact,))
    return Decode(settings, kinds, (), Refusal("symbol-rate-ambiguous", text))


def _not_finite(record: Record) -> Notice | None:
    """Samples in memory that are NaN or infinite: they count as silence, which must be said."""
    stored = record.source
    if (
        not isinstance(stored, (np.ndarray, list, tuple))
        or getattr(stored, "dtype", np.dtype(float)).kind != "f"
    ):
        return None
    count, first = 0, None
    for stretch in record.stretches:
        for start in range(stretch.first, stretch.last, 1 << 20):
            part = np.asarray(stored[start : min(stretch.last, start + (1 << 20))])
            # a sum is finite if all samples are, and quicker than asking each; it may overflow
            if part.dtype.kind != "f" or math.isfinite(float(np.add.reduce(part, dtype=np.float64))):
                continue
            at = np.flatnonzero(~np.isfinite(part))
            count += at.size
            if at.size and first is None:
                first = start + int(at[0])
    if first is None:
        return None
    text = (
        f"{count} samples are NaN or infinite, the first of them sample {first}: they were counted as silence"
    )
    return Notice("not-finite", text, count, first)


def _nothing(settings: DecodeSettings, code: str, text: str) -> Decode:
    return Decode(settings, Signalling("none", 1.0, (), (text,)), (), Refusal(code, text))


def _is_flat(record: Record) -> bool:
    first = record.read(record.stretches[0].first, record.stretches[0].first + 1)[0]
    for stretch in record.stretches:
        for start in range(stretch.first, stretch.last, 1 << 18):
            part = record.read(start, min(stretch.last, start + (1 << 18)))
            if part.min() != first or part.max() != first:
                return False
    return True


def _check(settings: DecodeSettings, rate_hz: float) -> None:
    if not isinstance(settings, DecodeSettings):
        raise TypeError(f"settings must be a DecodeSettings, not {type(settings).__name__}")
    for name, value in (("carrier", settings.carrier_hz), ("symbol rate", settings.symbol_rate_bd)):
        if value is not None and (isinstance(value, (str, complex)) or not hasattr(value, "__float__")):
            raise TypeError(f"the {name} told must be a real number, not {value!r}")
        if value is not None and not (math.isfinite(value) and value > 0.0):
            raise BadInputError(f"the {name} told must be a positive number, not {value!r}")
        if value is not None and value >= rate_hz / 2.0:
            raise BadInputError(
                f"the {name} told, {value:g}, is not below half the sample rate ({rate_hz / 2.0:g}): "
                "samples at this rate cannot show it"
            )
    for word, known, name in (
        (settings.modulation, KINDS, "modulation"),
        (settings.line_code, LINE_CODES, "line code"),
        (settings.polarity, POLARITIES, "polarity"),
    ):
        if word is not None and word not in known:
            raise BadInputError(f"unknown {name} {word!r}: one of {', '.join(known)}")
