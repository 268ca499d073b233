"""The samples of a span as delimited text, NumPy array or WAV."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import IO

import numpy as np

from app.errors import UsageError, one_line
from app.files.export_common import Cancelled, Progress, SpanSamples, write_whole
from app.model.cells import csv_text

_WAV_MOST_BYTES = 2**32 - 1000
_WAV_FLOAT = 3


def write_csv(
    path: Path, span: SpanSamples, progress: Progress | None = None, cancelled: Cancelled | None = None
) -> None:
    """A row a sample, time in seconds on the capture's own axis, then each channel in its unit.

    Raises
    ------
    app.errors.UsageError : it cannot be written.
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    rate_hz = span.capture.rate_hz
    # a hundredth of a sample, so that the rate can be found again from the column
    decimals = int(min(15, max(0, np.ceil(np.log10(rate_hz)) + 2)))
    digits = 9 if span.dtype.itemsize == 4 else 17

    def write(file: IO[bytes]) -> None:
        titles = [f"{one_line(source.name)} ({source.unit})" for source in span.sources]
        file.write(csv_text(["time (s)", *titles], ()).encode("utf-8", "replace"))
        for segment, first, values in span.pieces(progress, cancelled):
            times = segment.start_s + (np.arange(first, first + len(values)) - segment.first) / rate_hz
            rows = zip(times.tolist(), values.tolist(), strict=True)
            file.write(
                "".join(
                    f"{time:.{decimals}f},{','.join(f'{value:.{digits}g}' for value in row)}\n"
                    for time, row in rows
                ).encode("ascii")
            )

    write_whole(path, write)


def write_npy(
    path: Path, span: SpanSamples, progress: Progress | None = None, cancelled: Cancelled | None = None
) -> None:
    """Values in their unit: one dimension for one channel, else of shape (samples, channels).

    Raises
    ------
    app.errors.UsageError : it cannot be written.
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    channels = len(span.sources)
    shape = (span.samples,) if channels == 1 else (span.samples, channels)

    def write(file: IO[bytes]) -> None:
        header = {"descr": span.dtype.str, "fortran_order": False, "shape": shape}
        np.lib.format.write_array_header_1_0(file, header)
        for _, _, values in span.pieces(progress, cancelled):
            file.write(values.tobytes())

    write_whole(path, write)


def write_wav(
    path: Path, span: SpanSamples, progress: Progress | None = None, cancelled: Cancelled | None = None
) -> None:
    """IEEE float WAV, values in their unit; the rate is rounded to whole hertz, as the format has it.

    Raises
    ------
    app.errors.UsageError : it cannot be written, or does not fit into the format.
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    rate = round(span.capture.rate_hz)
    width = span.dtype.itemsize * len(span.sources)
    size = span.samples * width
    if not 1 <= rate < 2**32 or size > _WAV_MOST_BYTES:
        raise UsageError(
            f"WAV holds rates of 1 Hz to 4.29 GHz and less than 4 GB, not {span.capture.rate_hz:g} Hz and {size} bytes; "
            "export as .npy or .sigmf-meta"
        )

    def write(file: IO[bytes]) -> None:
        bits = 8 * span.dtype.itemsize
        form = struct.pack(
            "<HHIIHHH", _WAV_FLOAT, len(span.sources), rate, min(rate * width, 2**32 - 1), width, bits, 0
        )
        fact = struct.pack("<I", span.samples)
        chunks = b"fmt " + struct.pack("<I", len(form)) + form + b"fact" + struct.pack("<I", len(fact)) + fact
        total = 4 + len(chunks) + 8 + size + size % 2
        file.write(b"RIFF" + struct.pack("<I", total) + b"WAVE" + chunks + b"data" + struct.pack("<I", size))
        for _, _, values in span.pieces(progress, cancelled):
            file.write(values.tobytes())
        file.write(b"\0" * (size % 2))

    write_whole(path, write)
