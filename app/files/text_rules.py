"""Rules for rows that have to be rewritten as a whole before cells can be told apart, found by looking.

Rows closed by a semicolon, in brackets, with keys or followed by a remark; cells in single quotes or written as
formulas (``="0.5"``); a comma both between cells and in numbers; decimal commas in some columns and points in
others; signs apart from their digits.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from itertools import pairwise

Rule = tuple[re.Pattern[str], str | Callable[[re.Match[str]], str]]

_MOST = 0.7
_CLOSED = re.compile(r"[^;\n]*\.[^;\n]*[^;\s];[ \t]*")
_CLOSE = re.compile(r";(?=[ \t\r]*$)", re.M)
_FORMULA = re.compile(r'="([^"\n]*)"')
_SINGLE_QUOTED = re.compile(r"'([^'\n]*)'")
_SINGLE_QUOTED_NUMBER = re.compile(r"'[ ]*[+-]?[\d.,]+(?:[eE][+-]?\d+)?[ ]*'")
_REMARK = re.compile(r"[ \t,;]+[#%].*$", re.M)
_REMARK_MARK = re.compile(r"[#%]")
_DIGIT = re.compile(r"\d")
# the first and the last row may have those around all rows as well
_BRACKETED = re.compile(r"\s*[\[{(]{1,2}[^\[\]{}()\n]*\d[^\[\]{}()\n]*[\]})]{1,2}\s*[,;]?\s*")
_BRACKET_ENDS = re.compile(r"^[ \t]*[\[{(]{1,2}|[\]})]{1,2}[ \t]*[,;]?(?=[ \t\r]*$)", re.M)
_KEYED = re.compile(r"([\"'])[A-Za-z_][\w ]{0,40}\1[ ]*:")
# begins behind what parts cells, so that there is one way to read a line
_NAME = re.compile(r"(?<![^\s,;|])[A-Za-z_]\w{0,20}[ ]*[=:][ ]*(?=[+-]?\.?\d)")
_NAMED = re.compile(rf"(?:[ \t,;|]*{_NAME.pattern}[^\s,;|=]+)+\s*")
# "12) 0.5", "[12] 0.5"
_ORDINAL = re.compile(r"^[ \t]*[\[(]?(\d{1,9})[\])]:?[ \t]+", re.M)
_IN_PARENTHESES = re.compile(r"\(\d[\d.,]*(?:[eE][+-]?\d+)?\)")
_WHOLE = re.compile(r"[+-]?\d+")
_PAIR = re.compile(r"([+-]?\d+),(\d+)(?=,|[ \t\r]*$)", re.M)
# behind a digit, or where a cell begins
_COMMA = re.compile(r"(?<![^\d\s;|\"'+-]),(?=\d|[eE][+-]?\d)")
_COMMA_NUMBER = re.compile(r"[+-]?\d*,\d+(?:[eE][+-]?\d+)?")
_POINT_NUMBER = re.compile(r"[+-]?\d*\.\d+(?:[eE][+-]?\d+)?")
_APART = re.compile(r"[+-][ \t]+[\d.].*")


_CLOCK_AND_THOUSANDTHS = re.compile(
    r"(?P<clock>(?<!\d)\d{1,2}:\d{2}:\d{2})(?P<mark>[ \"]*[,;\t|][ \"]*)(?P<part>\d{1,3})(?=[ \"]*(?:[,;\t|]|$))",
    re.M,
)
_THOUSANDTHS_TITLE = re.compile(
    r"(?:^|[,;\t|\"\[(])[ ]*(?:ms|msec|millis|milli-?seconds?|millisekunden|millisecondes)[ ]*(?:$|[\]),;\t|\"\r])",
    re.I,
)
_MOST_TITLE_LINES = 400
_MOST_COLUMNS = 64
_MOST_COUNTED = 2500


def line_rules(sample: Sequence[str]) -> list[Rule]:
    """What to do to every row before its delimiter is known; ``sample`` are rows."""
    rules: list[Rule] = []
    if _share(_BRACKETED.fullmatch, sample) > _MOST:
        rules += [(_BRACKET_ENDS, ""), (_KEYED, "")]
    if _share(_NAMED.fullmatch, sample) > _MOST:
        rules.append((_NAME, ""))
    if _are_counted(sample):
        rules.append((_ORDINAL, ""))
    if _share(_is_remarked, sample) > _MOST:
        rules.append((_REMARK, ""))
    if _share(_SINGLE_QUOTED_NUMBER.search, sample) > _MOST:
        rules.append((_SINGLE_QUOTED, r"\1"))
    if _share(_FORMULA.search, sample) > _MOST:
        rules.append((_FORMULA, r"\1"))
    closed = [line for line in sample if _CLOSED.fullmatch(line.rstrip("\r"))]
    if len(closed) > _MOST * len(sample) and any(re.search("[,\t|]", line) for line in closed):
        rules.append((_CLOSE, ""))
    if _is_paired(sample):
        rules.append((_PAIR, r"\1.\2"))
    return rules


def cell_rules(rows: Sequence[Sequence[str]], delimiter: str | None) -> list[Rule]:
    """What to do to cells whatever column they are in; of ``rows`` the ``delimiter`` is known."""
    if delimiter is None:
        return []
    rules: list[Rule] = []
    cells = [cell for row in rows for cell in row]
    if sum(bool(_APART.fullmatch(cell)) for cell in cells) > 2:
        mark = re.escape(delimiter)
        rules.append((re.compile(rf'(^|{mark})([ "]*[+-])[ \t]+(?=[\d.])', re.M), r"\1\2"))
    if sum(bool(_IN_PARENTHESES.fullmatch(cell)) for cell in cells) > 2:
        # as accountants write what is below zero
        mark = re.escape(delimiter)
        inner = _IN_PARENTHESES.pattern[2:-2]
        rules.append((re.compile(rf'(^|{mark})([ "]*)\(({inner})\)', re.M), r"\1\2-\3"))
    return rules if delimiter == "," else rules + mixed_rule(rows)


def mixed_rule(rows: Sequence[Sequence[str]]) -> list[Rule]:
    """A point for every decimal comma where some columns have the one and some the other."""
    return [(_COMMA, ".")] if _is_mixed(rows) else []


def row_names(line: str) -> list[str]:
    """The names with which the cells of ``line`` are written: ``t=0.5 line=1.2``, ``{"t": 0.5, "line": 1.2}``."""
    found = _KEYED.findall(line) and [match[0] for match in _KEYED.finditer(line)]
    if not found and _NAMED.fullmatch(line):
        found = [match[0] for match in _NAME.finditer(line)]
    return [name.strip(" =:\"'") for name in found]


def _are_counted(sample: Sequence[str]) -> bool:
    """Whether rows begin with their number, closed by a bracket."""
    matches = [_ORDINAL.match(line) for line in sample]
    numbers = [int(match[1]) for match in matches if match]
    return len(numbers) > max(2, _MOST * len(sample)) and all(b - a == 1 for a, b in pairwise(numbers))


def clock_rules(sample: Sequence[str], opening: Sequence[str]) -> list[Rule]:
    """Puts thousandths of a second that have a column of their own, so titled, behind the clock time before it."""
    if not any(_THOUSANDTHS_TITLE.search(line) for line in opening[:_MOST_TITLE_LINES]):
        return []
    matches = [match for line in sample if (match := _CLOCK_AND_THOUSANDTHS.search(line))]
    if len(matches) < _MOST * len(sample) or any(int(match["part"]) > 999 for match in matches):
        return []
    return [
        (_CLOCK_AND_THOUSANDTHS, lambda match: f"{match['clock']}.{int(match['part']):03d}{match['mark']}")
    ]


def counted_thousands(
    rows: Sequence[Sequence[str]], opening: Sequence[str], cells_of: Callable[[str], list[str]]
) -> list[Rule]:
    """Takes a mark out that stands in a column only from a thousand on, which goes up evenly without it alone.

    ``rows`` are late ones, ``opening`` the first lines of the file.
    """
    width = max(map(len, rows), default=0)
    for column in range(min(width, _MOST_COLUMNS)):
        late = [row[column] for row in rows[len(rows) // 2 :] if len(row) == width]
        for mark in ",.":
            apart = re.compile(rf"\d{{1,3}}(?:\{mark}\d{{3}})+")
            if not all(apart.fullmatch(cell) or (cell.isdecimal() and len(cell) <= 3) for cell in late):
                continue
            first = [row[column] for row in map(cells_of, opening[:_MOST_TITLE_LINES]) if len(row) == width]
            begin = next((i for i, cell in enumerate(first) if cell.isdecimal()), len(first))
            if begin == len(first):
                continue
            run = [row[column] for row in map(cells_of, opening[:_MOST_COUNTED]) if len(row) == width][begin:]
            if not any(apart.fullmatch(cell) for cell in run):
                continue
            if not all(apart.fullmatch(cell) or (cell.isdecimal() and len(cell) <= 3) for cell in run):
                continue
            steps = [int(b.replace(mark, "")) - int(a.replace(mark, "")) for a, b in pairwise(run)]
            if len(steps) > 3 and min(steps) > 0 and steps.count(steps[0]) > _MOST * len(steps):
                return [(re.compile(rf"(?<=\d)\{mark}(?=\d{{3}}(?!\d))"), "")]
    return []


def _is_remarked(line: str) -> bool:
    """Whether a remark stands behind a number; by steps, since one pattern takes the square of a line's length."""
    mark = _REMARK_MARK.search(line)
    before = line[: mark.start()] if mark else ""
    return before[-1:] in tuple(" \t,;") and _DIGIT.search(before) is not None


