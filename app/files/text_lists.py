"""Samples in lists rather than rows: JSON documents (RFC 8259), and arrays of program code such as ``x[] = {1, 2};``.

They are laid out as a table of one row a sample below what else is stated, so that everything else need not know.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from app.errors import CaptureError
from app.files.capture_common import Head
from app.files.capture_options import Watch
from app.files.text_cells import Kind, read_cell
from app.files.text_encoding import TextCoding

# a document is taken into memory as a whole, as values of the program, each of which takes some 60 bytes
LARGEST_BYTES = 16 << 20
_ROWS_AT_A_TIME = 1 << 16
_FEWEST_SAMPLES = 8
_LONGEST_WORD = 60
_MOST_COLUMNS = 64
_DEEPEST = 8
_NAMES = ("name", "label", "channel", "title", "id")
_UNITS = ("unit", "units")
_TITLES = ("columns", "names", "fields", "header", "headers", "titles", "channels")
# blanks are bounded, so that a search takes no longer than texts are long
_GAP = r"\s{0,40}"
_TO = rf"(?P<name>[A-Za-z_]\w{{0,60}}){_GAP}(?:\[[^\[\]]{{0,40}}\]{_GAP})?={_GAP}(?:[\w.]{{1,20}}\({_GAP})?[\[{{]"
_ASSIGNED = re.compile(rf"{_TO}(?P<body>[^\[\]{{}}]*)[\]}}]")
_OPENING = re.compile(rf"{_TO}{_GAP}(?:/[/*]|[+-]?\.?\d)")
_LINE_REMARK = re.compile(r"//[^\n]*")
_SUFFIX = re.compile(r"(?<=[\d.])(?:[fFlL]|[uU]?[lL]{0,2}|[uU])(?![\w.])")
_HEX = re.compile(r"[+-]?0[xX][0-9a-fA-F]{1,16}")


def listed_text(head: Head, coding: TextCoding, watch: Watch) -> bytes | None:
    """The text of ``head`` as lines of one row a sample, in UTF-8; None if its samples stand in no lists.

    Raises
    ------
    app.errors.CaptureError : lists in a file that is too large for that.
    """
    if not (_may_be_json(head, coding) or _may_be_code(head, coding)):
        return None
    if head.size > LARGEST_BYTES:
        if _may_be_code(head, coding) or not _is_line_by_line(head, coding):
            problem = f"its samples stand in lists, which are read up to {LARGEST_BYTES >> 20} MB"
            raise CaptureError(head.path, "", problem, "save one row a sample, or a binary format")
        return None
    text = head.path.read_bytes()[coding.mark_bytes :].decode(coding.name, "replace").strip(" \t\r\n\0\x1a")
    made = _of_json(text) if text[:1] in ("{", "[") and text[-1:] in ("}", "]") else None
    watch.stop_if_asked()
    return (made or _of_code(text) or _Table()).text(watch)


def _is_line_by_line(head: Head, coding: TextCoding) -> bool:
    """Whether a line alone is a document, as where every sample has one."""
    first = head.start[coding.mark_bytes :].decode(coding.name, "replace").lstrip().split("\n")[0]
    try:
        return isinstance(json.loads(first.rstrip("\r, ")), dict | list)
    except (ValueError, RecursionError):
        return False


def _may_be_json(head: Head, coding: TextCoding) -> bool:
    return head.start[coding.mark_bytes :].decode(coding.name, "replace").lstrip()[:1] in ("{", "[")


def _may_be_code(head: Head, coding: TextCoding) -> bool:
    return _OPENING.search(head.start.decode(coding.name, "replace")) is not None


@dataclass
class _Table:
    """Columns by title, each a list of values, and the lines above them."""

    above: list[str] = field(default_factory=list)
    titles: list[str] = field(default_factory=list)
    columns: list[Sequence[Any]] = field(default_factory=list)

    def add(self, title: str, cells: Sequence[Any]) -> None:
        if len(self.columns) < _MOST_COLUMNS:
            self.titles.append(" ".join(title.split()))
            self.columns.append(cells)

    def text(self, watch: Watch) -> bytes | None:
        """Those columns that have the commonest length; None without any."""
        lengths = Counter(len(column) for column in self.columns if len(column) >= _FEWEST_SAMPLES)
        if not lengths:
            return None
        length = lengths.most_common(1)[0][0]
        kept = [i for i, column in enumerate(self.columns) if len(column) == length]
        titles = "\t".join(self.titles[i] for i in kept)
        pieces = ["\n".join([*self.above, titles, ""]).encode("utf-8", "replace")]
        for at in range(0, length, _ROWS_AT_A_TIME):
            watch.stop_if_asked()
            columns = [self.columns[i][at : at + _ROWS_AT_A_TIME] for i in kept]
            rows = ["\t".join(map(_cell, values)) + "\n" for values in zip(*columns, strict=True)]
            pieces.append("".join(rows).encode("utf-8", "replace"))
        return b"".join(pieces)


def _of_json(text: str) -> _Table | None:
    try:
        document = json.loads(text)
    except (ValueError, RecursionError):
        return None
    table = _Table()
    _walk(document, "", table, 0)
    return table if table.columns else None


def _walk(value: Any, name: str, table: _Table, depth: int) -> None:
    """Columns for the lists in ``value``, lines for the numbers and short texts."""
    if depth > _DEEPEST:
        return
    if isinstance(value, dict):
        named = str(next((value[key] for key in _NAMES if isinstance(value.get(key), str)), name))[
            :_LONGEST_WORD
        ]
        unit = next((value[key] for key in _UNITS if isinstance(value.get(key), str)), "")[:_LONGEST_WORD]
        lists = [key for key, one in value.items() if _is_numbers(one)]
        titles = next((value[key] for key in _TITLES if _is_words(value.get(key))), None)
        for key, one in value.items():
            if _is_numbers(one):
                alone = len(lists) == 1 and depth > 0
                title = named if alone and named else str(key)[:_LONGEST_WORD]
                table.add(f"{title} ({unit})" if unit and alone else title, one)
            elif _is_rows(one):
                _add_rows(one, titles, table)
            elif isinstance(one, dict | list):
                _walk(one, str(key)[:_LONGEST_WORD], table, depth + 1)
            elif isinstance(one, int | float | str) and not isinstance(one, bool):
                said = " ".join(str(one)[: _LONGEST_WORD + 1].split())
                if len(said) <= _LONGEST_WORD and depth < 3:
                    table.above.append(f"{' '.join(str(key)[:_LONGEST_WORD].split())}\t{said}")
    elif _is_numbers(value):
        table.add(name, value)
    elif _is_rows(value):
        _add_rows(value, None, table)
    elif isinstance(value, list):
        for one in value[:_MOST_COLUMNS]:
            _walk(one, name, table, depth + 1)


def _add_rows(rows: Sequence[Any], titles: Sequence[str] | None, table: _Table) -> None:
    if isinstance(rows[0], dict):
        for key in rows[0]:
            cells = [row.get(key) for row in rows]
            if not any(isinstance(cell, dict | list) for cell in cells):
                table.add(str(key)[:_LONGEST_WORD], cells)
        return
    width = len(rows[0])
    named = titles if titles is not None and len(titles) == width else [""] * width
    for i in range(min(width, _MOST_COLUMNS)):
        table.add(str(named[i])[:_LONGEST_WORD], [row[i] for row in rows])


def _is_numbers(value: Any) -> bool:
    """Whether a list holds numbers, or marks for some that are missing."""
    if not isinstance(value, list) or len(value) < _FEWEST_SAMPLES:
        return False
    numbers = sum(isinstance(one, int | float) for one in value)
    return 2 * numbers > len(value) and not any(isinstance(one, dict | list) for one in value)


def _is_rows(value: Any) -> bool:
    """Whether a list holds samples that are lists of one length, or objects, of single values."""
    if not isinstance(value, list) or len(value) < _FEWEST_SAMPLES:
        return False
    if all(isinstance(one, dict) and one for one in value):
        return any(isinstance(one, int | float) for one in value[0].values())
    return all(
        isinstance(one, list)
        and len(one) == len(value[0])
        and 0 < len(one) <= _MOST_COLUMNS
        and not any(isinstance(cell, dict | list) for cell in one)
        for one in value
    )


def _is_words(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(one, str) for one in value)


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(int(value))
    if isinstance(value, int) and abs(value) > 1 << 63:
        return "OL"
    return repr(value) if isinstance(value, int | float) else " ".join(str(value)[:_LONGEST_WORD].split())


def _of_code(text: str) -> _Table | None:
    """Arrays to which numbers are assigned, however many stand in a line; rows parted by ``;`` are none."""
    table = _Table()
    outside: list[str] = []
    at = 0
    for name, body, begin, end in _assigned(text):
        cells = _numbers(body)
        if cells is None:
            continue
        table.add(name, cells)
        outside.append(text[at:begin])
        at = end
    if not table.columns:
        return None
    rest = "\n".join([*outside, text[at:]])
    table.above += [
        re.sub(r"^\s*#define\s+", "", line).rstrip("\r;") for line in rest.split("\n") if line.strip()
    ]
    return table


def _assigned(text: str) -> Iterator[tuple[str, str, int, int]]:
    for match in _ASSIGNED.finditer(text):
        yield match["name"], match["body"], match.start(), match.end()


def _numbers(body: str) -> list[str] | None:
    if ";" in body:
        return None
    cells = _SUFFIX.sub("", _without_remarks(body)).replace(",", " ").split()
    if len(cells) < _FEWEST_SAMPLES:
        return None
    kinds = [Kind.NUMBER if _HEX.fullmatch(cell) else read_cell(cell, ".").kind for cell in cells]
    return cells if all(kind.is_value for kind in kinds) else None


def _without_remarks(body: str) -> str:
    """``body`` without what stands behind ``//`` or between ``/*`` and ``*/``."""
    kept: list[str] = []
    at = 0
    while (begin := body.find("/*", at)) >= 0 and (end := body.find("*/", begin + 2)) >= 0:
        kept.append(body[at:begin])
        at = end + 2
    return _LINE_REMARK.sub("", " ".join([*kept, body[at:]]))
