"""What there is to show of one channel: its bursts as they stand, after newer decodes and the user's hand."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable
from operator import attrgetter
from typing import TYPE_CHECKING

from app.model.items import DecodeRun, FlipMark, SessionData

if TYPE_CHECKING:
    from app.model.corrections import CorrectedBurst
    from dsp.results import Burst


def runs_of(data: SessionData, capture: int, channel: str) -> tuple[DecodeRun, ...]:
    """Decodes of one channel, oldest first."""
    return tuple(run for run in data.decodes if run.capture == capture and run.channel == channel)


class BurstBook:
    """Corrects bursts, and remembers what has not changed since: a drag asks many times a second."""

    def __init__(self) -> None:
        self._known: dict[int, tuple[tuple[FlipMark, ...], CorrectedBurst]] = {}
        self._by_hand: dict[tuple[FlipMark, ...], tuple[CorrectedBurst, ...]] = {}

    def learn(self, untouched: Iterable[CorrectedBurst]) -> None:
        """Remember bursts without marks, worked out elsewhere, for the next `bursts_of`."""
        self._known.update((id(one.burst), ((), one)) for one in untouched)

    def bursts_of(self, data: SessionData, capture: int, channel: str) -> tuple[CorrectedBurst, ...]:
        """Bursts of one channel in order of time, corrected by hand.

        A burst of an older decode that reaches into the span of a newer one is left out. Flips set by hand in no
        burst make bursts of their own where they settle a symbol grid. The same object comes out again as long as
        neither the burst nor the flips in it are others.
        """
        from app.model.corrections import corrected
        from app.model.hand_bursts import grouped

        flips = sorted(
            (flip for flip in data.flips if flip.capture == capture), key=attrgetter("time_s", "key")
        )
        times_s = [flip.time_s for flip in flips]
        known: dict[int, tuple[tuple[FlipMark, ...], CorrectedBurst]] = {}
        out = []
        for burst in _kept(runs_of(data, capture, channel)):
            first = bisect_left(times_s, min(burst.start_s, burst.first_symbol_s))
            last = bisect_left(times_s, burst.end_s)
            inside = tuple(flips[first:last])
            before = self._known.get(id(burst))
            # the corrected burst holds the burst itself, so its identity cannot have passed to another
            one = before[1] if before is not None and before[0] == inside else corrected(burst, inside)
            known[id(burst)] = (inside, one)
            out.append(one)
        self._known = known
        used = {flip.key for one in out for flip in one.marks}
        free = [flip for flip in flips if flip.key not in used and not flip.removes]
        segments = data.captures[capture].segments if capture < len(data.captures) else ()
        breaks_s = [part.start_s for part in segments] + [one.burst.start_s for one in out]
        alone = self._alone(grouped(free, breaks_s))
        return tuple(sorted(out + alone, key=lambda one: one.burst.start_s))

    def _alone(self, groups: list[tuple[FlipMark, ...]]) -> list[CorrectedBurst]:
        from app.model.hand_bursts import hand_bursts

        before, self._by_hand = self._by_hand, {}
        for group in groups:
            self._by_hand[group] = before[group] if group in before else hand_bursts(group)
        return [one for made in self._by_hand.values() for one in made]


def _kept(runs: tuple[DecodeRun, ...]) -> list[Burst]:
    kept: list[Burst] = []
    for i, run in enumerate(runs):
        newer = [later.span_s for later in runs[i + 1 :]]
        kept += [burst for burst in run.result.bursts if not any(_overlap(burst, span) for span in newer)]
    return sorted(kept, key=attrgetter("start_s"))


def _overlap(burst: Burst, span_s: tuple[float, float]) -> bool:
    return burst.start_s < span_s[1] and burst.end_s > span_s[0]
