"""A look at every sample of a long capture, where opening it looked at a part only.

Opening must not read a file of gigabytes; but a stretch where the converter clips, or a sample without a value, may
stand anywhere in it. So the whole is gone through afterwards, beside whatever else is done.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from app.files.capture_checks import BLOCK, MOST_SAMPLES, PART, check_channels, check_clipping
from app.files.capture_options import Cancelled, Progress, Watch
from app.model.capture import Capture
from dsp.results import Notice

# times that the samples are gone through: values that are none, ends, levels, what is piled up at either end
_PASSES = 5


def looked_at_in_part(capture: Capture) -> bool:
    """Whether the samples were too many to be all looked at when the capture was opened.

    Those that are left in a session's file are not looked at again: the session tells what was found in them.
    """
    if not all(isinstance(channel.stored, np.ndarray) for channel in capture.channels):
        return False
    return sum(len(channel) for channel in capture.channels) > MOST_SAMPLES


def looked_over(
    capture: Capture, progress: Progress | None = None, cancelled: Cancelled | None = None
) -> Capture:
    """The capture with the warnings that a look at all its samples gives; itself where it has them already.

    Raises
    ------
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    if not looked_at_in_part(capture):
        return capture
    blocks = sum(-(-len(channel) // BLOCK) for channel in capture.channels)
    watch = _Counting(progress, cancelled, _PASSES * blocks)
    told = tuple(notice for notice in capture.warnings if PART not in notice.text)
    # a reader that goes through every row has counted what has no value, and named the rows
    counted = any(notice.code in ("nan", "infinity") for notice in told)
    check = check_clipping if counted else check_channels
    found = check(capture.channels, watch, most=max(map(len, capture.channels)))
    warnings = (*told, *(notice for notice in found if not _is_told(notice, told)))
    return capture if warnings == capture.warnings else replace(capture, warnings=warnings)


def _is_told(notice: Notice, told: tuple[Notice, ...]) -> bool:
    return any((one.code, one.text) == (notice.code, notice.text) for one in told)


@dataclass(frozen=True)
class _Counting(Watch):
    """Tells how far it is by the blocks that were asked for."""

    blocks: int = 1
    seen: list[int] = field(default_factory=lambda: [0])

    def stop_if_asked(self) -> None:
        super().stop_if_asked()
        self.seen[0] += 1
        if self.progress is not None:
            self.progress(min(self.seen[0] / self.blocks, 1.0))
