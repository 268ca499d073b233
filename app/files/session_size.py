"""How large a session will be on the disk, before it is written."""

from __future__ import annotations

import zlib

import numpy as np

from app.files.session_store import CHUNK_ROWS
from app.model.items import SessionData

_TRIED = 3
# attributes, tables and what HDF5 needs around them: measured 12 to 16 kB for a capture with its decode
_AROUND_BYTES = 16_000
_BURST_BYTES = 700


def written_bytes(data: SessionData) -> int:
    """An estimate: a few chunks of each channel are compressed as they will be."""
    total = 0.0
    for capture in data.captures:
        total += _AROUND_BYTES
        for channel in capture.channels:
            starts = range(0, len(channel), CHUNK_ROWS)
            tried = [starts[i] for i in sorted({0, len(starts) // 2, len(starts) - 1})] if starts else []
            before = after = 0
            for at in tried[:_TRIED]:
                part = np.ascontiguousarray(channel.stored[at : at + CHUNK_ROWS])
                shuffled = part.view("u1").reshape(len(part), part.dtype.itemsize).T.tobytes()
                before += part.nbytes
                after += len(zlib.compress(shuffled, 1))
            total += channel.stored.nbytes * (after / before if before else 1.0)
    for run in data.decodes:
        total += _AROUND_BYTES / 2
        total += sum(_BURST_BYTES + 10 * len(burst.symbols) for burst in run.result.bursts)
    return round(total)
