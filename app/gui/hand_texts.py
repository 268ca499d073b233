"""What the flips set by hand tell, in words: their symbol grid, and how they compare with the automatic ones."""

from __future__ import annotations

from typing import TYPE_CHECKING

from app.model.quantity import format_quantity, format_value
from app.model.tolerance import Tolerance

if TYPE_CHECKING:
    from app.model.corrections import CorrectedBurst
    from dsp.hand import GridFit
    from dsp.hand_flips import FlipComparison

_ROUNDING = 1e-9
"""Of a symbol, or of a mean: scatter below it is but the rounding of times."""


def rate_text(grid: GridFit, known: Tolerance) -> str:
    """Symbol rate with its combined uncertainty."""
    return format_quantity(grid.rate_bd, known.time_std(grid.rate_bd, grid.rate_std_bd), "Bd")


def scatter_text(grid: GridFit) -> str:
    """How far the flips lie from the edges of their grid, root mean square."""
    part = grid.residual_rms_s / grid.period_s
    if part < _ROUNDING:
        return "0 s"
    return f"{format_value(grid.residual_rms_s, 's', 2)}, {format_value(100 * part, '', 2)} % of a symbol"


def rates_text(rates_bd: tuple[float, ...]) -> str:
    """Rates that are possible, too."""
    return ", ".join(format_value(rate, "Bd", 5) for rate in rates_bd)


def difference_text(found: FlipComparison, known: Tolerance) -> str:
    """Mean time from the automatic flip to that set by hand; empty where none is found by both."""
    mean_s = found.mean_difference_s
    if mean_s is None:
        return ""
    std_s = found.mean_difference_std_s
    if std_s is None:
        return f"{format_value(mean_s, 's', 3)} (one flip)"
    if std_s < _ROUNDING * abs(mean_s):
        return format_value(mean_s, "s", 3)
    return format_quantity(mean_s, known.time_std(mean_s, std_s), "s")


def comparison_text(found: FlipComparison, known: Tolerance) -> str:
    """A sentence; empty where nothing was compared."""
    if not (found.agreed or found.missed or found.extra):
        return ""
    difference = difference_text(found, known)
    later = f"; mean difference, yours less automatic: {difference}" if difference else ""
    return (
        f"Your flips against the automatic ones: {found.agreed} agreed, {found.missed} missed by the decoder, "
        f"{found.extra} too many{later}."
    )


def grid_texts(as_is: CorrectedBurst, known: Tolerance) -> list[str]:
    """Sentences on the grid of the flips set by hand in a burst; none where they do not settle one."""
    from dsp.hand import GridFit

    grid = as_is.hand_grid
    if not isinstance(grid, GridFit):
        return []
    count = len(grid.numbers)
    if grid.is_ambiguous:
        rates = rates_text((grid.rate_bd, *grid.alternatives_bd))
        return [f"Your {count} flips alone do not settle a symbol rate: it may be {rates}."]
    sentences = [
        f"The symbol grid of {count - len(grid.outliers)} of your {count} flips: {rate_text(grid, known)}; from its "
        f"edges they lie {scatter_text(grid)} (root mean square)."
    ]
    if grid.alternatives_bd:
        sentences.append(f"Also possible: {rates_text(grid.alternatives_bd)}.")
    if as_is.grid_of == "union":
        rate = format_quantity(as_is.burst.symbol_rate_bd, as_is.burst.symbol_rate_std_bd, "Bd")
        passed = f"; {as_is.passed_over} automatic flips off it do not count" if as_is.passed_over else ""
        sentences.append(
            f"Your flips do not lie on the decoder's grid ({rate}): the bits are sliced anew, on the grid of yours "
            f"and the automatic ones{passed}."
        )
    return sentences