def _share(found: Callable[[str], object], sample: Sequence[str]) -> float:
    return sum(bool(found(line)) for line in sample) / max(len(sample), 1)


def _is_paired(sample: Sequence[str]) -> bool:
    """Whether a comma stands both between cells and in every number, as in ``0,0000010,24,542``.

    Then the digits behind every decimal mark are without sign and of one width in their column, and some begin
    with more zeros than a whole number is written with.
    """
    later = [line.strip().split(",") for line in sample[len(sample) // 2 :]]
    width = len(later[-1]) if later else 0
    rows = [row for row in later if len(row) == width]
    if width < 4 or width % 2 or len(rows) < max(4, _MOST * len(later)):
        return False
    if not all(_WHOLE.fullmatch(cell) for row in rows for cell in row):
        return False
    tails = [[row[i] for row in rows] for i in range(1, width, 2)]
    even = all(len({len(tail) for tail in column}) == 1 and len(column[0]) > 1 for column in tails)
    unsigned = all(tail.isdecimal() for column in tails for tail in column)
    return even and unsigned and any(tail.startswith("00") for column in tails for tail in column)


def _is_mixed(rows: Sequence[Sequence[str]]) -> bool:
    """Whether some columns have decimal commas and others points, and none has both."""
    widths = [len(row) for row in rows]
    usual = max(set(widths), key=widths.count, default=0)
    same = [row for row in rows if len(row) == usual][len(rows) // 2 :]
    if usual < 2 or len(same) < 3:
        return False
    comma = [sum(bool(_COMMA_NUMBER.fullmatch(row[i])) for row in same) for i in range(usual)]
    point = [sum(bool(_POINT_NUMBER.fullmatch(row[i])) for row in same) for i in range(usual)]
    some = [(bool(c), bool(p)) for c, p in zip(comma, point, strict=True)]
    return (True, False) in some and (False, True) in some and (True, True) not in some
