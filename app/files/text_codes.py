"""What the preamble says of converter codes: ``value = (code - reference) * step + offset``.

The step, the offset and the reference may be stated once for all channels, or in one line for each.
The words are those of SCPI-1999 for waveforms (Y increment, Y origin, Y reference; from memory) and of
the trade (volts per count, LSB, zero code).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from app.files.text_cells import split_row
from app.files.text_header import short_lines, uncommented
from app.files.text_keys import QUANTITY, keyed_pieces, meaning, number
from app.files.text_layout import Layout
from app.files.text_units import COUNTS, Unit, find_unit, plain_cell, split_label

_SOUGHT = ("step", "offset", "reference")
_PER = re.compile(r"([A-Za-zµμ]+)\s*(?:/|per)\s*(?:counts?|codes?|lsb|bits?|levels?|steps?|digits?)", re.I)


@dataclass(frozen=True)
class Coding:
    """``value = code * scale + offset`` in ``unit``, "" where none is said."""

    scale: float
    offset: float
    unit: str


def codings(above: Sequence[str], layout: Layout, channels: int) -> list[Coding] | None:
    """One for each of the ``channels``; None if the lines ``above`` the samples state no step."""
    found: dict[str, list[tuple[float, Unit | None]]] = {}
    for line in short_lines(above):
        for said, values in _stated(uncommented(line), layout):
            found.setdefault(said, values)
    if "step" not in found:
        return None
    made = []
    for i in range(channels):
        (step, unit), (offset, own), (reference, _) = (_of(found.get(name), i) for name in _SOUGHT)
        if not step:
            return None
        scale = step * (unit.factor if unit else 1.0)
        shift = offset * (own.factor if own else 1.0)
        symbol = unit.symbol if unit and unit.symbol not in COUNTS else ""
        made.append(Coding(scale, shift - reference * scale, symbol))
    return made


def _of(values: list[tuple[float, Unit | None]] | None, channel: int) -> tuple[float, Unit | None]:
    if not values:
        return 0.0, None
    return values[channel] if channel < len(values) else values[0]


def _stated(line: str, layout: Layout) -> Iterator[tuple[str, list[tuple[float, Unit | None]]]]:
    """What is sought and stated in ``line``, with its values, one or one a channel."""
    for piece in keyed_pieces(line):
        if (said := meaning(piece["key"])) in _SOUGHT and piece["value"]:
            yield said, [(number(piece["value"], layout.decimal), _unit(piece["unit"], piece["key"]))]
    attempts = [split_row(line, mark) for mark in (layout.delimiter, ",", ";", "\t", "|") if mark != " "]
    attempts += [re.split(r"[:=]", line, maxsplit=1)]
    for cells in attempts:
        if len(cells) < 2:
            continue
        key, *rest = [plain_cell(cell).rstrip(":=").strip() for cell in cells]
        said = meaning(key) or ("step" if _PER.search(key) else None)
        matches = [QUANTITY.fullmatch(cell) for cell in rest]
        values = [match for match in matches if match is not None]
        if said in _SOUGHT and values:
            yield (
                said,
                [(number(match["value"], layout.decimal), _unit(match["unit"], key)) for match in values],
            )
            return


def _unit(written: str | None, key: str) -> Unit | None:
    """The unit behind the value, or in the key, as in ``mV per count`` and ``Offset (V)``."""
    per = _PER.search(key)
    for text in (written, per[1] if per else None, split_label(key)[1]):
        unit = find_unit(text) if text else None
        if unit is not None and unit.symbol not in COUNTS:
            return unit
    return None
