"""The pictures of a report, each an SVG element."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from app.model.corrections import CorrectedBurst
from app.report.gather import Cancelled, ChannelReport
from app.report.markup import Element, figure
from app.report.plots import COLOURS, DASHES, FAINT, TRACE, Axis, Plot, span_of
from app.report.samples import envelope, indices, segment_at, spectra, values
from dsp.results import Burst

_COLUMNS = 640
# more do not leave room for the number of the talker
_MOST_CARRIERS = 80
_MOST_SYMBOLS = 64
_MOST_POINTS = 4000
_MOST_STACKED = 80
_LANE_SHARE = 0.14
# numbers of talkers above the trace, each talker's on a height of its own
_LABEL_ROWS, _LABEL_SHARE = 4, 0.06


def talker_name(talker: int | None) -> str:
    return "unassigned" if talker is None else f"talker {talker}"


def colour_of(talker: int | None) -> str:
    return "#555555" if talker is None else COLOURS[talker % len(COLOURS)]


def overview(part: ChannelReport, number: int, cancelled: Cancelled | None) -> Element:
    """All of the decoded span, its bursts shaded and marked with their talker."""
    span_s = part.span_s
    shown = envelope(part.capture, part.source, span_s, _COLUMNS, cancelled)
    talkers = sorted({one.burst.talker for one in part.bursts if one.burst.talker is not None})
    low, high = span_of([*shown.lows, *shown.highs], 0.12)
    rows = min(len(talkers), _LABEL_ROWS)
    plot = Plot(
        f"overview{number}",
        Axis(*span_s, "time", "s"),
        Axis(low, high + (high - low) * _LABEL_SHARE * max(rows - 1, 0), part.channel[:24], part.unit),
        about=f"The decoded span of {part.capture.name} with its bursts",
    )
    for start_s, end_s, talker in _shaded(part, (span_s[1] - span_s[0]) / _COLUMNS):
        plot.shade(start_s, end_s, colour_of(talker), 0.25)
    plot.envelope(shown.times_s, shown.lows, shown.highs, TRACE)
    apart = (span_s[1] - span_s[0]) / 40
    last = dict.fromkeys(talkers, -math.inf)
    for one in part.bursts:
        talker = one.burst.talker
        if talker is None or one.burst.start_s - last[talker] < apart:
            continue
        middle = (one.burst.start_s + one.burst.end_s) / 2
        height = 0.06 + _LABEL_SHARE * (talkers.index(talker) % _LABEL_ROWS)
        plot.text(middle, height, str(talker), size=9, fill=colour_of(talker))
        last[talker] = one.burst.start_s
    words = "The decoded span: least and largest value at each place"
    if part.bursts:
        words += ", bursts shaded" + (", the number above is the talker" if talkers else "")
    return figure(plot.root, f"{words}.")


def _shaded(part: ChannelReport, apart_s: float) -> list[tuple[float, float, int | None]]:
    """Start, end and talker of what is shaded: bursts, those of one talker that no eye could tell apart as one."""
    out: list[tuple[float, float, int | None]] = []
    last: dict[int | None, int] = {}
    for one in part.bursts:
        burst = one.burst
        at = last.get(burst.talker)
        if at is not None and burst.start_s - out[at][1] < apart_s and len(part.bursts) > _COLUMNS:
            out[at] = (out[at][0], max(out[at][1], burst.end_s), burst.talker)
        else:
            last[burst.talker] = len(out)
            out.append((burst.start_s, burst.end_s, burst.talker))
    return out


def typical(part: ChannelReport) -> list[CorrectedBurst]:
    """Of each talker, at most four of them, the burst with the best signal that is not cut."""
    best: dict[int | None, CorrectedBurst] = {}
    for one in part.counted:
        burst = one.burst
        before = best.get(burst.talker)
        if before is None or _merit(burst) > _merit(before.burst):
            best[burst.talker] = one
    ordered = sorted(best.items(), key=lambda item: (item[0] is None, item[0] or 0))
    return [one for _, one in ordered][:4]


def annotated_burst(part: ChannelReport, one: CorrectedBurst, number: int, place: int) -> Element:
    """The trace of a burst, flips as ticks through it, the decoded symbols as a lane over the same time axis."""
    burst = one.basis
    period_s = 1 / burst.symbol_rate_bd if burst.symbol_rate_bd else None
    end_s = burst.end_s
    if period_s is not None:
        end_s = min(end_s, burst.first_symbol_s + _MOST_SYMBOLS * period_s)
    margin_s = (period_s or (end_s - burst.start_s) / 20) * 1.5
    span_s = (burst.start_s - margin_s, end_s + margin_s)
    first, last = indices(part.capture, segment_at(part.capture, burst.start_s), span_s)
    segment = segment_at(part.capture, burst.start_s)
    about = f"Burst {place} of {talker_name(burst.talker)} with flips and symbols"
    if last - first > _MOST_POINTS:
        shown = envelope(part.capture, part.source, span_s, _COLUMNS)
        low, high = span_of([*shown.lows, *shown.highs])
    else:
        ys = values(part.source, first, last).tolist()
        xs = [segment.start_s + (n - segment.first) / part.capture.rate_hz for n in range(first, last)]
        low, high = span_of(ys)
    room = (high - low) * _LANE_SHARE / (1 - _LANE_SHARE)
    plot = Plot(
        f"burst{number}",
        Axis(*span_s, "time", "s"),
        Axis(low - room, high, part.channel[:24], part.unit),
        height=240,
        about=about,
    )
    if last - first > _MOST_POINTS:
        plot.envelope(shown.times_s, shown.lows, shown.highs, TRACE)
    else:
        plot.line(xs, ys, TRACE, stroke_width="0.7")
    hand = {flip.time_s for flip in one.flips if flip.by_hand}
    for flip in one.flips:
        by_hand = flip.time_s in hand
        plot.upright(flip.time_s, COLOURS[1] if by_hand else COLOURS[0], dash="4 2" if by_hand else "")
    plot.upright(burst.start_s, COLOURS[2], dash="6 2")
    plot.upright(burst.end_s, COLOURS[2], dash="6 2")
    if period_s is not None:
        _lane(plot, one, period_s, end_s)
    confident = f", {_least(min(burst.confidence))}" if burst.confidence else ""
    told = f"Burst {place}, {talker_name(burst.talker)}: {len(one.symbols)} symbols{confident}."
    cut = "" if end_s >= burst.end_s else f" The first {_MOST_SYMBOLS} symbols are shown."
    by_hand_words = f" {len(hand)} of the flips were set by hand (broken lines)." if hand else ""
    words = "Upright lines are flips, the broken green ones the ends of the burst; below are the symbols."
    return figure(plot.root, f"{told}{cut} {words}{by_hand_words}")


def _least(confidence: float) -> str:
    """Never as if a decision were certain."""
    return (
        "each right with probability above 0.9999"
        if confidence > 0.9999
        else f"least confidence {confidence:.4f}"
    )


def _lane(plot: Plot, one: CorrectedBurst, period_s: float, end_s: float) -> None:
    top = 1 - _LANE_SHARE
    changed = set(one.changed)
    size = 10 if len(one.symbols) <= 48 else 8
    for k, symbol in enumerate(one.symbols):
        start_s = one.basis.first_symbol_s + k * period_s
        if start_s >= end_s:
            break
        fill = "#D9E8F2" if symbol == "1" else "#FFFFFF"
        stroke = COLOURS[1] if k in changed else "#777777"
        plot.box(start_s, start_s + period_s, top, 0.985, fill=fill, stroke=stroke, stroke_width="0.7")
        plot.text(start_s + period_s / 2, 0.965, symbol, size=size, font_family="monospace")


def spectrum(part: ChannelReport, one: CorrectedBurst, number: int) -> Element | None:
    """Spectrum of a burst and of its square, on one axis of frequency."""
    found = spectra(part.capture, part.source, (one.burst.start_s, one.burst.end_s), one.burst.carrier_hz)
    if found is None:
        return None
    frequencies, power, of_square = (array.tolist() for array in found)
    plot = Plot(
        f"spectrum{number}",
        Axis(0.0, frequencies[-1], "frequency (of the square: halved)", "Hz"),
        Axis(-80.0, 5.0, "power", "dB"),
        about="Spectrum of a burst and of its square",
    )
    plot.line(frequencies, power, COLOURS[0])
    plot.line(frequencies, of_square, COLOURS[1], stroke_dasharray=DASHES[1])
    if one.burst.carrier_hz:
        plot.upright(one.burst.carrier_hz, COLOURS[2], dash=DASHES[2])
    return figure(
        plot.root,
        f"Power density of burst {part.bursts.index(one)} (solid) and of its square at half its frequency (broken), "
        "each over its largest; "
        "a carrier turned by half turns shows as a line in the square only. "
        "What is slower than a third of the carrier is taken off before. The dotted line is the carrier found.",
    )


def flip_distances(part: ChannelReport, number: int) -> Element | None:
    """How far flips that follow each other are apart, in symbols."""
    apart: list[float] = []
    for one in part.counted:
        rate = one.basis.symbol_rate_bd
        if rate:
            apart += [(b.time_s - a.time_s) * rate for a, b in pairwise(one.flips)]
    apart = [value for value in apart if 0 < value <= 12.5]
    if len(apart) < 8:
        return None
    edges = [n / 20 for n in range(251)]
    heights = [0] * 250
    for value in apart:
        heights[min(int(value * 20), 249)] += 1
    top = max(heights)
    right = min(12.5, max(apart) + 0.5)
    plot = Plot(
        f"flips{number}",
        Axis(0.0, right, "distance of neighbouring flips / symbols"),
        Axis(0.0, top * 1.1, "count"),
        height=170,
        about="Histogram of the distances between flips",
    )
    plot.bars(edges, heights, COLOURS[0])
    return figure(
        plot.root,
        f"Distances of {len(apart)} neighbouring flips in symbol periods. On a true symbol grid they stand at whole numbers.",
    )


def carriers(part: ChannelReport, number: int) -> Element | None:
    """Carrier of each burst, in order."""
    omitted = set(part.left_out)
    rows = [(n, one.burst) for n, one in enumerate(part.bursts) if one.burst.carrier_hz and n not in omitted]
    if len(rows) < 3:
        return None
    count = len(rows)
    rows = rows[:: math.ceil(count / _MOST_CARRIERS)]
    numbers = [n for n, _ in rows]
    found = [burst.carrier_hz or math.nan for _, burst in rows]
    stds = [part.tolerance.burst(burst).carrier_std_hz or 0.0 for _, burst in rows]
    ends = [value + sign * std for value, std in zip(found, stds, strict=True) for sign in (-1, 1)]
    plot = Plot(
        f"carriers{number}",
        Axis(numbers[0] - 0.5, numbers[-1] + 0.5, "burst"),
        Axis(*span_of(ends, 0.2), "carrier", "Hz"),
        height=190,
        about="Carrier of each burst with its standard uncertainty",
    )
    for (n, burst), value, std in zip(rows, found, stds, strict=True):
        colour = colour_of(burst.talker)
        plot.line([n, n], [value - std, value + std], colour, stroke_width="1.2")
        plot.points([n], [value], colour, 2.0)
        if burst.talker is not None:
            plot.text(n, _height(plot, value) - 0.03, str(burst.talker), size=8, fill=colour)
    some = "" if len(rows) == count else f" Shown are {len(rows)} of {count} bursts, evenly chosen."
    return figure(
        plot.root, f"Carrier of each burst with its standard uncertainty; the number is the talker.{some}"
    )


def stack(part: ChannelReport, number: int) -> Element | None:
    """The symbols of each burst as a row of cells, one burst below the other."""
    rows = part.counted[:_MOST_STACKED]
    longest = max((len(one.symbols) for one in rows), default=0)
    if len(rows) < 2 or not 2 <= longest <= 2000:
        return None
    plot = Plot(
        f"stack{number}",
        Axis(0.0, longest, "symbol"),
        Axis(-float(len(rows)), 0.0, "burst", without_sign=True),
        height=60 + 7 * len(rows),
        about="Symbols of each burst, one below the other",
    )
    for n, one in enumerate(rows):
        top, bottom = n / len(rows), (n + 0.86) / len(rows)
        plot.box(0, len(one.symbols), top, bottom, fill="none", stroke=FAINT, stroke_width="0.4")
        for first, last in _runs(one.symbols):
            plot.box(first, last, top, bottom, fill=colour_of(one.burst.talker), fill_opacity="0.55")
    more = (
        f" The first {_MOST_STACKED} of {len(part.counted)} bursts." if len(part.counted) > len(rows) else ""
    )
    return figure(
        plot.root,
        f"Symbols of each burst, filled where 1, coloured by talker: what is constant stands as upright stripes.{more}",
    )


def _runs(symbols: str) -> list[tuple[int, int]]:
    """Stretches of ones, half open."""
    out: list[tuple[int, int]] = []
    for k, symbol in enumerate(symbols):
        if symbol == "0":
            continue
        if out and out[-1][1] == k:
            out[-1] = (out[-1][0], k + 1)
        else:
            out.append((k, k + 1))
    return out


def _height(plot: Plot, value: float) -> float:
    return (plot.y.high - value) / (plot.y.high - plot.y.low)


def _merit(burst: Burst) -> tuple[bool, float]:
    whole = not (burst.cut_at_start or burst.cut_at_end)
    return whole, burst.esn0_db if burst.esn0_db is not None else -math.inf


def plots_of(part: ChannelReport, number: int) -> Sequence[Element]:
    """The pictures of a part beside overview and bursts; what the bursts do not give is left out."""
    first = typical(part)[:1]
    made = [
        *(spectrum(part, one, number) for one in first),
        flip_distances(part, number),
        carriers(part, number),
        stack(part, number),
    ]
    return [one for one in made if one is not None]
