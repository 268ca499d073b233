"""Look over the samples of a channel for values that are none and for a clipped converter."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.files.capture_options import Watch, counted
from app.model.capture import Channel
from dsp.results import Notice

BLOCK = 1 << 18
# Opening must not read a huge mapped file whole: beyond this the look is at evenly spaced blocks.
MOST_SAMPLES = 1 << 24
PART = " in the part looked at"

_GRID = 4096
_FEWEST_LEVELS = 32
_FEWEST_LEVELS_AT_END_OF_TYPE = 8
_FEWEST_CLIPPED = 16
_FEWEST_CLIPPED_AT_END_OF_TYPE = 4
_MOST_OF_SIGNAL = 0.5
_MOST_AT_END_OF_TYPE = 0.9
_PILE_RATIO = 2.5


def check_channels(
    channels: Sequence[Channel], watch: Watch | None = None, *, most: int | None = None
) -> tuple[Notice, ...]:
    """Notices ``nan``, ``infinity`` and ``clipped`` of each channel, with count and first sample.

    At most `MOST_SAMPLES` samples of all channels together are read, or ``most`` of each; where that is not
    all, the notice says so.
    """
    looks = _looks(channels, watch, most)
    return tuple(notice for look in looks for notice in (*look.not_finite(), *look.clipped()))


def check_clipping(
    channels: Sequence[Channel], watch: Watch | None = None, *, most: int | None = None
) -> tuple[Notice, ...]:
    """The notices ``clipped`` alone, where the values that are none have been counted already."""
    return tuple(notice for look in _looks(channels, watch, most) for notice in look.clipped())


def _looks(channels: Sequence[Channel], watch: Watch | None, most: int | None) -> list[_Look]:
    if most is None:
        most = max(BLOCK, MOST_SAMPLES // max(len(channels), 1))
    return [_Look(channel, most, watch or Watch()) for channel in channels]


@dataclass(frozen=True)
class _Pile:
    """Samples exactly at ``value``, an end of the range, and how many more stand close to it."""

    side: str
    value: float
    count: int
    near: int
    first: int
    at_end_of_type: bool

    @property
    def is_clipping(self) -> bool:
        """Of a sampled sine the outermost level holds about as many samples as the next 2 % of the
        range, of noise fewer; of a clipped one several times more.
        """
        fewest = _FEWEST_CLIPPED_AT_END_OF_TYPE if self.at_end_of_type else _FEWEST_CLIPPED
        return self.count >= fewest and self.count > _PILE_RATIO * self.near


@dataclass(frozen=True)
class _Look:
    """One channel and how many of its samples may be looked at."""

    channel: Channel
    most: int
    watch: Watch

    @property
    def whole(self) -> bool:
        return len(self.channel) <= self.most

    @property
    def part(self) -> str:
        return "" if self.whole else PART

    def blocks(self) -> Iterator[tuple[int, NDArray[Any]]]:
        """Sample number and stored samples of each block looked at."""
        total = len(self.channel)
        count = -(-total // BLOCK) if self.whole else self.most // BLOCK
        stride = BLOCK if self.whole else total / count
        for i in range(count):
            self.watch.stop_if_asked()
            at = int(i * stride)
            yield at, self.channel.stored[at : at + BLOCK]

    def not_finite(self) -> list[Notice]:
        if self.channel.stored.dtype.kind != "f":
            return []
        counts: dict[str, int] = {}
        first: dict[str, int] = {}
        for at, block in self.blocks():
            if np.isfinite(block).all():
                continue
            for code, mask in (("nan", np.isnan(block)), ("infinity", np.isinf(block))):
                hits = np.flatnonzero(mask)
                if hits.size:
                    counts[code] = counts.get(code, 0) + int(hits.size)
                    first.setdefault(code, at + int(hits[0]))
        words = {"nan": "without a value (NaN)", "infinity": "of infinite value"}
        notices = []
        for code, count in counts.items():
            text = f"{self.channel.name}: {counted(count, 'sample')}{self.part} {words[code]}"
            notices.append(Notice(code, f"{text}, first at sample {first[code]}", count, first[code]))
        return notices

    def clipped(self) -> list[Notice]:
        """Samples piled up at an end of the range, far beyond what a signal's own peak gives.

        A signal of few levels, or one that spends most of its time at the two ends, is a logic
        signal, not a clipped one.
        """
        ends = self._ends()
        if ends is None:
            return []
        lowest, highest = ends
        at_end = _at_end_of_type(lowest, highest, self.channel.stored.dtype)
        levels, looked_at = self._levels(lowest, highest)
        if levels < (_FEWEST_LEVELS_AT_END_OF_TYPE if any(at_end) else _FEWEST_LEVELS):
            return []
        margin = max(0.02, 2.5 / levels) * (highest - lowest)
        piles = (
            self._pile("lowest", lowest, lowest + margin, at_end[0]),
            self._pile("highest", highest, highest - margin, at_end[1]),
        )
        most = _MOST_AT_END_OF_TYPE if any(at_end) else _MOST_OF_SIGNAL
        clipping = [pile for pile in piles if pile.is_clipping]
        if not clipping or sum(pile.count for pile in piles) > most * looked_at:
            return []
        count = sum(pile.count for pile in clipping)
        first = min(pile.first for pile in clipping)
        where = " and ".join(f"its {pile.side} value {self._shown(pile.value)}" for pile in clipping)
        text = f"{self.channel.name}: clipped, {counted(count, 'sample')}{self.part} exactly at {where}"
        return [Notice("clipped", f"{text}, first at sample {first}", count, first)]

    def _shown(self, stored: float) -> str:
        return f"{stored * self.channel.scale + self.channel.offset:.4g} {self.channel.unit}".rstrip()

    def _ends(self) -> tuple[float, float] | None:
        """Lowest and highest finite stored value."""
        lows, highs = [], []
        for _, block in self.blocks():
            finite = _finite(block)
            if finite.size:
                lows.append(float(finite.min()))
                highs.append(float(finite.max()))
        span = max(highs) - min(lows) if lows else 0.0
        # values at the limits of a float leave no range that could be divided
        return (min(lows), max(highs)) if 0.0 < _GRID / (span or np.inf) < np.inf else None

    def _levels(self, lowest: float, highest: float) -> tuple[int, int]:
        """How many of `_GRID` equal steps of the range occur, and the number of samples looked at."""
        seen = np.zeros(_GRID + 1, dtype=bool)
        looked_at = 0
        for _, block in self.blocks():
            looked_at += block.size
            part = _finite(block[: BLOCK // 16]).astype(np.float64)
            seen[np.rint((part - lowest) * (_GRID / (highest - lowest))).astype(np.intp)] = True
        return int(np.count_nonzero(seen)), looked_at

    def _pile(self, side: str, value: float, near: float, at_end_of_type: bool) -> _Pile:
        count, beside, first = 0, 0, -1
        for at, block in self.blocks():
            hits = block == value
            here = int(np.count_nonzero(hits))
            if here and first < 0:
                first = at + int(np.argmax(hits))
            count += here
            beside += int(np.count_nonzero(block <= near if near > value else block >= near)) - here
        return _Pile(side, value, count, beside, first, at_end_of_type)


def _finite(block: NDArray[Any]) -> NDArray[Any]:
    """``block`` without what is no number; where all are, which their ends tell, it is not copied."""
    if block.dtype.kind != "f" or (block.size and np.isfinite(block.min()) and np.isfinite(block.max())):
        return block
    finite: NDArray[Any] = block[np.isfinite(block)]
    return finite


def _at_end_of_type(lowest: float, highest: float, dtype: np.dtype[Any]) -> tuple[bool, bool]:
    """Whether the range reaches the lowest and the highest code of a signed or unsigned integer type."""
    if dtype.kind not in "iu":
        return False, False
    ends = np.iinfo(dtype)
    # converters often leave out the most negative code
    lowest_code = ends.min + 1 if dtype.kind == "i" else ends.min
    return lowest <= lowest_code, highest >= ends.max
