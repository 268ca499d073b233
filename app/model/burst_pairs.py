"""Which bursts of two readings of one line are the same transmission."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

from dsp.results import Burst

Read = TypeVar("Read")


def paired(
    own: Sequence[Read], other: Sequence[Read], burst_of: Callable[[Read], Burst]
) -> tuple[list[tuple[Read, Read | None]], list[Read]]:
    """Each of ``own``, in order of time, with the first of ``other`` that stands in its place, and what is left of those.

    Two stand in one place where they overlap by more than half of the shorter one. The work grows with their number,
    and with how many overlap at an instant.
    """
    ahead = sorted(other, key=lambda one: burst_of(one).start_s)
    at = 0
    near: list[Read] = []
    pairs: list[tuple[Read, Read | None]] = []
    left: list[Read] = []
    for one in sorted(own, key=lambda one: burst_of(one).start_s):
        burst = burst_of(one)
        while at < len(ahead) and burst_of(ahead[at]).start_s < burst.end_s:
            near.append(ahead[at])
            at += 1
        partner: Read | None = None
        still: list[Read] = []
        for rival in near:
            if partner is None and _is_same_place(burst, burst_of(rival)):
                partner = rival
            elif burst_of(rival).end_s <= burst.start_s:
                left.append(rival)  # whatever comes later begins later, too
            else:
                still.append(rival)
        near = still
        pairs.append((one, partner))
    return pairs, sorted([*left, *near, *ahead[at:]], key=lambda one: burst_of(one).start_s)


def _is_same_place(one: Burst, other: Burst) -> bool:
    common = min(one.end_s, other.end_s) - max(one.start_s, other.start_s)
    return common > 0.5 * min(one.end_s - one.start_s, other.end_s - other.start_s)
