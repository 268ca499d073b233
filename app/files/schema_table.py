"""The layout of a session file as the rows of a table, which DEVELOPERS.md shows."""

from __future__ import annotations

from collections.abc import Iterator

from app.files.schema import FLAG, FLOAT, INT, MEASURE, SESSION, TEXT, Field, Group

_TYPES = {TEXT: "text", INT: "int64", FLOAT: "float64", MEASURE: "float64", FLAG: "uint8"}
_ARRAY_TYPES = {"iuf": "integer or float, as stored", "f": "float64", "S": "text of length 1"}


def layout(group: Group = SESSION, path: str = "") -> Iterator[tuple[str, str, str, str]]:
    """Rows ``(path, type, unit, meaning)`` of everything in the file, as in DEVELOPERS.md.

    ``N`` is a number; attributes are written ``group@name``, columns ``table.name``.
    """
    here = f"{path}/N" if group.many else path
    for one in group.attributes:
        yield f"{here or '/'}@{one.name}", *_row(one, "may be absent")
    for table in group.tables:
        yield f"{here}/{table.name}", "table", "", table.meaning
        for one in table.columns:
            absent = "-1 where none" if one.kind == INT else "NaN where none"
            yield f"{here}/{table.name}.{one.name}", *_row(one, absent)
    for array in group.arrays:
        yield f"{here}/{array.name}", _ARRAY_TYPES[array.kinds], array.unit, array.meaning
    for child in group.groups:
        yield from layout(child, f"{here}/{child.name}")


def _row(one: Field, absent: str) -> tuple[str, str, str]:
    choices = f" ({', '.join(one.choices)})" if one.choices and one.name != "format" else ""
    return _TYPES[one.kind], one.unit, one.meaning + choices + (f"; {absent}" if one.optional else "")
