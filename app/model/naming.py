"""What the user said of bursts: their names, and which are left out."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from app.model.items import SessionData

if TYPE_CHECKING:
    from app.model.corrections import CorrectedBurst


@dataclass(frozen=True)
class BurstName:
    """What the user said of a burst."""

    name: str = ""
    excluded: bool = False

    @property
    def text(self) -> str:
        """Both for people."""
        return "; ".join(part for part in (self.name, "left out" if self.excluded else "") if part)


NOTHING_SAID = BurstName()


def names_of(
    data: SessionData, capture: int, channel: str, spans_s: Sequence[tuple[float, float]]
) -> tuple[BurstName, ...]:
    """Of the burst over each of ``spans_s`` what was said of it; the newest, where bursts were joined later."""
    mine = [mark for mark in data.burst_marks if (mark.capture, mark.channel) == (capture, channel)]
    if not mine:
        return (NOTHING_SAID,) * len(spans_s)
    order = sorted(range(len(mine)), key=lambda n: mine[n].time_s)
    times_s = [mine[n].time_s for n in order]
    out = []
    for start_s, end_s in spans_s:
        inside = order[bisect_left(times_s, start_s) : bisect_left(times_s, end_s)]
        newest = mine[max(inside)] if inside else None
        out.append(NOTHING_SAID if newest is None else BurstName(newest.name, newest.excluded))
    return tuple(out)


def names_of_bursts(
    data: SessionData, capture: int, channel: str, bursts: Sequence[CorrectedBurst]
) -> tuple[BurstName, ...]:
    """What was said of each of ``bursts`` of a channel."""
    return names_of(data, capture, channel, [(one.burst.start_s, one.burst.end_s) for one in bursts])


def left_out_text(count: int) -> str:
    """That bursts are left out, as a sentence; empty where none is."""
    if not count:
        return ""
    return f"{count} burst{'' if count == 1 else 's'} left out by hand {'is' if count == 1 else 'are'} not counted."
