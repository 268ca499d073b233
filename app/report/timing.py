"""Silences between bursts, and how long a talker takes to answer another."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from operator import attrgetter

from app.model.tolerance import Tolerance
from dsp.edge_times import interval_std
from dsp.results import Burst

_ASKED = 100


@dataclass(frozen=True)
class Interval:
    """Times from the end of one burst to the start of the next, of one pair of talkers.

    ``std_s`` is the standard uncertainty of the mean: scatter over the root of the count (JCGM 100:2008, 4.2.3), but
    no less than what the edges of each leave open over that root (`dsp.edge_times`), which alone tells it of a single
    one; with the instrument's part. None where neither is known. ``shortest_s`` and ``longest_s`` bound what was seen,
    with ``shortest_std_s`` and ``longest_std_s``.
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
    shortest_std_s: float | None = None
    longest_std_s: float | None = None


@dataclass(frozen=True)
class _Gap:
    """From the end of ``one`` burst to the start of the ``other``."""

    length_s: float
    one: Burst
    other: Burst

    def std_s(self, sample_s: float) -> float | None:
        return interval_std(self.one, self.other, sample_s)


def intervals(
    bursts: Sequence[Burst],
    edges_s: Sequence[float],
    tolerance: Tolerance,
    omitted: Sequence[Burst] = (),
    *,
    sample_s: float,
) -> tuple[Interval, ...]:
    """Of each pair of talkers that follow each other the time between, in order of the talkers.

    ``edges_s`` are the times at which segments of the capture begin; nothing is timed across one, nor from or
    to an end that the capture cuts, nor over one of the ``omitted`` bursts. ``sample_s`` is the time between samples.
    """
    edges_s = (*edges_s, *((burst.start_s + burst.end_s) / 2 for burst in omitted))
    found: dict[tuple[int | None, int | None], list[_Gap]] = {}
    ordered = sorted(bursts, key=lambda burst: burst.start_s)
    for one, other in pairwise(ordered):
        gap_s = other.start_s - one.end_s
        cut = one.cut_at_end or other.cut_at_start
        if cut or gap_s < 0 or any(one.end_s <= edge < other.start_s for edge in edges_s):
            continue
        found.setdefault((one.talker, other.talker), []).append(_Gap(gap_s, one, other))
    ranked = sorted(found.items(), key=lambda item: tuple(-1 if name is None else name for name in item[0]))
    made = {pair: _interval(*pair, gaps, tolerance, sample_s) for pair, gaps in ranked}
    return tuple(
        replace(one, is_answer=_is_answer(one, made.get((one.after, one.before)))) for one in made.values()
    )


def _is_answer(one: Interval, back: Interval | None) -> bool:
    if one.before is None or one.after is None or one.before == one.after:
        return False
    return back is None or one.mean_s < back.mean_s


def _interval(
    before: int | None, after: int | None, gaps: list[_Gap], tolerance: Tolerance, sample_s: float
) -> Interval:
    count = len(gaps)
    mean_s = math.fsum(gap.length_s for gap in gaps) / count
    # some tell what the edges leave open as well as all of thousands
    known = [std for gap in gaps[:_ASKED] if (std := gap.std_s(sample_s)) is not None]
    variance = math.fsum(std * std for std in known) / len(known) if known else None
    if count > 1:
        scatter = math.fsum((gap.length_s - mean_s) ** 2 for gap in gaps) / (count - 1)
        variance = max(scatter, variance or 0.0)
    shortest = min(gaps, key=attrgetter("length_s"))
    longest = max(gaps, key=attrgetter("length_s"))
    return Interval(
        before,
        after,
        mean_s,
        None if variance is None else tolerance.time_std(mean_s, math.sqrt(variance / count)),
        shortest.length_s,
        longest.length_s,
        count,
        shortest_std_s=tolerance.time_std(shortest.length_s, shortest.std_s(sample_s)),
        longest_std_s=tolerance.time_std(longest.length_s, longest.std_s(sample_s)),
    )
