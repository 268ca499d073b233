"""Bursts made of flips set by hand alone, where the decoder found none."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from itertools import pairwise

from app.model.corrections import CorrectedBurst
from app.model.items import FlipMark
from dsp.hand import GridFit, fit_grid
from dsp.hand_flips import FlipComparison, union_symbols
from dsp.hand_parts import parted
from dsp.results import Burst

_SILENCE = 16.0
"""Flips farther apart than so many middle distances belong to different bursts. Of random symbols the middle distance
is one symbol, and one distance in 65,000 is longer than 16; where flips are missing, still fewer are."""


def grouped(marks: Sequence[FlipMark], breaks_s: Iterable[float]) -> list[tuple[FlipMark, ...]]:
    """Flips in order of time, parted where one of ``breaks_s`` or a long silence lies between two of them."""
    from statistics import median  # the window opens sooner without it

    breaks = sorted(breaks_s)
    distances = [later.time_s - earlier.time_s for earlier, later in pairwise(marks)]
    longest_s = _SILENCE * median(distances) if distances else math.inf
    groups: list[list[FlipMark]] = []
    for i, mark in enumerate(marks):
        parted = i == 0 or distances[i - 1] > longest_s
        if not parted:
            parted = bisect_right(breaks, marks[i - 1].time_s) != bisect_right(breaks, mark.time_s)
        if parted:
            groups.append([])
        groups[-1].append(mark)
    return [tuple(group) for group in groups]


def hand_bursts(marks: Sequence[FlipMark]) -> tuple[CorrectedBurst, ...]:
    """The bursts of flips in order of time: one for each part of them that settles a symbol grid of its own."""
    parts = parted([mark.time_s for mark in marks])
    made = [hand_burst(marks[part]) for part in parts]
    return tuple(burst for burst in made if burst is not None)


def hand_burst(marks: Sequence[FlipMark]) -> CorrectedBurst | None:
    """The symbols between the first and the last of these flips; None where they do not settle a symbol grid.

    The first symbol is written ``1``. Amplitude, carrier and what depends on them are unknown, and whether the
    transmission goes on beyond is, too.
    """
    times_s = [mark.time_s for mark in marks]
    grid = fit_grid(times_s)
    if not isinstance(grid, GridFit) or grid.is_ambiguous:
        return None
    on = [time_s for i, time_s in enumerate(times_s) if i not in grid.outliers]
    made = union_symbols(grid, times_s, span_s=(min(on), max(on)))
    burst = Burst(
        start_s=made.first_symbol_s,
        end_s=made.first_symbol_s + len(made.symbols) * grid.period_s,
        start_probability=math.nan,
        end_probability=math.nan,
        cut_at_start=True,
        cut_at_end=True,
        talker=None,
        amplitude=math.nan,
        amplitude_std=None,
        carrier_hz=None,
        carrier_std_hz=None,
        symbol_rate_bd=grid.rate_bd,
        symbol_rate_std_bd=grid.rate_std_bd,
        symbol_rate_alternatives_bd=grid.alternatives_bd,
        cycles_per_symbol=None,
        esn0_db=None,
        esn0_std_db=None,
        first_symbol_s=made.first_symbol_s,
        flips_s=(),
        flips_interval_s=(),
        bits_per_symbol=1,
        symbols=made.symbols,
        confidence=(),
        line_code="plain",
        bits=made.symbols,
        warnings=("made of your flips alone, from the first to the last of them",),
    )
    return CorrectedBurst(
        burst=burst,
        marks=tuple(marks),
        symbols=made.symbols,
        bits=made.symbols,
        changed=(),
        flips=made.flips,
        off_grid=tuple(marks[i] for i in made.off_grid),
        comparison=FlipComparison(only_hand=tuple(range(len(marks)))),
        basis=burst,
        grid_of="hand",
        hand_grid=grid,
    )
