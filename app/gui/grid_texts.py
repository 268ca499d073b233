"""A symbol grid, and how well it fits the flips, in words and as readings."""

from __future__ import annotations

from app.gui.readings_tools import ReadingRow, counted, measured
from app.model.quantity import format_quantity, format_value
from app.model.symbol_grid import SymbolGrid
from app.model.tolerance import Tolerance
from dsp.grid_check import GridCheck, check_grid, flips_that_count
from dsp.hand_flips import OFF_GRID

_ROUNDING = 1e-9  # of a symbol: what is below it is but the rounding of times


def checked_grid(grid: SymbolGrid, hand_s: list[float], automatic_s: list[float]) -> GridCheck:
    """The flips by hand against a grid, and automatic ones where there is none by hand."""
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
        share = found.rms_s / grid.period_s
        rows += [
            ReadingRow(
                "rms from edges",
                f"{format_value(found.rms_s, 's', 3)}, {100 * share:.2g} %",
                "Root mean square over the flips on it; percent of a symbol",
                found.rms_s,
                None,
                "s",
            ),
            ReadingRow(
                "mean from edges",
                format_value(found.mean_s, "s", 3),
                "Above zero: the flips come later than the edges",
                found.mean_s,
                None,
                "s",
            ),
        ]
    return rows
