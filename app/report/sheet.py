"""The signal sheet: what was measured of one channel, each value with its uncertainty and count."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace

from app.model.quantity import format_quantity
from app.model.summary import KIND_WORDS, Estimate, TalkerSummary, duration_text, probability_text
from app.report.gather import ChannelReport
from app.report.markup import Element, table
from app.report.pictures import talker_name
from dsp.measure import noise_relative_std
from dsp.reading import Reading
from dsp.results import Burst

Row = tuple[str, str, str, str]
_HEADS = ("quantity", "of", "value", "from")


def signal_sheet(part: ChannelReport) -> Element:
    """The table; what the samples do not show has no row."""
    rows = [
        *_left_out(part),
        *_signalling(part),
        *_pooled(part),
        *_levels(part),
        *_lengths(part),
        *_timing(part),
    ]
    return table(_HEADS, rows, kind="sheet")


def tolerance_words(part: ChannelReport) -> str:
    """What the uncertainties hold, and what they do not."""
    told = {"time base": part.tolerance.timebase_ppm, "gain": part.tolerance.gain_percent}
    stated = [
        f"{name} ±{value:g} {unit}"
        for (name, value), unit in zip(told.items(), ("ppm", "%"), strict=True)
        if value is not None
    ]
    missing = [name for name, value in told.items() if value is None]
    words = (
        "The digits in parentheses are the standard uncertainty in the last digits of the value (JCGM 100)."
    )
    if stated:
        words += f" They include the stated tolerance of the instrument: {', '.join(stated)}."
    if missing:
        words += (
            f" The tolerance of the instrument's {' and '.join(missing)} is not stated and not included: "
            "comparisons with absolute numbers must allow for it."
        )
    return words


def _signalling(part: ChannelReport) -> list[Row]:
    found = part.summary.signalling
    others = ", ".join(f"{one.kind} {one.probability:.3g}" for one in found.alternatives)
    codes = Counter(one.burst.line_code for one in part.counted)
    rows: list[Row] = [
        (
            "modulation",
            "all",
            f"{found.kind}, probability {found.probability:.3g}",
            KIND_WORDS.get(found.kind, found.kind) + (f"; not ruled out: {others}" if others else ""),
        )
    ]
    if codes:
        rows.append(("line code", "all", ", ".join(codes), _counted(sum(codes.values()), "burst")))
    return rows


def _left_out(part: ChannelReport) -> list[Row]:
    if not part.left_out:
        return []
    shown = ", ".join(map(str, part.left_out[:20])) + (" …" if len(part.left_out) > 20 else "")
    words = f"number {shown} in the table of bursts; in none of the figures below"
    return [("left out by hand", "all", _counted(len(part.left_out), "burst"), words)]


def _pooled(part: ChannelReport) -> list[Row]:
    rows: list[Row] = []
    for name, field, unit in (
        ("carrier", "carrier_hz", "Hz"),
        ("symbol rate", "symbol_rate_bd", "Bd"),
        ("cycles per symbol", "cycles_per_symbol", ""),
    ):
        rows += _each(part, name, field, unit)
        if field == "symbol_rate_bd":
            rows += _periods(part)
    for talker in part.summary.talkers:
        if talker.amplitude is not None and math.isfinite(talker.amplitude.value):
            rows.append(
                ("amplitude", talker_name(talker.talker), *_estimate(talker.amplitude, part.unit, talker))
            )
    ratios = [one.burst for one in part.counted if one.burst.esn0_db is not None]
    for talker in part.summary.talkers:
        mine = [burst for burst in ratios if burst.talker == talker.talker]
        values = [burst.esn0_db or 0.0 for burst in mine]
        if values:
            text = _mean(values, [burst.esn0_std_db for burst in mine], "dB")
            rows.append(("Es/N0", talker_name(talker.talker), text, _counted(len(values), "burst")))
    return rows


def _each(part: ChannelReport, name: str, field: str, unit: str) -> list[Row]:
    shared: Estimate | None = getattr(part.summary, field)
    rows: list[Row] = []
    if shared is not None:
        note = ""
        if len(part.summary.talkers) > 1 and shared.birge_ratio > 3:
            note = f"; the talkers differ (Birge ratio {_ratio(shared.birge_ratio)})"
        rows.append((name, "all", shared.text(unit), _estimates(shared, part.summary.bursts) + note))
    if len(part.summary.talkers) > 1:
        for talker in part.summary.talkers:
            own: Estimate | None = getattr(talker, field)
            if own is not None:
                rows.append((name, talker_name(talker.talker), *_estimate(own, unit, talker)))
    return rows


def _ratio(value: float) -> str:
    return f"{value:.1f}" if value < 10 else f"{value:.0f}" if value < 1e6 else f"{value:.1e}"


def _periods(part: ChannelReport) -> list[Row]:
    rate = part.summary.symbol_rate_bd
    if rate is None or not rate.value:
        return []
    period_s = 1 / rate.value
    std_s = None if rate.std is None else period_s * rate.std / rate.value
    return [
        ("symbol period", "all", format_quantity(period_s, std_s, "s"), _estimates(rate, part.summary.bursts))
    ]


def _levels(part: ChannelReport) -> list[Row]:
    levels = part.levels()
    if levels is None:
        return []
    gain = part.tolerance.gain_relative_std
    rows: list[Row] = []
    for name, reading in (
        ("mean level", levels.mean),
        ("RMS", levels.rms),
        ("peak to peak", levels.peak_to_peak),
    ):
        told = replace(reading, tolerance_std=abs(reading.value) * gain)
        rows.append((name, "the line", _reading(told), _counted(told.count or 0, "sample")))
    if math.isfinite(levels.noise):
        relative = math.hypot(noise_relative_std(levels.mean.count or 0), gain)
        std = abs(levels.noise) * relative if math.isfinite(relative) else None
        noise = format_quantity(levels.noise, std, part.unit)
        rows.append(("noise, RMS", "the line", noise, _counted(levels.mean.count or 0, "sample")))
    return rows


def _lengths(part: ChannelReport) -> list[Row]:
    rows: list[Row] = []
    certain = part.summary.length_probability
    sure = (
        ""
        if certain is None or not math.isfinite(certain)
        else f"; each right to the symbol with probability {probability_text(certain)}"
    )
    for talker in part.summary.talkers:
        bursts = [one.burst for one in part.counted if one.burst.talker == talker.talker]
        whole = Counter(len(burst.symbols) for burst in bursts if not _is_cut(burst))
        cut = sum(_is_cut(burst) for burst in bursts)
        if not whole:
            continue
        shown = sorted(whole.items(), key=lambda item: (-item[1], item[0]))
        rate = talker.symbol_rate_bd
        text = ", ".join(f"{_length(length, rate)} × {count}" for length, count in shown[:8])
        text += f", {len(shown) - 8} other lengths" if len(shown) > 8 else ""
        note = f"; {_counted(cut, 'burst')} cut by the capture left out" if cut else ""
        rows.append(
            (
                "frame length",
                talker_name(talker.talker),
                text,
                _counted(sum(whole.values()), "burst") + note + sure,
            )
        )
    return rows


def _length(symbols: int, rate_bd: Estimate | None) -> str:
    text = _counted(symbols, "symbol")
    return (
        f"{text} ({duration_text(symbols, rate_bd)})" if rate_bd is not None and rate_bd.value > 0 else text
    )


def _timing(part: ChannelReport) -> list[Row]:
    rows: list[Row] = []
    for one in part.intervals:
        name = "answer time" if one.is_answer else "gap"
        pair = f"{talker_name(one.before)} → {talker_name(one.after)}"
        text = format_quantity(one.mean_s, one.std_s, "s")
        if one.count > 1:
            shortest = format_quantity(one.shortest_s, one.shortest_std_s, "s")
            longest = format_quantity(one.longest_s, one.longest_std_s, "s")
            text = f"mean {text}, from {shortest} to {longest}"
        rows.append((name, pair, text, _counted(one.count, "pair")))
    return rows


def _is_cut(burst: Burst) -> bool:
    return burst.cut_at_start or burst.cut_at_end


def _estimate(one: Estimate, unit: str, talker: TalkerSummary) -> tuple[str, str]:
    return one.text(unit), _estimates(one, talker.bursts)


def _estimates(one: Estimate, bursts: int) -> str:
    shared = "" if one.count == bursts else f", {_counted(one.count, 'estimate')}"
    return _counted(bursts, "burst") + shared


def _mean(values: list[float], stds: list[float | None], unit: str) -> str:
    """Mean with its standard uncertainty: from the scatter, but no less than what each of the values claims."""
    count = len(values)
    mean = math.fsum(values) / count
    known = [std for std in stds if std is not None and math.isfinite(std)]
    variance = math.fsum(std * std for std in known) / len(known) if known else None
    if count > 1:
        scatter = math.fsum((value - mean) ** 2 for value in values) / (count - 1)
        variance = max(scatter, variance or 0.0)
    return format_quantity(mean, None if variance is None else math.sqrt(variance / count), unit)


def _reading(reading: Reading) -> str:
    return format_quantity(reading.value, reading.combined_std, reading.unit)


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
