"""Silences between bursts, and how long a talker takes to answer another."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from app.model.tolerance import Tolerance
from dsp.results import Burst


@dataclass(frozen=True)
class Interval:
    """Times from the end of one burst to the start of the next, of one pair of talkers.

    ``std_s`` is the standard uncertainty of the mean: scatter over the root of the count (JCGM 100:2008, 4.2.3),
    with the instrument's part; None for a single one. ``shortest_s`` and ``longest_s`` bound what was seen.
    ``is_answer``: another talker follows, and sooner than it is followed by this one. Which of two talkers asks is
    not in the samples; that who answers is the quicker one is common practice, no published source.
    """

    before: int | None
    after: int | None
    mean_s: float
    std_s: float | None
    shortest_s: float
    longest_s: float
    count: int
    is_answer: bool = False


def intervals(
    bursts: Sequence[Burst], edges_s: Sequence[float], tolerance: Tolerance, omitted: Sequence[Burst] = ()
) -> tuple[Interval, ...]:
    """Of each pair of talkers that follow each other the time between, in order of the talkers.

    ``edges_s`` are the times at which segments of the capture begin; nothing is timed across one, nor from or
    to an end that the capture cuts, nor over one of the ``omitted`` bursts.
    """
    edges_s = (*edges_s, *((burst.start_s + burst.end_s) / 2 for burst in omitted))
    found: dict[tuple[int | None, int | None], list[float]] = {}
    ordered = sorted(bursts, key=lambda burst: burst.start_s)
    for one, other in pairwise(ordered):
        gap_s = other.start_s - one.end_s
        cut = one.cut_at_end or other.cut_at_start
        if cut or gap_s < 0 or any(one.end_s <= edge < other.start_s for edge in edges_s):
            continue
        found.setdefault((one.talker, other.talker), []).append(gap_s)
    ranked = sorted(found.items(), key=lambda item: tuple(-1 if name is None else name for name in item[0]))
    made = {pair: _interval(*pair, gaps, tolerance) for pair, gaps in ranked}
    return tuple(
        replace(one, is_answer=_is_answer(one, made.get((one.after, one.before)))) for one in made.values()
    )


def _is_answer(one: Interval, back: Interval | None) -> bool:
    if one.before is None or one.after is None or one.before == one.after:
        return False
    return back is None or one.mean_s < back.mean_s


def _interval(before: int | None, after: int | None, gaps_s: list[float], tolerance: Tolerance) -> Interval:
    count = len(gaps_s)
    mean_s = math.fsum(gaps_s) / count
    std_s = None
    if count > 1:
        scatter = math.sqrt(math.fsum((gap - mean_s) ** 2 for gap in gaps_s) / (count - 1))
        std_s = tolerance.time_std(mean_s, scatter / math.sqrt(count))
    return Interval(before, after, mean_s, std_s, min(gaps_s), max(gaps_s), count)
