"""Several records in one table: side by side as columns, or told apart by a column of record numbers; and channels
that stand one below the other as records do."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from app.files.text_header import Title
from app.files.text_units import Unit
from app.model.capture import Capture, Channel, Segment
from dsp.results import Notice

_WORD = r"(?:record|rec|segment|seg|sweep|frame|acquisition|acq|shot|event|waveform)"
_SIDE_BY_SIDE = re.compile(rf"(?P<stem>{_WORD})[ _#-]*\d+", re.I)
_NUMBERS = re.compile(rf"{_WORD}(?:[ _]*(?:no\.?|nr\.?|number|num|index|idx|id|\#))?", re.I)


def is_record_number(title: Title, preview: NDArray[np.float64]) -> bool:
    """Whether a column counts records: so titled, and whole numbers that stay or go up by one."""
    if title.unit is not None or not _NUMBERS.fullmatch(title.name) or not np.isfinite(preview).all():
        return False
    steps = np.diff(preview)
    return bool(((steps == 0) | (steps == 1)).all() and (preview == np.rint(preview)).all())


def laid_end_to_end(capture: Capture) -> Capture:
    """Channels that are named as records of one channel, one behind the other; else the capture as it is.

    The records were taken one after the other at times that the table does not tell.
    """
    matches = [_SIDE_BY_SIDE.fullmatch(channel.name) for channel in capture.channels]
    stems = {match["stem"].lower() if match else "" for match in matches}
    units = {channel.unit for channel in capture.channels}
    if len(matches) < 2 or stems == {""} or len(stems) > 1 or len(units) > 1 or len(capture.segments) > 1:
        return capture
    first = capture.channels[0]
    stored: NDArray[Any] = np.concatenate([channel.stored for channel in capture.channels])
    length, count = capture.samples, len(matches)
    text = f"{count} records of unknown times stand side by side and are laid end to end"
    name = matches[0]["stem"] if matches[0] else first.name
    return replace(
        capture,
        channels=(Channel(name, stored, first.scale, first.offset, first.unit),),
        segments=tuple(
            Segment(i * length, (i + 1) * length, capture.start_s + i * length / capture.rate_hz)
            for i in range(count)
        ),
        warnings=(*_moved(capture.warnings), Notice("records", text, count - 1, length)),
    )


@dataclass(frozen=True)
class Block:
    """Samples ``[first, last)`` stand below a header of their own, which names a channel and perhaps its unit."""

    first: int
    last: int
    name: str
    unit: Unit | None


def side_by_side(capture: Capture, blocks: Sequence[Block]) -> Capture:
    """Blocks of one length whose headers name different channels as those; else the capture as it is.

    Where a column tells times they must begin anew with every block: later ones are those of a record.
    """
    lengths = {block.last - block.first for block in blocks}
    names = [block.name for block in blocks]
    anew = {notice.code: notice.count for notice in capture.warnings}
    restarts = max(anew.get("time-restart", 0), anew.get("records", 0))
    apart = [(part.first, part.last) for part in capture.segments] == [(b.first, b.last) for b in blocks]
    if len(blocks) < 2 or len(lengths) > 1 or len(capture.channels) > 1 or not apart:
        return capture
    if restarts != len(blocks) - 1 or not all(names) or len(set(names)) < len(names):
        return capture
    whole = capture.channels[0]
    channels = tuple(
        Channel(
            block.name,
            whole.stored[block.first : block.last],
            whole.scale if block.unit is None else block.unit.factor,
            whole.offset,
            whole.unit if block.unit is None else block.unit.symbol,
        )
        for block in blocks
    )
    said = [
        notice for notice in capture.warnings if notice.code not in ("time-restart", "records", "text-rows")
    ]
    return replace(
        capture,
        channels=channels,
        segments=(Segment(0, lengths.pop(), capture.start_s),),
        warnings=tuple(_moved(said)),
    )


def _moved(warnings: Sequence[Notice]) -> list[Notice]:
    """Places counted within one record no longer hold; the row that a text names does."""
    return [replace(notice, first_sample=None) for notice in warnings]
