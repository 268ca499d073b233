"""Whether a tree that was read is a session: names, types and ranges as `app.files.schema` states them."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.errors import SessionError
from app.files.schema import FLAG, FLOAT, INT, MEASURE, TEXT, Array, Field, Group, Table
from app.files.session_tree import Node, text_rows

_COLUMN_KINDS = {TEXT: "S", INT: "i", FLOAT: "f", MEASURE: "f", FLAG: "u"}
_VALUE_TYPES: dict[str, type] = {TEXT: str, INT: int, FLAG: int, FLOAT: float, MEASURE: float}


def check(node: Node, group: Group, path: str = "") -> None:
    """Hold ``node`` against its description; what the description does not name is left alone.

    Raises
    ------
    app.errors.SessionError : the first thing found that is missing, of another type or out of range.
    """
    for one in group.attributes:
        _check_attribute(node, one, path)
    for table in group.tables:
        if table.name in node.arrays:
            _check_table(node.arrays[table.name], table, f"{path}/{table.name}")
    for array in group.arrays:
        if array.name in node.arrays:
            _check_array(node.arrays[array.name], array, f"{path}/{array.name}")
    for child in group.groups:
        if child.name in node.groups:
            _check_group(node.groups[child.name], child, f"{path}/{child.name}")


def _check_group(node: Node, group: Group, path: str) -> None:
    if not group.many:
        check(node, group, path)
        return
    if set(node.groups) != {str(n) for n in range(len(node.groups))}:
        raise SessionError(f"the children of {path} are not numbered from 0 on")
    for n in range(len(node.groups)):
        check(node.groups[str(n)], group, f"{path}/{n}")


def _check_attribute(node: Node, one: Field, path: str) -> None:
    where = f"{path or '/'}@{one.name}"
    value = node.attributes.get(one.name)
    if value is None:
        if not one.optional:
            raise SessionError(f"{where} is missing")
        return
    if type(value) is not _VALUE_TYPES[one.kind]:
        raise SessionError(f"{where} is {type(value).__name__}, not {one.kind}")
    if isinstance(value, str):
        _check_choice(value, one, where)
    elif not (one.low <= value <= one.high or (one.kind == MEASURE and math.isnan(value))):
        raise SessionError(f"{where} is {value}, out of its range")


def _check_choice(value: str, one: Field, where: str) -> None:
    if one.choices and value not in one.choices:
        raise SessionError(f"{where} is “{value[:40]}”, not one of {', '.join(one.choices)}")


def _check_table(table: NDArray[Any], layout: Table, path: str) -> None:
    if table.dtype.names != tuple(one.name for one in layout.columns):
        raise SessionError(f"{path} does not have the columns it should")
    for one in layout.columns:
        where = f"{path}.{one.name}"
        column = table[one.name]
        if column.dtype.kind != _COLUMN_KINDS[one.kind] or (one.kind == INT and column.dtype.itemsize != 8):
            raise SessionError(f"{where} has the wrong type")
        if one.kind == TEXT:
            for text in text_rows(table, one.name):
                _check_choice(text, one, where)
        else:
            _check_numbers(column, one, where)


def _check_numbers(column: NDArray[Any], one: Field, where: str) -> None:
    good = (column <= 1) if one.kind == FLAG else (column >= one.low) & (column <= one.high)
    if one.kind == MEASURE:
        good |= np.isnan(column)
    elif one.optional:
        good |= (column == -1) if one.kind == INT else np.isnan(column)
    if not good.all():
        row = int(np.argmin(good))
        raise SessionError(f"{where} is {column[row]} in row {row}, out of its range")


def _check_array(array: NDArray[Any], layout: Array, path: str) -> None:
    if array.dtype.kind not in layout.kinds or (layout.kinds == "S" and array.dtype.itemsize != 1):
        raise SessionError(f"{path} has the wrong type")
    if layout.kinds == "S":
        codes = array.view("u1")
        if codes.size and (int(codes.min()) < 0x21 or int(codes.max()) > 0x7E):
            raise SessionError(f"{path} has characters that are not printable ASCII")
    elif layout.kinds == "f" and not ((array >= layout.low) & (array <= layout.high)).all():
        raise SessionError(f"{path} has values out of their range")
