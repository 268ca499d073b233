"""Ways of writing numbers that have to be rewritten before they can be read as such, found by looking.

Thousands apart (``1,234.5``, ``1.234,5``, ``1'234.5``, ``1 234,5``), the typesetter's minus, units in the
cells (``1.5 mV``), hexadecimal codes (``0x7F``, or bare of one width) and clock times (``12:30:59.001``).
Line ends are never touched, so that rows keep their numbers.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date

from app.files.text_number_codes import Digits, code_digits
from app.files.text_rules import Rule, cell_rules, clock_rules, counted_thousands, line_rules, mixed_rule
from app.files.text_units import Unit, find_unit

_DELIMITERS = ("\t", ";", "|", ",")
_ODD_BLANKS = "\xa0\u2007\u2009\u202f"
_SAMPLED_LINES = 300
_MOST = 0.7

_NUMBER = r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?"
_WITH_UNIT = re.compile(rf"({_NUMBER})[ \t]*([A-Za-zµμΩΩ%°]+)")
_COMMA_APART = re.compile(r"[+-]?\d{1,3}(?:,\d{3})+\.\d*|[+-]?\d{1,3}(?:,\d{3}){2,}")
_POINT_APART = re.compile(r"[+-]?\d{1,3}(?:\.\d{3})+,\d*|[+-]?\d{1,3}(?:\.\d{3}){2,}")
_BLANK_APART = re.compile(r"[+-]?\d{1,3}(?: \d{3})+(?:[.,]\d*)?")
_LONG = re.compile(r"\d{16,22}")
_LEVELS = (("l", "h"), ("lo", "hi"), ("low", "high"), ("false", "true"), ("off", "on"))
_CLOCK = re.compile(
    r"(?:(\d{1,4})[-/.](\d{1,2})[-/.](\d{1,4}),?[T ]+)?"
    r"(?:(\d{1,2}):)?(\d{1,2}):(\d{2})([.,]\d+|:\d{3,9})?(?:[ ]?([AaPp])\.?[Mm]\.?|Z|[+-]\d{2}:?\d{2})?"
)
_STAMP = re.compile(r"((?:19|20)\d{2})(\d{2})(\d{2})[T_]?(\d{2})(\d{2})(\d{2})([.,]\d+)?Z?")
# as circuit simulators and counters write numbers
_SUFFIXED = re.compile(rf"({_NUMBER})[ \t]*([pnuµμmkKMG])?")
_SUFFIXES = {"p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "k": 3, "K": 3, "M": 6, "G": 9}
_FORTRAN = re.compile(r"(?<=\d)[dD](?=[+-]?\d)|(?<=\d\.)[dD](?=[+-]?\d)")
_POWERS = {1e-15: -15, 1e-12: -12, 1e-9: -9, 1e-6: -6, 1e-3: -3, 1.0: 0, 1e3: 3, 1e6: 6, 1e9: 9}


@dataclass(frozen=True)
class Style:
    """``steps`` rewrite a text of whole lines in turn; ``units`` are those found in cells, by column;
    ``codes`` tells whether there are hexadecimal codes; ``bases`` is what was taken from the whole numbers of a
    column, too long for a float; ``clocks`` are columns of clock times, which begin anew at midnight; ``signed`` are
    those of codes that were found to have a sign."""

    steps: tuple[Rule, ...] = ()
    units: tuple[tuple[int, Unit], ...] = ()
    codes: bool = False
    bases: tuple[tuple[int, int], ...] = ()
    clocks: tuple[int, ...] = ()
    signed: tuple[int, ...] = ()

    def rewritten(self, text: str) -> str:
        for pattern, by in self.steps:
            text = pattern.sub(by, text)
        return text

    def block(self, block: bytes, coding: str) -> bytes:
        """The same of a block of lines in ``coding``."""
        if not self.steps:
            return block
        return self.rewritten(block.decode(coding, "surrogateescape")).encode(coding, "surrogateescape")


def find_style(lines: Sequence[str], opening: Sequence[str] = ()) -> Style:
    """The style of the table in ``lines``, of which the last ones count, for they are rows of it.

    The titles stand in the ``opening`` lines of the file.
    """
    sample = [line for line in lines if line.strip()][-_SAMPLED_LINES:]
    steps: list[Rule] = line_rules(sample) + clock_rules(sample, opening or lines)
    joined = Style(tuple(steps)).rewritten("\n".join(sample))
    sample = joined.split("\n")
    if "−" in joined:
        steps.append((re.compile("−"), "-"))
        joined = joined.replace("−", "-")
    if len(_FORTRAN.findall(joined)) > len(sample):
        steps.append((_FORTRAN, "e"))
    delimiter = _delimiter(sample)
    if any(blank in joined for blank in _ODD_BLANKS):
        if delimiter is not None:
            steps.append((re.compile(rf"(?<=\d)[{_ODD_BLANKS}](?=\d{{3}}(?!\d))"), ""))
        steps.append((re.compile(f"[{_ODD_BLANKS}]"), " "))
        joined = Style(tuple(steps)).rewritten(joined)
    rows = [_cells(line, delimiter) for line in joined.split("\n")]
    steps += _thousands(rows, delimiter) or (
        counted_thousands(rows, opening or lines, lambda line: _cells(line, delimiter)) if delimiter else []
    )
    steps += cell_rules(rows, delimiter)
    rows = [[Style(tuple(steps)).rewritten(cell) for cell in row] for row in rows]
    found = _columns(rows, delimiter)
    if delimiter is None and not found:
        found = _columns([row[0].split() for row in rows], " ")
    steps += [each.step for each in found]
    if found and delimiter not in (None, ","):
        # clock times come out with a point, whatever mark the other columns have
        rewritten = Style(tuple(each.step for each in found)).rewritten(
            "\n".join(delimiter.join(row) for row in rows)
        )
        steps += mixed_rule([_cells(line, delimiter) for line in rewritten.split("\n")])
    return Style(
        tuple(steps),
        tuple((each.column, each.unit) for each in found if each.unit is not None and each.unit.symbol),
        any(each.unit is None for each in found),
        tuple((each.column, each.base) for each in found if each.base),
        tuple(each.column for each in found if each.is_clock),
        tuple(each.column for each in found if each.is_signed),
    )


def _delimiter(sample: Sequence[str]) -> str | None:
    """The first of the delimiters that most lines contain; None: blanks, or a single column."""
    later = sample[len(sample) // 2 :]
    for delimiter in _DELIMITERS:
        if sum(delimiter in line for line in later) > _MOST * len(later):
            return delimiter
    return None


def _cells(line: str, delimiter: str | None) -> list[str]:
    """Cells without quotes; a comma between digits within quotes separates nothing."""
    if delimiter == "," and '"' in line:
        return [quoted or bare for quoted, bare in re.findall(r'\s*"([^"]*)"\s*(?:,|$)|([^,]*)(?:,|$)', line)]
    cells = [line] if delimiter is None else line.split(delimiter)
    return [cell.strip(' "\r') for cell in cells]


def _thousands(rows: Sequence[Sequence[str]], delimiter: str | None) -> list[Rule]:
    """Rules that take out the marks between thousands, where there is no doubt of them."""
    cells = [cell for row in rows for cell in row]
    comma = any(_COMMA_APART.fullmatch(cell) for cell in cells)
    point = any(_POINT_APART.fullmatch(cell) for cell in cells)
    marks = [mark for mark, found in ((",", comma), (r"\.", point)) if found and comma != point]
    if delimiter is not None and sum(bool(_BLANK_APART.fullmatch(cell)) for cell in cells) > 2:
        marks.append(" ")
    if any(re.fullmatch(r"[+-]?\d{1,3}(?:['’]\d{3})+(?:[.,]\d*)?", cell) for cell in cells):
        marks.append("['’]")
    return [(re.compile(rf"(?<=\d){mark}(?=\d{{3}}(?!\d))"), "") for mark in marks]


@dataclass(frozen=True)
class _Column:
    """What is done to a column: ``unit`` is that which it brings, None for codes."""

    column: int
    step: Rule
    unit: Unit | None
    base: int = 0
    is_clock: bool = False
    is_signed: bool = False


def _columns(rows: Sequence[Sequence[str]], delimiter: str | None) -> list[_Column]:
    """Rules for single columns."""
    widths = [len(row) for row in rows]
    usual = max(set(widths), key=widths.count, default=0)
    found: list[_Column] = []
    for column in range(min(usual, 1024)):
        cells = [row[column] for row in rows if len(row) == usual and row[column]]
        later = cells[len(cells) // 2 :]
        base = _base(later)
        if len(later) < 2 or (
            not base
            and all(re.fullmatch(_NUMBER, cell) for cell in later)
            and not (code_digits(later) or _are_stamps(later))
        ):
            continue
        less = (r"\d{16,22}", lambda cell, base=base: str(int(cell) - base), Unit("", 1.0))
        rule = less if base else _rule(later)
        if rule is not None:
            cell, by, unit = rule
            is_signed = isinstance(by, Digits) and by.bits > 0
            if delimiter is None:
                before, behind = r"^\s*", r"\s*$"
            elif delimiter == " ":
                before, behind = rf"^[ \t]*(?:\S+[ \t]+){{{column}}}", r"(?=[ \t\r]|$)"
            else:
                apart = re.escape(delimiter)
                before = rf'^(?:[^{apart}\n]*{apart}){{{column}}}[ "]*'
                behind = rf'(?=[ "\r]*(?:{apart}|$))'
            pattern = re.compile(f"(?P<before>{before})(?P<cell>{cell}){behind}", re.M)
            is_clock = cell == _CLOCK.pattern and not any(
                "-" in one or "/" in one or " " in one for one in later
            )
            found.append(_Column(column, (pattern, _Within(by)), unit, base, is_clock, is_signed))
    return found


def _base(cells: Sequence[str]) -> int:
    """What to take from long whole numbers that count up, as nanoseconds since 1970; 0 of any others."""
    if len(cells) < 2 or not all(_LONG.fullmatch(cell) for cell in cells):
        return 0
    first, last = int(cells[0]), int(cells[-1])
    return first if 0 < last - first < 1 << 53 else 0


@dataclass(frozen=True)
class _Within:
    """Replaces the cell of a match by what ``by`` makes of it."""

    by: Callable[[str], str]

    def __call__(self, match: re.Match[str]) -> str:
        return match["before"] + self.by(match["cell"])


def _rule(cells: Sequence[str]) -> tuple[str, Callable[[str], str], Unit | None] | None:
    """What a cell looks like, what to make of it and the unit of that, from the ``cells`` of a column."""
    enough = _MOST * len(cells)
    if (digits := code_digits(cells)) is not None:
        return digits.pattern, digits, None
    if _are_stamps(cells):
        spaced = _CLOCK.fullmatch(_spaced(cells[0]))
        day = _day(spaced) if spaced else 0
        return _STAMP.pattern, lambda cell: _seconds(_spaced(cell), day), Unit("s", 1.0, True)
    clocks = [match for cell in cells if (match := _CLOCK.fullmatch(cell)) and (match[4] or match[7])]
    if len(clocks) > enough:
        begin = _day(clocks[0])
        return _CLOCK.pattern, lambda cell: _seconds(cell, begin), Unit("s", 1.0, True)
    units = [find_unit(match[2]) for cell in cells if (match := _WITH_UNIT.fullmatch(cell))]
    known = [unit for unit in units if unit is not None]
    if len(known) > enough and len({unit.symbol for unit in known}) == 1:
        first = known[0]
        return _WITH_UNIT.pattern, _scaled, Unit(first.symbol, 1.0, first.time)
    seen = {cell.lower() for cell in cells}
    for low, high in _LEVELS:
        if seen == {low, high} or (seen < {low, high} and low == "l"):
            return (
                rf"(?i:{high}|{low})",
                lambda cell, high=high: str(int(cell.lower() == high)),
                Unit("", 1.0),
            )
    suffixes = [match[2] for cell in cells if (match := _SUFFIXED.fullmatch(cell))]
    if len(suffixes) > enough and sum(map(bool, suffixes)) > 0.3 * len(cells):
        return _SUFFIXED.pattern, _unsuffixed, Unit("", 1.0)
    return None


def _spaced(stamp: str) -> str:
    """``20260304123059.5`` as ``2026-03-04 12:30:59.5``."""
    return _STAMP.sub(r"\1-\2-\3 \4:\5:\6\7", stamp.rstrip("Z"))


def _are_stamps(cells: Sequence[str]) -> bool:
    """Whether cells are dates with clock times without marks between, which go up."""
    matches = [_STAMP.fullmatch(cell) for cell in cells]
    parts = [tuple(map(int, match.groups()[:6])) for match in matches if match]
    if len(parts) < len(cells) or len(cells) < 2 or parts != sorted(parts):
        return False
    return all(0 < mo < 13 and 0 < d < 32 and h < 24 and mi < 60 and s < 61 for _, mo, d, h, mi, s in parts)


def _unsuffixed(cell: str) -> str:
    """``1.5m`` as ``1.5e-3``."""
    match = _SUFFIXED.fullmatch(cell)
    return cell if match is None or not match[2] else _powered(match[1], _SUFFIXES[match[2]])


def _day(match: re.Match[str]) -> int:
    """Number of the day; where the year stands last and it cannot be told, the day stands before the month."""
    if match[1] is None:
        return 0
    first, second, third = int(match[1]), int(match[2]), int(match[3])
    if len(match[1]) > 2:
        year, month, day = first, second, third
    else:
        year, month, day = third + (2000 if third < 100 else 0), second, first
        if month > 12:
            month, day = day, month
    try:
        return date(year, month, day).toordinal()
    except ValueError:
        return 0


def _seconds(cell: str, first_day: int) -> str:
    """Seconds since the midnight before the first row, with the digits that were written."""
    match = _CLOCK.fullmatch(cell)
    if match is None:
        return cell
    days = _day(match) - first_day if match[1] else 0
    hours = int(match[4] or 0)
    if match[8]:
        hours = hours % 12 + (12 if match[8] in "Pp" else 0)
    whole = ((days * 24 + hours) * 60 + int(match[5])) * 60 + int(match[6])
    return f"{whole}{(match[7] or '').replace(':', '.')}"


def _scaled(cell: str) -> str:
    """``1.5 mV`` as ``1.5e-3``."""
    match = _WITH_UNIT.fullmatch(cell)
    unit = find_unit(match[2]) if match else None
    if match is None or unit is None or unit.factor not in _POWERS:
        return cell
    return _powered(match[1], _POWERS[unit.factor])


def _powered(number: str, power: int) -> str:
    mantissa, *exponent = re.split("[eE]", number)
    power += int(exponent[0][:5] if exponent else 0)
    return f"{mantissa}e{power}" if power else mantissa
