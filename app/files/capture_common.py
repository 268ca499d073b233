"""What the readers of all formats share: the opening bytes, channel names, scales, the finished capture."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from app.errors import CaptureError, one_line
from app.files.capture_attributes import Said, scaled
from app.files.capture_checks import check_channels
from app.files.capture_options import ReadOptions, Watch
from app.files.text_units import COUNTS, split_header
from app.model.capture import Capture, Channel, Segment
from dsp.results import Notice

HEAD_BYTES = 4096

# unit of the stored steps of a converter when nobody said what one step is
STEPS = "LSB"
FULL_SCALE = "FS"


@dataclass(frozen=True)
class Head:
    """A regular file and its opening bytes."""

    path: Path
    start: bytes
    size: int

    @property
    def suffix(self) -> str:
        return self.path.suffix.lower()


def channel_name(index: int) -> str:
    """Name of a channel that has none: A to Z, then ch27 and on."""
    return chr(ord("A") + index) if index < 26 else f"ch{index + 1}"


def distinct(names: Iterable[str]) -> list[str]:
    """``names`` on one line each, with empty ones filled in and repeated ones numbered."""
    taken: list[str] = []
    for index, given in enumerate(names):
        plain = one_line(given) or channel_name(index)
        name, number = plain, 1
        while name in taken:
            number += 1
            name = f"{plain} ({number})"
        taken.append(name)
    return taken


def make_channels(
    arrays: Sequence[NDArray[np.generic]],
    options: ReadOptions,
    *,
    names: Sequence[str] = (),
    scale: float = 1.0,
    offset: float = 0.0,
    unit: str | None = None,
    of_each: Sequence[Said] = (),
) -> tuple[Channel, ...]:
    """One channel an array; scale, offset and unit told in ``options`` go before those of the file.

    ``of_each`` is what the file says of each array, where it does.
    """
    each = list(of_each or [Said()] * len(arrays))
    if unit is None and scale == 1.0:
        # in ``vent_mV`` the name has the unit
        pairs = [_unit_of_name(name, one) for name, one in zip(names, each, strict=False)]
        names, each = [name for name, _ in pairs] or names, [one for _, one in pairs] or each
    named = distinct(one.name or name for one, name in zip(each, names or [""] * len(arrays), strict=True))
    channels = []
    for name, array, one in zip(named, arrays, each, strict=True):
        known = (scale, offset, unit) if one == Said(name=one.name) else scaled(one, array)
        if options.scale is not None:
            known = (options.scale, 0.0, "V")
        moved = known[1] if options.offset is None else options.offset
        channels.append(Channel(name, array, known[0], moved, _unit(options.unit or known[2], array)))
    return tuple(channels)


def _unit_of_name(name: str, said: Said) -> tuple[str, Said]:
    """The name without its unit, and what is said with that, where nothing else says more than a name."""
    plain, unit = split_header(name)
    if unit is None or unit.time or not plain or unit.symbol in COUNTS or said != Said(name=said.name):
        return name, said
    return plain, Said(unit=name[len(plain) :].strip(" _-/,;:()[]{}<>") or unit.symbol, name=said.name)


def _unit(unit: str | None, array: NDArray[np.generic]) -> str:
    if unit is not None:
        return unit
    return STEPS if array.dtype.kind in "iub" else ""


def told_rate(head: Head, options: ReadOptions, what: str) -> float:
    """The rate in ``options``; without one the file cannot be placed in time."""
    if options.rate_hz is None:
        raise CaptureError(head.path, "", f"{what} says nothing of its sample rate", "give it with --rate")
    return options.rate_hz


def finish(
    head: Head,
    kind: str,
    rate_hz: float,
    channels: tuple[Channel, ...],
    watch: Watch,
    warnings: Iterable[Notice] = (),
    start_s: float = 0.0,
) -> Capture:
    """A plain capture of one segment, its samples looked over for clipping and missing values."""
    if not channels or not len(channels[0]):
        raise CaptureError(head.path, "", f"the {kind} file holds no samples", "save the capture again")
    notices = (*warnings, *check_channels(channels, watch))
    # a start that is no number places nothing
    start_s = start_s if math.isfinite(start_s) else 0.0
    segments = (Segment(0, len(channels[0]), start_s),)
    return Capture(
        head.path.name, kind, rate_hz, start_s, channels, segments, path=head.path, warnings=notices
    )
