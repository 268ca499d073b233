"""What there is to show of one channel: its bursts as they stand, after newer decodes and the user's hand."""

from __future__ import annotations

from app.model.corrections import CorrectedBurst, corrected
from app.model.items import DecodeRun, SessionData
from dsp.results import Burst


def runs_of(data: SessionData, capture: int, channel: str) -> tuple[DecodeRun, ...]:
    """Decodes of one channel, oldest first."""
    return tuple(run for run in data.decodes if run.capture == capture and run.channel == channel)


def bursts_of(data: SessionData, capture: int, channel: str) -> tuple[CorrectedBurst, ...]:
    """Bursts of one channel in order of time, corrected by hand.

    A burst of an older decode that reaches into the span of a newer one is left out.
    """
    flips = [flip for flip in data.flips if flip.capture == capture]
    runs = runs_of(data, capture, channel)
    kept: list[Burst] = []
    for i, run in enumerate(runs):
        newer = [later.span_s for later in runs[i + 1 :]]
        kept += [burst for burst in run.result.bursts if not any(_overlap(burst, span) for span in newer)]
    return tuple(corrected(burst, flips) for burst in sorted(kept, key=lambda burst: burst.start_s))


def _overlap(burst: Burst, span_s: tuple[float, float]) -> bool:
    return burst.start_s < span_s[1] and burst.end_s > span_s[0]
