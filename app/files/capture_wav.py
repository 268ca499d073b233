"""WAV, the samples mapped where the file has a type for them.

The chunks are walked here rather than by a library, because the samples must stay a memory map and a
damaged size field must not stop anybody from reading the samples that are there. Layout: "Multimedia
Programming Interface and Data Specifications 1.0" (RIFF, WAVE_FORMAT_EXTENSIBLE later) and, for files
beyond 4 GB, Recommendation ITU-R BS.2088 (RF64/BW64 with a ``ds64`` chunk); from memory.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from app.errors import CaptureError
from app.files.capture_common import FULL_SCALE, Head, finish, make_channels
from app.files.capture_options import HIGHEST_RATE_HZ, ReadOptions, Watch
from app.model.capture import Capture
from dsp.results import Notice

_CONTAINERS = (b"RIFF", b"RIFX", b"RF64", b"BW64")

_COMMON = (b"fmt ", b"data", b"fact", b"LIST", b"ds64")
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_MOST_CHUNKS = 10_000
_UNKNOWN_SIZE = 0xFFFFFFFF
_WIDEN_FRAMES = 1 << 18


@dataclass(frozen=True)
class _Layout:
    """``offset`` and ``size`` of the data in bytes, as far as the file really goes."""

    byte_order: str
    tag: int
    channels: int
    rate_hz: int
    bits: int
    frame_bytes: int
    offset: int
    size: int
    warnings: list[Notice] = field(default_factory=list)


def is_wav(start: bytes) -> bool:
    """Whether a file that begins with ``start`` is WAV."""
    return start[:4] in _CONTAINERS and start[8:12] == b"WAVE"


def read_wav(head: Head, options: ReadOptions, watch: Watch) -> Capture:
    """Map the samples of ``head``; without a scale their unit is full scale, 1.0 at the type's end.

    Raises
    ------
    app.errors.CaptureError : no samples, no rate, or samples that are compressed.
    """
    with head.path.open("rb") as file:
        layout = _layout(head, file)
    frames = layout.size // layout.frame_bytes
    if frames == 0:
        raise CaptureError(
            head.path, f"byte {layout.offset}", "the WAV file holds no samples", "record it again"
        )
    arrays, scale, offset = _samples(head, layout, frames, watch)
    channels = make_channels(arrays, options, scale=scale, offset=offset, unit=FULL_SCALE)
    rate_hz = options.rate_hz or float(layout.rate_hz)
    if not 0 < rate_hz <= HIGHEST_RATE_HZ:
        raise CaptureError(head.path, "the format chunk", "a sample rate of zero", "give it with --rate")
    return finish(head, "WAV", rate_hz, channels, watch, layout.warnings)


def _layout(head: Head, file: BinaryIO) -> _Layout:
    file.seek(0)
    order = ">" if file.read(4) == b"RIFX" else "<"
    at, form, long_size = 12, b"", None
    for _ in range(_MOST_CHUNKS):
        file.seek(at)
        opening = file.read(8)
        if len(opening) < 8:
            break
        name, size = opening[:4], struct.unpack(order + "I", opening[4:])[0]
        if name == b"ds64":
            body = file.read(24)
            long_size = struct.unpack("<Q", body[8:16])[0] if len(body) >= 16 else None
        elif name == b"fmt ":
            form = file.read(min(size, 40))
        elif name == b"data":
            if size == _UNKNOWN_SIZE and long_size is not None:
                size = long_size
            return _described(head, order, form, at + 8, size)
        at += 8 + size + size % 2
        if size % 2:
            # some writers leave out the byte that fills a chunk up
            file.seek(at - 1)
            at -= file.read(4) in _COMMON
    raise CaptureError(
        head.path, f"byte {min(at, head.size)}", "the WAV file has no data chunk", "record it again"
    )


def _described(head: Head, order: str, form: bytes, offset: int, claimed: int) -> _Layout:
    if len(form) < 16:
        raise CaptureError(
            head.path, f"byte {offset - 8}", "no format chunk stands before the samples", "record it again"
        )
    tag, channels, rate, _, frame_bytes, bits = struct.unpack(order + "HHIIHH", form[:16])
    if tag == _EXTENSIBLE and len(form) >= 26:
        tag = struct.unpack(order + "H", form[24:26])[0]
    known = {_PCM: (8, 16, 24, 32), _FLOAT: (32, 64)}.get(tag, ())
    container = frame_bytes * 8 // channels if channels else 0
    if container not in known or container * channels != frame_bytes * 8 or bits > container:
        raise CaptureError(
            head.path,
            "the format chunk",
            f"WAV coding {tag} of {bits} bits in {channels} channels is not read",
            "save it as 8, 16, 24 or 32-bit integer or 32 or 64-bit float",
        )
    there = head.size - offset
    size = min(claimed, there)
    warnings = []
    if claimed in (0, _UNKNOWN_SIZE) and there > 0:
        # what a recorder leaves behind that was stopped before it could write the size
        size = there
        text = f"the size of the data chunk was never filled in; all {there} bytes after it are taken"
        warnings.append(Notice("data-size", text))
    elif claimed > there:
        last = max(there // frame_bytes - 1, 0)
        text = f"the data chunk claims {claimed} bytes, the file ends after {there}"
        warnings.append(Notice("truncated", text, 1, last))
    elif claimed % frame_bytes:
        text = f"the data chunk of {claimed} bytes does not end with a whole sample of every channel"
        warnings.append(Notice("data-size", text, 1, claimed // frame_bytes))
    return _Layout(order, tag, channels, rate, container, frame_bytes, offset, size, warnings)


def _samples(
    head: Head, layout: _Layout, frames: int, watch: Watch
) -> tuple[list[NDArray[Any]], float, float]:
    """One array a channel, with the scale and offset that make full scale 1."""
    count = layout.channels
    if layout.bits == 24:
        raw = np.memmap(head.path, np.uint8, "r", layout.offset, (frames, count, 3))
        return list(_widened(raw, layout.byte_order, watch)), 2.0**-23, 0.0
    kind = "f" if layout.tag == _FLOAT else "u" if layout.bits == 8 else "i"
    dtype = np.dtype(f"{layout.byte_order}{kind}{layout.bits // 8}")
    mapped = np.memmap(head.path, dtype, "r", layout.offset, (frames, count))
    arrays = [mapped[:, i] for i in range(count)]
    if kind == "f":
        return arrays, 1.0, 0.0
    # 8-bit WAV is unsigned with its middle at 128
    return arrays, 2.0 ** (1 - layout.bits), -1.0 if kind == "u" else 0.0


def _widened(raw: NDArray[np.uint8], byte_order: str, watch: Watch) -> NDArray[np.int32]:
    """24-bit samples as 32-bit ones, shape (channels, frames): there is no type that could map them."""
    frames, count, _ = raw.shape
    out = np.empty((count, frames), np.int32)
    padded = np.empty((min(frames, _WIDEN_FRAMES), count, 4), np.uint8)
    for at in range(0, frames, _WIDEN_FRAMES):
        watch.step(at / frames)
        part = raw[at : at + _WIDEN_FRAMES]
        block = padded[: len(part)]
        block[..., 0] = 0
        block[..., 1:] = part if byte_order == "<" else part[..., ::-1]
        # three bytes above an empty one, then an arithmetic shift down, keep the sign
        out[:, at : at + len(part)] = (block.view("<i4")[..., 0] >> 8).T
    return out
