"""Raw binary samples, mapped: nothing but numbers, everything else is told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from app.errors import CaptureError, UsageError
from app.files.capture_common import Head, finish, make_channels, told_rate
from app.files.capture_options import ReadOptions, Watch
from app.model.capture import Capture, SampleLayout
from dsp.results import Notice

_TYPES = "int8 uint8 int16 uint16 int32 uint32 float32 float64, with le or be behind for the byte order"
_BYTE_ORDERS = {"le": "<", "be": ">"}


def sample_type(name: str) -> np.dtype[np.generic]:
    """The numpy type of ``name``, such as ``int16``, ``int16be`` or ``<i2``; little-endian if not said.

    Raises
    ------
    app.errors.UsageError : no real number type.
    """
    plain, order = name.strip().lower(), "<"
    if plain[-2:] in _BYTE_ORDERS:
        plain, order = plain[:-2], _BYTE_ORDERS[plain[-2:]]
    try:
        dtype = np.dtype(plain)
    except (TypeError, ValueError, SyntaxError) as error:
        raise UsageError(f"'{name}' is no sample type; give one of {_TYPES}") from error
    if dtype.kind not in "iuf" or dtype.itemsize > 8 or dtype.shape or dtype.names:
        raise UsageError(f"'{name}' is no sample type; give one of {_TYPES}")
    return dtype if plain[0] in "<>=|" else dtype.newbyteorder(order)  # type: ignore[arg-type]


def read_raw(head: Head, options: ReadOptions, watch: Watch) -> Capture:
    """Map ``head`` as rows of one sample a channel, or as one channel after the other.

    Raises
    ------
    app.errors.CaptureError, app.errors.UsageError : no type, no rate, or nothing behind the skipped bytes.
    """
    if options.dtype is None:
        raise CaptureError(
            head.path, "", "raw binary says nothing of its number type", "give --dtype and --rate"
        )
    dtype = sample_type(options.dtype)
    rate_hz = told_rate(head, options, "raw binary")
    count = options.channels or 1
    usable = head.size - options.skip
    frames = usable // (dtype.itemsize * count) if usable > 0 else 0
    if frames == 0:
        raise CaptureError(
            head.path,
            f"byte {options.skip}",
            f"no sample of {count} x {dtype.name} there, the file has {head.size} bytes",
            "check --skip, --channels and --dtype",
        )
    shape = (frames, count) if options.interleaved else (count, frames)
    mapped = np.memmap(head.path, dtype, "r", options.skip, shape)
    arrays = [mapped[:, i] if options.interleaved else mapped[i] for i in range(count)]
    left_over = usable - mapped.nbytes
    warnings = []
    if left_over:
        text = f"{left_over} bytes after sample {frames - 1} make no sample of every channel and are left out"
        warnings.append(Notice("truncated", text, 1, frames - 1))
    made = finish(head, "raw", rate_hz, make_channels(arrays, options), watch, warnings)
    return replace(made, layout=SampleLayout(dtype.str, count, options.skip, not options.interleaved))
