"""Units and names as they stand in headers: "Time (ms)", "CH1 [V]", "U / mV", "t_us", "Volt"."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Unit:
    """``symbol`` without prefix, ``factor`` from what is written to that; ``time`` if it is a time."""

    symbol: str
    factor: float
    time: bool = False


_TIMES = {
    1.0: "s S sec secs second seconds",
    1e-3: "ms MS msec msecs millisec millisecond milliseconds",
    1e-6: "µs us uS US usec µsec microsec microsecond microseconds",
    1e-9: "ns nS NS nsec nanosec nanosecond nanoseconds",
    1e-12: "ps psec picosec picosecond picoseconds",
}
# only where brackets or a row of units say that they are: "CH1 min" is a name
_LONG_TIMES = {
    "min": 60.0, "minute": 60.0, "minutes": 60.0, "h": 3600.0, "hr": 3600.0, "hour": 3600.0, "hours": 3600.0,
    "d": 86400.0, "day": 86400.0, "days": 86400.0,
}  # fmt: skip
# Cyrillic and Chinese spellings, as of the SI brochure's translations; from memory
_FOREIGN = {
    "s": {"с": 1.0, "сек": 1.0, "мс": 1e-3, "мкс": 1e-6, "нс": 1e-9, "秒": 1.0, "毫秒": 1e-3, "微秒": 1e-6}
    | dict.fromkeys(("纳秒", "奈秒", "ナノ秒"), 1e-9)
    | {"ミリ秒": 1e-3, "マイクロ秒": 1e-6},
    "V": {"В": 1.0, "мВ": 1e-3, "кВ": 1e3, "伏": 1.0, "伏特": 1.0, "毫伏": 1e-3, "ボルト": 1.0},
    "A": {"А": 1.0, "мА": 1e-3, "安": 1.0, "安培": 1.0, "毫安": 1e-3},
}
_QUANTITIES = {"V": "volt volts", "A": "amp amps ampere amperes", "W": "watt watts", "Ω": "ohm ohms"}
_PREFIXES = {"": 1.0, "p": 1e-12, "n": 1e-9, "µ": 1e-6, "u": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6}
_LONG_PREFIXES = {"": 1.0, "nano": 1e-9, "micro": 1e-6, "milli": 1e-3, "kilo": 1e3}
# taken over as they stand: nothing to scale
_PLAIN = "Vrms mVrms Vpp mVpp Arms "
_PLAIN += "bar mbar kPa hPa rpm rad deg ° VA var ppm lx Nm "
_PLAIN += "Pa dB dBm dBV dBu % °C °F K N g T C FS LSB counts count codes code ADC raw div Hz kHz MHz a.u. arb"
COUNTS = frozenset(("LSB", "counts", "count", "codes", "code", "ADC", "raw"))
# units that are as likely the name of a channel
_LETTERS = frozenset("ACTWKNg")
_DOUBTFUL = _LETTERS | frozenset(_LONG_TIMES) | frozenset(("bar", "VA", "var", "rad", "deg"))
# units made of others, as "V^2", "mV/div" and "m/s²"; taken over as they stand
_PART = (
    r"[pnµumkMG]?(?:V|A|W|Ω|ohm|s|g|N|m|Pa|bar|J|Hz|K|C|F|H|rad|deg|T|°C|min|h|div|%|√Hz|sqrt\(Hz\))"
    r"(?:\^?[+-]?[2-4]|[²³]|rms|pp)?"
)
# "A/V" may be a channel A in volts
_BELOW = r"(?:div|m|s|min|h|K|°C|[kM]?Hz|√Hz|sqrt\(Hz\))(?:\^?[2-4]|[²³])?"
_COMPOUND = re.compile(rf"(?=.*[/·*^²³]){_PART}(?:[·*]{_PART}){{0,2}}(?:/{_BELOW}){{0,2}}")
# times counted in so many of a unit: (20 ns), (0.1 ms/count)
_TICKS = re.compile(
    r"[x×*]?\s*(?P<number>\d+(?:\.\d+)?(?:[eE][+-]?\d{1,2})?)\s*(?P<unit>[^\W\d]+)"
    r"(?:\s*(?:/|per)\s*(?:counts?|ticks?|samples?|points?|pts?|steps?|lsb)|\s+(?:units|steps|ticks))?",
    re.I,
)
# what stands in a units row over a column that has none
_NO_UNIT = frozenset(
    ("-", "--", "()", "[]", "[-]", "1", "none", "index", "sequence", "sample", "samples", "#")
)


def _spellings() -> Iterator[tuple[str, Unit]]:
    for symbol in _PLAIN.split():
        yield symbol, Unit(symbol, 1.0)
    yield "v", Unit("V", 1.0)
    for kind in ("DC", "dc", "AC", "ac"):
        for prefix, factor in (("", 1.0), ("m", 1e-3), ("µ", 1e-6), ("u", 1e-6)):
            yield f"{prefix}V{kind}", Unit("V", factor)
    for factor, words in _TIMES.items():
        for word in words.split():
            yield word, Unit("s", factor, True)
    for symbol, spelled in _FOREIGN.items():
        for word, factor in spelled.items():
            yield word, Unit(symbol, factor, symbol == "s")
    for symbol, words in _QUANTITIES.items():
        for prefix, factor in _PREFIXES.items():
            yield prefix + symbol, Unit(symbol, factor)
        for prefix, factor in _LONG_PREFIXES.items():
            for word in words.split():
                yield prefix + word, Unit(symbol, factor)
        for prefix, factor in _PREFIXES.items():
            for word in words.split():
                yield prefix + word.capitalize(), Unit(symbol, factor)


_UNITS = dict(_spellings())
_RATE = re.compile(
    r"([kKMG]?)(?:Hz|HZ|hz|S(?:a|amples?)?/s(?:ec)?|[sS]ps|SPS|samples?(?:/| per )s(?:ec(?:ond)?)?)"
)
# (10^-6 s), [1E-3 V], x10-3 s
_POWER = re.compile(
    r"[x×*]?\s*(?:10\s*(?=[\^+-])\^?\s*(?P<ten>[+-]?\d{1,2})|1(?:\.0*)?[eE](?P<e>[+-]?\d{1,2}))\s*[x×*·]?\s*(?P<unit>[^\d\s]+)"
)
_RATE_PREFIXES = {"": 1.0, "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9}


def find_unit(text: str) -> Unit | None:
    """The unit that ``text`` as a whole names, None if it names none."""
    # the Greek letter and the ohm sign have twins in other blocks
    text = text.strip().replace("μ", "µ").replace("Ω", "Ω")
    # UTF-8 that was once taken for Latin-1, and other code pages that are
    text = (
        text.replace("Âµ", "µ").replace("Î¼", "µ").replace("Â°", "°").replace("¦Ì", "µ").replace("\x83Ê", "µ")
    )
    text = "µ" + text[1:] if text[:1] == "æ" else text
    if text in _LONG_TIMES:
        return Unit("s", _LONG_TIMES[text], True)
    if (power := _POWER.fullmatch(text)) and power["unit"] in _UNITS:
        unit = _UNITS[power["unit"]]
        return Unit(unit.symbol, unit.factor * float(f"1e{power['ten'] or power['e']}"), unit.time)
    if (ticks := _TICKS.fullmatch(text)) and ticks["unit"] in _UNITS and _UNITS[ticks["unit"]].time:
        factor = _UNITS[ticks["unit"]].factor * float(ticks["number"])
        return Unit("s", factor, True) if 0.0 < factor < 1e6 else None
    if len(text) < 24 and _COMPOUND.fullmatch(text):
        return Unit(text, 1.0)
    if text not in _UNITS:
        text = text.rstrip(".")
    if text in _UNITS:
        return _UNITS[text]
    return _UNITS.get(text.lower()) if len(text) > 2 else None


def find_rate_unit(text: str) -> float | None:
    """Factor to hertz if ``text`` is a unit of sample rate, such as ``MS/s`` or ``kHz``."""
    match = _RATE.fullmatch(text.strip())
    return _RATE_PREFIXES[match[1]] if match else None


_LONGEST_LABEL = 200
_UNITS_WORD = re.compile(r"units?:?", re.I)
_BRACKETS = re.compile(r"^(?P<name>.*?)[\s_/-]*[(\[{<]\s*(?P<unit>[^()\[\]{}<>]*?)\s*[)\]}>]\s*:?$")
# CH1 (V, DC)
_COUPLED = re.compile(
    r"^(?P<name>.*?)[\s_]*[(\[]\s*(?P<unit>[^()\[\],;]{1,12}?)\s*[,;]\s*(?:DC|AC)[^()\[\]]{0,20}[)\]]$", re.I
)
# [V] CH1
_LEADING = re.compile(r"^[(\[]\s*(?P<unit>[^()\[\]]{1,12}?)\s*[)\]]\s*(?P<name>[^()\[\]]*\w)$")
# V(near end), I(shunt)
_QUANTITY_OF = re.compile(r"^([VvUuIi])\s*\([^()]+\)$")
# CH1 (V) [DC]
_AMID = re.compile(r"^(?P<name>.*?\S)\s*[(\[]\s*(?P<unit>[^()\[\]]{1,12}?)\s*[)\]](?P<rest>\s*[(\[].*)$")
_MARKED = (
    re.compile(r"^(?P<name>.*\S)\s*/\s*(?P<unit>\S+)$"),
    re.compile(r"^(?P<name>.*\S)\s+(?:in|[-–])\s+(?P<unit>\S+)$", re.I),
    re.compile(r"^(?P<name>.*\S)\s*[,;:|]\s*(?P<unit>\S+)$"),
    re.compile(r"^(?P<name>.*[^\W\d])\s*[*×·]\s*(?P<unit>1[eE][+-]?\d{1,2}\s*[^\W\d]+)$"),
)
_TRAILING = re.compile(r"^(?P<name>.*[^_\s])[_\s]+(?P<unit>[^_\s\d]+)$")
_BEHIND_UNDERSCORE = re.compile(r"^(?P<name>.*[^_])_(?P<unit>[^_\s\d]+)$")


def plain_cell(text: str) -> str:
    """A header cell without quotes and repeated blanks."""
    return " ".join(text.replace('"', " ").strip().strip("'`").rstrip(",;").split())


def split_label(text: str) -> tuple[str, str]:
    """A label and the unit written with it, either of which may be empty: ``Time (ms)``, ``U / mV``."""
    text = plain_cell(text)
    if len(text) > _LONGEST_LABEL:
        return text, ""
    if text not in _DOUBTFUL and _is_single(text):
        return "", text
    for pattern in (_BRACKETS, _COUPLED, _LEADING, _AMID):
        match = pattern.match(text)
        if match and _is_unit(match["unit"]):
            behind = match.groupdict().get("rest") or ""
            return f"{match['name']}{behind}".strip(), match["unit"]
    if match := _QUANTITY_OF.match(text):
        return text, "A" if match[1] in "Ii" else "V"
    match = _TRAILING.match(text)
    if match and find_rate_unit(match["unit"]):
        return match["name"].strip(), match["unit"]
    for pattern in _MARKED:
        match = pattern.match(text)
        if match and match["unit"] not in _LONG_TIMES and _is_single(match["unit"]):
            return match["name"].strip(), match["unit"]
    match = _TRAILING.match(text)
    if match and match["unit"] not in _DOUBTFUL and _is_single(match["unit"]):
        return match["name"].strip(), match["unit"]
    return text, ""


def _is_unit(text: str) -> bool:
    return find_unit(text) is not None or find_rate_unit(text) is not None


def _is_single(text: str) -> bool:
    """Whether a text without brackets is a unit; one put together, as ``A/V``, may be a name with its unit."""
    is_made = _COMPOUND.fullmatch(text) or (_TICKS.fullmatch(text) and not _POWER.fullmatch(text))
    return _is_unit(text) and (text in _UNITS or not is_made)


def split_header(text: str) -> tuple[str, Unit | None]:
    """Name and unit of the title of a column; the name may be empty, the unit None."""
    name, unit = split_label(text)
    found = find_unit(unit)
    # "Code" alone is as much a name as a unit
    return (name or unit if found is not None and found.symbol in COUNTS else name), found


def split_headers(cells: Sequence[str]) -> list[tuple[str, Unit | None]]:
    """The same of all the titles of a table: in ``t_s,CH1_A`` the letter is a unit as well."""
    split = [split_header(cell) for cell in cells]
    trailing = [_BEHIND_UNDERSCORE.match(plain_cell(cell)) for cell in cells]
    units = [match["unit"] for match in trailing if match]
    # letters that name channels differ
    is_said = any(unit not in _DOUBTFUL for unit in units) or (len(units) > 1 and len(set(units)) == 1)
    if not is_said or not all(map(_is_unit, units)):
        return split
    return [
        (match["name"].strip(), find_unit(match["unit"]))
        if match and unit is None and match["unit"] in _LETTERS
        else (name, unit)
        for match, (name, unit) in zip(trailing, split, strict=True)
    ]


def unit_of_cell(text: str) -> Unit | None:
    """The unit in a cell of a units row, in brackets or bare: ``(ms)``, ``[V]``, ``Volt``, ``A``."""
    inner = plain_cell(text)
    if _TICKS.fullmatch(inner) and not _POWER.fullmatch(inner):
        # "4 us per sample" is said of the file
        return None
    if inner[:1] in tuple("([{<") and inner[-1:] in tuple(")]}>"):
        inner = inner[1:-1]
    return find_unit(inner)


def is_units_row(cells: Sequence[str], above: Sequence[str] = ()) -> bool:
    """Whether every cell is a unit, empty, or says that it has none, and not all might be names.

    Below a name for each, ``above``, bare letters are units as well.
    """
    texts = [plain_cell(cell) for cell in cells]
    if texts and _UNITS_WORD.fullmatch(texts[0]):
        texts[0] = ""
    units = [text for text in texts if unit_of_cell(text) is not None]
    others = [text for text in texts if text and text not in units]
    if not units or not all(text.lower() in _NO_UNIT for text in others):
        return False
    doubtful = _DOUBTFUL | COUNTS | {text for text in units if text.lower() in COUNTS}
    if any(text not in doubtful for text in units):
        return True
    names = [plain_cell(cell) for cell in above]
    return len(set(names)) == len(cells) and all(names) and COUNTS.isdisjoint(units)
