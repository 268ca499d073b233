"""Sample interval, rate, start and units stated around the samples of a table.

They may stand as ``key, value`` lines, as ``key = value`` in comments, in columns beside the samples,
or in extra columns with the key in the header and the value below. Keys are words of the trade.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from app.files.text_cells import split_row
from app.files.text_header import LONGEST_LINE, short_lines, uncommented
from app.files.text_keys import BARE_RATE, NUMBER, QUANTITY, WITH_UNIT, keyed_pieces, meaning_and_unit, number
from app.files.text_layout import Layout
from app.files.text_units import find_rate_unit, find_unit, plain_cell

_NUMERIC = frozenset(
    (
        "interval",
        "rate",
        "start",
        "end",
        "duration",
        "count",
        "before trigger",
        "trigger",
        "step",
        "offset",
        "reference",
        "decimation",
    )
)
# keys are bounded, so that a search takes no longer than lines are long
# "dt = 2 us", "fs: 5 MS/s", but not the clock time "12:00:01" or a date
_INLINE = re.compile(
    rf"(?P<key>[A-Za-zΔ][\w \t()/\[\]µμ.-]{{0,60}}?)\s*[=:]\s*{WITH_UNIT}(?=$|[\s,;|)\]}}'])"
)
_KEY_BLANK_VALUE = re.compile(rf"(?P<key>[A-Za-z][\w -]{{0,60}}?)\s+{WITH_UNIT}")
_SAMPLED_AT = re.compile(rf"\bsampled (?:at|with) (?P<value>{NUMBER})\s*(?P<unit>[kMG]?Hz)\b", re.I)
# behind other words, as of a title
_SHORT_KEY = re.compile(r"(?<=\W)(?:fs|dt|sampl\w* (?:rate|interval|period|frequency))$", re.I)
_PER_POINT = re.compile(
    rf"(?<![\w.])(?P<value>{NUMBER})\s*(?P<unit>[mµμunp]?s(?:ec)?)\s*(?:/|per)\s*(?:pts?|points?|samples?|Sa?)\b"
)
# in a sentence: "time in microseconds"
_IN_UNIT = re.compile(
    r"\b(?:times?|zeit|temps|tiempo)\s+(?:is |are )?in\s+(?P<unit>[A-Za-zµμ]{1,15})\b", re.I
)
_NAMED = re.compile(
    r'"(?P<key>[A-Za-z][\w ()/.-]{0,60})"\s*:\s*(?:"(?P<text>[^"]{0,60})"|(?P<number>[^\s,}"\]]{1,40}))'
)
_SAMPLES = re.compile(r"Sa?|samples?|pts|points", re.I)
_OF_WHICH = re.compile(r"^[A-Za-z][\w ]{0,20}:\s*(?=[+-]?[.,]?\d)")
_SHORT_RATE = re.compile(r"([kKMG])(?:S|Sa|Samples?|sample|samples|pts|points)?")
_WIDE = str.maketrans("：，；（）＝", ":,;()=")


@dataclass(frozen=True)
class Facts:
    """What was stated, in seconds and hertz; None where nothing was. Nothing is checked yet."""

    interval_s: float | None = None
    rate_hz: float | None = None
    start_s: float | None = None
    count: int | None = None
    time_unit: str | None = None
    value_unit: str | None = None
    channel: str | None = None
    before_trigger: tuple[float, str] | None = None
    decimation: float | None = None
    derived: str = ""
    """From what the interval was worked out, where it was not stated as such."""

    @property
    def stated_rate_hz(self) -> float | None:
        """The sample rate, from the interval where that was given."""
        if self.interval_s is not None:
            return 1.0 / self.interval_s if self.interval_s else 0.0
        return self.rate_hz

    def first_time_s(self, rate_hz: float, samples: int) -> float:
        """Time of the first sample where no column tells it: stated, or the trigger being at zero."""
        if self.start_s is not None or self.before_trigger is None:
            return self.start_s or 0.0
        value, unit = self.before_trigger
        if unit == "%":
            return -value / 100.0 * (self.count or samples) / rate_hz
        time = find_unit(unit)
        return -value * time.factor if time is not None else -value / rate_hz


@dataclass(frozen=True)
class _Pair:
    """``text`` as it stands; ``value`` and ``unit`` where it is a quantity."""

    meaning: str
    text: str
    value: float | None
    unit: str


def stated_facts(lines: Sequence[str], layout: Layout) -> Facts:
    """What the lines above and beside the samples say; ``lines`` begin with the file.

    Of repeated keys the first counts.
    """
    found: dict[str, _Pair] = {}
    for key, text, unit in _pairs(lines, layout):
        pair = _pair(key, text, unit, layout.decimal)
        if pair is not None:
            found.setdefault(pair.meaning, pair)
    time_unit = found["time unit"].text if "time unit" in found else ""
    facts = Facts(
        start_s=_seconds(found.get("start"), time_unit),
        count=int(found["count"].value or 0) if "count" in found else None,
        time_unit=time_unit or None,
        value_unit=found["value unit"].text if "value unit" in found else None,
        channel=found["channel"].text if "channel" in found else None,
        decimation=found["decimation"].value if "decimation" in found else None,
        before_trigger=_before_trigger(found),
    )
    for pair in (found.get("interval"), found.get("rate")):
        if pair is None or pair.value is None:
            continue
        # a "sampling interval" of 5 MS/s is a rate, a "rate" of 200 ns an interval
        rate_factor, time = find_rate_unit(pair.unit), find_unit(pair.unit or time_unit)
        is_rate = pair.meaning == "rate" if not pair.unit else rate_factor is not None
        if is_rate and facts.rate_hz is None:
            facts = replace(facts, rate_hz=pair.value * (rate_factor or 1.0))
        elif not is_rate and facts.interval_s is None:
            facts = replace(facts, interval_s=pair.value * (time.factor if time and time.time else 1.0))
    return facts if facts.stated_rate_hz is not None else _derived(facts, found, time_unit)


def _derived(facts: Facts, found: dict[str, _Pair], time_unit: str) -> Facts:
    """With the interval from the number of samples and how long they take, if that is all there is.

    Whether the last sample stands at the end or one interval before it is told by which interval or rate is rounder.
    """
    end_s, lasts_s = _seconds(found.get("end"), time_unit), _seconds(found.get("duration"), time_unit)
    if facts.count is None or facts.count < 2:
        return facts
    if end_s is not None and facts.start_s is not None:
        lasts_s, what = end_s - facts.start_s, "start, end and number of samples"
    else:
        what = "duration and number of samples"
    if lasts_s is None or not lasts_s > 0:
        return facts
    steps = (lasts_s / (facts.count - 1), lasts_s / facts.count)
    return replace(
        facts,
        interval_s=min(steps, key=lambda step: min(_digits(step), _digits(1.0 / step))),
        derived=what,
    )


def _digits(value: float) -> int:
    """How many digits a number has that is written with no more than seven."""
    return len(f"{value:.6e}".split("e")[0].rstrip("0").rstrip(".").replace(".", ""))


def _seconds(pair: _Pair | None, time_unit: str) -> float | None:
    if pair is None or pair.value is None:
        return None
    unit = find_unit(pair.unit or time_unit)
    return pair.value * (unit.factor if unit and unit.time else 1.0)


def _before_trigger(found: dict[str, _Pair]) -> tuple[float, str] | None:
    """How long before the trigger the first sample is, and the unit: a time, ``%`` or "" for samples."""
    for name in ("before trigger", "trigger"):
        pair = found.get(name)
        if pair is None or pair.value is None:
            continue
        time = find_unit(pair.unit)
        if pair.unit == "%" and 0 <= pair.value <= 100:
            return pair.value, "%"
        # a "trigger position" in seconds may be counted from anywhere
        if name == "before trigger" and time is not None and time.time and pair.value >= 0:
            return pair.value, pair.unit
        if (not pair.unit or pair.unit.lower().startswith("sample")) and pair.value.is_integer():
            return pair.value, ""
    return None


def _pair(key: str, text: str, unit: str, decimal: str) -> _Pair | None:
    """What key and value mean; None if that is nothing sought here, or not of the kind it should be."""
    said, of_key = meaning_and_unit(key)
    if said in _NUMERIC:
        # "Analog:4e-7": of which channels it is said
        text = _OF_WHICH.sub("", text)
    quantity = QUANTITY.fullmatch(text)
    if said is None or (quantity is None) == (said in _NUMERIC):
        return None
    if quantity is None:
        return _Pair(said, text, None, "")
    known = [quantity["unit"], unit, of_key]
    if said == "rate":
        known = [_whole_rate_unit(each) for each in known]
    chosen = next((each for each in known if each and (find_unit(each) or find_rate_unit(each))), "")
    if (
        said in ("rate", "interval")
        and quantity["unit"]
        and not chosen
        and not _SAMPLES.fullmatch(quantity["unit"])
    ):
        # a "data rate" of 9600 Bd is none of samples
        return None
    value = number(quantity["value"], decimal)
    word = key.strip("#%/;*! ").lower()
    if (word == "clock" and (not chosen or find_rate_unit(chosen) is not None)) or (
        word == "data rate" and not chosen
    ):
        # may be that of a processor, or the time of the day
        return None
    return _Pair(said, text, value, chosen) if math.isfinite(value) else None


def _whole_rate_unit(unit: str | None) -> str:
    """``unit`` with what is left out in "500k" and "2 MSa"."""
    match = _SHORT_RATE.fullmatch(unit or "")
    return f"{match[1]}Hz" if match else unit or ""


def _pairs(lines: Sequence[str], layout: Layout) -> Iterator[tuple[str, str, str]]:
    """Key, value and what may be its unit, from everywhere they may stand."""
    for line in [uncommented(each).translate(_WIDE) for each in short_lines(lines[: layout.first_line])]:
        for match in _NAMED.finditer(line):
            yield match["key"], match["text"] if match["text"] is not None else match["number"], ""
        for piece in keyed_pieces(line):
            yield piece["key"], piece["value"] or piece["text"], piece["unit"] or ""
        yield from _parted(line, layout)
        if layout.delimiter != ";" and line.count(";") and line.count(",") > line.count(";"):
            # the pairs apart by one mark, key and value by another
            yield from _paired(line.split(";"))
        for match in _INLINE.finditer(line.replace('"', " ")):
            yield match["key"].strip(), f"{match['value']} {match['unit'] or ''}".strip(), ""
            if short := _SHORT_KEY.search(match["key"].strip()):
                yield short[0], match["value"], match["unit"] or ""
        if blank := _KEY_BLANK_VALUE.fullmatch(line.strip()):
            yield blank["key"], f"{blank['value']} {blank['unit'] or ''}".strip(), ""
        key, colon, rest = line.partition(":")
        if colon:
            yield key, plain_cell(rest), ""
    rows = [[plain_cell(cell) for cell in layout.split(line[:LONGEST_LINE])] for line in lines]
    first = layout.first_line
    yield from _below([row for row in rows[max(first - 4, 0) : first + 1] if any(row)], layout)
    for row in rows[first:]:
        yield from _beside(["" if i in layout.data else cell for i, cell in enumerate(row)])
    # a comment may just say "vent motor at 2 MS/s"; hertz alone could be any frequency
    for match in _SAMPLED_AT.finditer("\n".join(short_lines(lines[:first]))):
        yield "rate", match["value"], match["unit"]
    for match in _IN_UNIT.finditer("\n".join(short_lines(lines[:first]))):
        yield "time unit", match["unit"], ""
    for match in _PER_POINT.finditer("\n".join(short_lines(lines[:first]))):
        yield "interval", match["value"], match["unit"]
    for match in BARE_RATE.finditer("\n".join(short_lines(lines[:first]))):
        yield "rate", match["value"], match["unit"]


def _parted(line: str, layout: Layout) -> Iterator[tuple[str, str, str]]:
    """Keys and values in cells beside each other."""
    for delimiter in dict.fromkeys((layout.delimiter, ",", ";", "\t", "|")):
        if delimiter == " " or delimiter not in line:
            continue
        if delimiter == layout.decimal and delimiter != layout.delimiter:
            # the comma behind the key parts, the next one may be in the number
            key, _, rest = line.partition(delimiter)
            yield plain_cell(key), plain_cell(rest), ""
        yield from _beside([plain_cell(cell) for cell in split_row(line, delimiter)])
        return


def _paired(pieces: Sequence[str]) -> Iterator[tuple[str, str, str]]:
    for piece in pieces:
        key, _, rest = piece.partition(",")
        yield plain_cell(key), plain_cell(rest), ""


def _beside(cells: Sequence[str]) -> Iterator[tuple[str, str, str]]:
    """A key in one cell, its value in the next that is filled, perhaps the unit in the one after."""
    filled = [cell for cell in cells if cell]
    for i, key in enumerate(cells[:-1]):
        if key and cells[i + 1]:
            yield key, cells[i + 1], cells[i + 2] if i + 2 < len(cells) else ""
    if len(filled) < len(cells) and len(filled) in (2, 3) and cells[0] == filled[0]:
        yield filled[0], filled[1], filled[2] if len(filled) > 2 else ""


def _below(rows: Sequence[Sequence[str]], layout: Layout) -> Iterator[tuple[str, str, str]]:
    """A key in the header over a column that holds no samples, its value below."""
    for upper, lower in combinations(rows, 2):
        for i in range(min(len(upper), len(lower))):
            if i not in layout.data and upper[i] and lower[i]:
                yield upper[i], lower[i], ""
