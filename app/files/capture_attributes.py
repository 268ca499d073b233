"""What the attributes of a dataset say of its samples: scale, offset, unit and name.

The names are those of the CF conventions for NetCDF (``scale_factor``, ``add_offset``, ``units``, ``long_name``) and
the plain words of the trade.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.errors import one_line
from app.files.text_keys import QUANTITY, meaning, stated_as
from app.files.text_units import COUNTS, find_rate_unit, find_unit

_SCALE = re.compile(
    r"(y |vertical |adc |value )?(scale|scale factor|factor|gain|slope|step|increment|multiplier|mult|lsb)"
    r"|(volts?|amps?|amperes?|units?) per (count|code|lsb|bit|step|level)|y ?(incr?|increment|mult)",
    re.I,
)
_OFFSET = re.compile(r"(y |vertical |value )?(offset|add offset|intercept|bias)|y ?(off|offset|origin)", re.I)
_UNIT = re.compile(r"(y |vertical |value |channel )?units?", re.I)
_NAME = re.compile(
    r"((channel|column|display|long|field) )?(name|label)s?|sources?|channels?|columns|fields", re.I
)
_LONGEST = 80


@dataclass(frozen=True)
class Said:
    """Of one channel; None where nothing is said. ``value = (stored * scale + offset)`` in ``unit``."""

    scale: float | None = None
    offset: float | None = None
    unit: str | None = None
    name: str = ""


def said(attributes: Mapping[str, Any], column: int = 0, columns: int = 1) -> Said:
    """What ``attributes`` say of one of the ``columns`` of a dataset: a value for all, or one for each."""
    scale = offset = unit = None
    name = ""
    for key, value in attributes.items():
        words = " ".join(re.sub(r"(?<=[a-z])(?=[A-Z])|[_.:\-]+", " ", key).split())
        number, text = _one(value, column, columns)
        if scale is None and number and _SCALE.fullmatch(words):
            scale = number
        elif offset is None and number is not None and _OFFSET.fullmatch(words):
            offset = number
        elif unit is None and text and _UNIT.fullmatch(words):
            unit = text
        elif not name and text and _NAME.fullmatch(words):
            name = text[:_LONGEST]
    return Said(scale, offset, unit, name)


def scaled(found: Said, stored: NDArray[np.generic]) -> tuple[float, float, str | None]:
    """Scale, offset and unit for `app.model.capture.Channel`; a unit of None leaves it to the type."""
    scale = 1.0 if found.scale is None else found.scale
    offset = found.offset or 0.0
    known = find_unit(found.unit) if found.unit else None
    if known is not None and not known.time:
        unit: str | None = known.symbol
        # codes with a step are in no unit of their own
        unit = "" if known.symbol in COUNTS and found.scale is not None else unit
        return scale * known.factor, offset * known.factor, unit
    if found.unit:
        return scale, offset, one_line(found.unit)[:16]
    return scale, offset, "" if found.scale is not None and stored.dtype.kind in "iub" else None


def stated_number(key: str, value: object) -> float | None:
    """What is stated under ``key`` in seconds or hertz: a number, or a text as ``1 MS/s``; None if nothing sought."""
    number, text = _one(value, 0, 1)
    if number is not None:
        return number
    match = (
        QUANTITY.fullmatch(text.strip()) if text and meaning(key) in ("interval", "rate", "start") else None
    )
    if match is None or not match["unit"]:
        return None
    time, rate = find_unit(match["unit"]), find_rate_unit(match["unit"])
    factor = rate if rate is not None else time.factor if time is not None and time.time else None
    try:
        # the unit of the text counts, not one in the key, by which the number is taken later on
        return None if factor is None else float(match["value"]) * factor / stated_as(key)[1]
    except ValueError:
        return None


def _one(value: object, column: int, columns: int) -> tuple[float | None, str]:
    """The value for a column as a finite number or as text."""
    array = np.asarray(value)
    if array.size == 1 or (array.size == columns and columns > 1):
        one = array.reshape(-1)[0 if array.size == 1 else column]
    else:
        return None, ""
    if array.dtype.kind in "iuf":
        number = float(one)
        return (number, "") if math.isfinite(number) else (None, "")
    if isinstance(one, bytes):
        one = one.decode("utf-8", "replace")
    return None, one_line(one) if isinstance(one, str) else ""
