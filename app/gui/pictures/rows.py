"""Pictures of rows: the trace folded, and bursts laid on one another."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from app.gui.pictures.api import (
    Curve,
    Layer,
    NoPictureError,
    Picture,
    PictureKind,
    PictureRequest,
    Pixels,
    Place,
    count_text,
)
from app.model.quantity import format_value

if TYPE_CHECKING:
    from dsp.picture_fold import Rows

_CYCLES = {"1": 1, "2": 2, "4": 4, "8": 8, "16": 16, "32": 32}
_LENGTHS = 1.02  # shown of a burst, in lengths of the longest


def make_folded(request: PictureRequest) -> Picture:
    from dsp.picture_fold import folded

    start_s, end_s = request.span_s
    by_symbol = request.choice not in _CYCLES
    if by_symbol:
        grids, _ = request.grids()
        period_s = grids[0].period_s
        # rows begin on the edges of the first burst's symbols
        if request.whole_burst:
            end_s = grids[0].first_s + grids[0].count * period_s
        start_s = grids[0].first_s + np.ceil((start_s - grids[0].first_s) / period_s - 1e-6) * period_s
    else:
        period_s = _CYCLES[request.choice] / request.carrier()
    rows = folded(request.record(), float(start_s), end_s, period_s)
    what = "symbol" if by_symbol else f"{request.choice} cycle{'' if request.choice == '1' else 's'}"
    note = f"One row for each {what} ({format_value(period_s, 's', 6)}), the first on top: {_count(rows)}. "
    return Picture(
        "Folded trace",
        "Time within the fold",
        "s",
        "Fold",
        "",
        (Pixels(rows.values, (0.0, period_s)),),
        _table(rows),
        note + "A row turned over has dark where the others have light. A click moves a cursor there.",
        _in_rows(rows, None),
    )


def make_stack(request: PictureRequest) -> Picture:
    from dsp.picture_fold import stacked

    shown = [(n, one) for n, one in request.bursts if one.basis.symbol_rate_bd and one.symbols]
    if not shown:
        raise NoPictureError(f"No burst with symbols {request.where}.")
    # those of one transmitter together, in order of time
    shown.sort(
        key=lambda pair: (-1 if pair[1].basis.talker is None else pair[1].basis.talker, pair[1].basis.start_s)
    )
    length_s = max(len(one.symbols) / (one.basis.symbol_rate_bd or 1) for _, one in shown) * _LENGTHS
    by_phase = request.choice != "voltage"
    carrier_hz = request.carrier_hz if by_phase else None
    starts = [one.basis.first_symbol_s for _, one in shown]
    rows = stacked(request.record(), starts, length_s, carrier_hz=carrier_hz)
    ends = [one.basis.first_symbol_s + len(one.symbols) / (one.basis.symbol_rate_bd or 1) for _, one in shown]
    offsets = (np.arange(rows.values.shape[1]) + 0.5) / rows.values.shape[1] * length_s
    for k in range(len(rows.values)):
        rows.values[k, offsets > ends[k] - starts[k]] = np.nan
    numbers = [n for n, _ in shown]
    talkers = sorted({"unknown" if one.basis.talker is None else str(one.basis.talker) for _, one in shown})
    note = f"{_count(rows)}, by talker ({', '.join(talkers)}), aligned on the first symbol; "
    note += "projection on the burst's own phase. " if carrier_hz else "voltage less its mean. "
    overlay = request.choice == "overlay"
    return Picture(
        "Burst stack",
        "Time from the first symbol",
        "s",
        ("In-phase part" if carrier_hz else "Value") if overlay else "Burst",
        (request.unit if not carrier_hz else "of the usual amplitude") if overlay else "",
        _overlaid(rows, offsets) if overlay else (Pixels(rows.values, (0.0, length_s)),),
        _table(rows),
        note + ("Bold: their mean." if overlay else "A click selects the burst."),
        None if overlay else _in_rows(rows, numbers),
    )


def _overlaid(rows: Rows, offsets: np.ndarray) -> tuple[Layer, ...]:
    gap = np.full((len(rows.values), 1), np.nan)
    x = np.hstack([np.broadcast_to(offsets, rows.values.shape), gap]).ravel()
    y = np.hstack([rows.values, gap]).ravel()
    finite = np.isfinite(rows.values)
    count = finite.sum(axis=0)
    mean = np.where(count > 0, np.where(finite, rows.values, 0).sum(axis=0) / np.maximum(count, 1), np.nan)
    return (Curve(x, y, "bursts", faint=True), Curve(offsets, mean, "mean", strong=True))


def _in_rows(rows: Rows, numbers: list[int] | None) -> Callable[[float, float, float, float], Place | None]:
    def find(x: float, y: float, _wide: float, _high: float) -> Place | None:
        row = int(np.floor(y))
        if not 0 <= row < len(rows.starts_s):
            return None
        return Place(None if numbers is None else numbers[row], float(rows.starts_s[row]) + x)

    return find


def _count(rows: Rows) -> str:
    beyond = f", {rows.left_out} more left out" if rows.left_out else ""
    return count_text(len(rows.values), "row") + beyond


def _table(rows: Rows) -> tuple[tuple[str, np.ndarray], ...]:
    columns = rows.values.shape[1]
    offsets = (np.arange(columns) + 0.5) / columns * rows.length_s
    return (("offset_s", offsets), *((f"row_{k}", row) for k, row in enumerate(rows.values)))


FOLDED = PictureKind(
    "folded",
    "Folded trace",
    "Time cut into rows of one symbol, or of some carrier cycles: turned-over rows show at a glance",
    make_folded,
    (("symbol", "one symbol"), *((key, f"{key} cycle{'' if key == '1' else 's'}") for key in _CYCLES)),
    "Fold a&t",
)
STACK = PictureKind(
    "stack",
    "Burst stack",
    "Bursts aligned on their first symbol: what is always the same, and what varies, shows before any decoding",
    make_stack,
    (("phase", "as phase"), ("voltage", "as voltage"), ("overlay", "over one another, with their mean")),
    "&Shown",
)
