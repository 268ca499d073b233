"""A symbol grid, and how well it fits the flips, in words and as readings."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from app.model.quantity import format_quantity, format_value
from app.model.tolerance import Tolerance

if TYPE_CHECKING:
    from app.gui.readings_tools import ReadingRow
    from app.model.symbol_grid import SymbolGrid
    from dsp.grid_check import GridCheck

_ROUNDING = 1e-6  # of what it belongs to: scatter below it is but the rounding of times


def checked_grid(grid: SymbolGrid, hand_s: list[float], automatic_s: list[float]) -> GridCheck:
    """The flips by hand against a grid, and automatic ones where there is none by hand."""
    from dsp.grid_check import check_grid, flips_that_count
    from dsp.hand_flips import OFF_GRID

    times = flips_that_count(hand_s, automatic_s, OFF_GRID * grid.period_s)
    return check_grid(times, start_s=grid.start_s, period_s=grid.period_s, count=grid.count)


def grid_text(grid: SymbolGrid, found: GridCheck, known: Tolerance) -> str:
    """What stands on the bar of the grid."""
    period_s, rate_bd = grid.period_s, grid.rate_bd
    std_s = known.time_std(period_s, found.period_std_s)
    if std_s is not None and std_s > _ROUNDING * period_s:
        rate = format_quantity(rate_bd, std_s * rate_bd / period_s, "Bd")
    else:
        rate = format_value(rate_bd, "Bd")
    symbols = "1 symbol" if grid.count == 1 else f"{grid.count} symbols"
    return f"{symbols} of {format_value(period_s, 's')}, {rate} · {fit_text(grid, found)}"


def fit_text(grid: SymbolGrid, found: GridCheck) -> str:
    """How far the flips lie from the edges."""
    if not found.inside:
        return "no flips here"
    if found.rms_s is None:
        return "1 flip, off it" if len(found.off) == 1 else f"{len(found.off)} flips, all off it"
    flips = "1 flip" if found.on == 1 else f"{found.on} flips"
    share = found.rms_s / grid.period_s
    rms = (
        "0" if share < _ROUNDING else f"{100 * share:.2g} % of a symbol, {format_value(found.rms_s, 's', 2)}"
    )
    off = f"; {len(found.off)} off it" if found.off else ""
    return f"{flips} on it, rms {rms}{off}"


def grid_rows(
    grid: SymbolGrid, hand_s: list[float], automatic_s: list[float], known: Tolerance
) -> list[ReadingRow]:
    """The grid among the readings."""
    from app.gui.readings_tools import ReadingRow, counted, measured  # the window opens sooner without them

    found = checked_grid(grid, hand_s, automatic_s)
    period_s, rate_bd = grid.period_s, grid.rate_bd
    std_s = known.time_std(period_s, found.period_std_s)
    tip = (
        "Uncertainty: scatter of the flips, how far the grid is from the line through them, and the time base"
    )
    rate_std = None if std_s is None else std_s / period_s**2
    rows = [
        ReadingRow("Symbol grid"),
        counted("symbols", grid.count, "Between the ends of the grid"),
        measured("symbol period", period_s, std_s, "s", tip),
        measured("symbol rate", rate_bd, rate_std, "Bd", tip),
        counted("flips on it", found.on, "Yours, and automatic ones where you have none"),
        counted("flips off it", len(found.off), "Farther than a quarter symbol from an edge"),
    ]
    if found.rms_s is not None and found.mean_s is not None:
        rms_std_s, mean_std_s = _stds(found.on, found.rms_s, found.mean_s)
        share = f"{100 * found.rms_s / grid.period_s:.2g} %"
        tip = "Root mean square over the flips on it, and in percent of a symbol"
        rms = format_quantity(found.rms_s, rms_std_s, "s")
        rows += [
            ReadingRow("rms from edges", f"{rms}, {share}", tip, found.rms_s, rms_std_s, "s"),
            measured("mean from edges", found.mean_s, mean_std_s, "s", _LATER),
        ]
    return rows


_LATER = "Above zero: the flips come later than the edges"


def _stds(count: int, rms_s: float, mean_s: float) -> tuple[float | None, float | None]:
    """Standard uncertainties of root mean square and mean (JCGM 100:2008, E.4.3 and 4.2.3); None for one flip."""
    if count < 2:
        return None, None
    mean_std_s = math.sqrt(max(rms_s**2 - mean_s**2, 0.0) / (count - 1))
    known = mean_std_s > _ROUNDING * rms_s
    return rms_s / math.sqrt(2 * (count - 1)), mean_std_s if known else None
