"""The data block an instrument returns: ``#``, one digit, that many digits of a length, then the samples.

IEEE Std 488.2-1992, 8.7.9 (definite length) and 8.7.10 (indefinite length, ``#0``); from memory. Type,
rate and scale are told as for raw samples.
"""

from __future__ import annotations

from dataclasses import replace

from app.errors import CaptureError
from app.files.capture_common import Head
from app.files.capture_options import ReadOptions, Watch
from app.files.capture_raw import read_raw
from app.files.text_encoding import looks_like_text
from app.model.capture import Capture
from dsp.results import Notice


def is_block(head: Head) -> bool:
    """Whether ``head`` is such a block; a text comment that only begins like one is not."""
    header = _header(head.start)
    if header is None:
        return False
    begin, length = header
    rest = head.size - begin
    ends_there = length is not None and rest - 2 <= length <= rest
    return ends_there or not looks_like_text(head.start[begin:])


def read_block(head: Head, options: ReadOptions, watch: Watch) -> Capture:
    """The samples of the block; a block that is cut short is read as far as it goes.

    Raises
    ------
    app.errors.CaptureError : no type or rate told, or no samples.
    """
    begin, length = _header(head.start) or (0, None)
    if options.dtype is None:
        raise CaptureError(
            head.path, "", "a data block says nothing of its number type", "give --dtype and --rate"
        )
    there = head.size - begin
    # of an indefinite block the line feed that ends it is no sample
    size = there - 1 if length is None else min(length, there)
    inner = Head(head.path, head.start, begin + size)
    capture = read_raw(inner, replace(options, skip=begin + options.skip), watch)
    warnings = capture.warnings
    if length is not None and length > there:
        text = f"the block claims {length} bytes, the file ends after {there}"
        warnings = (Notice("truncated", text, 1, capture.samples - 1), *warnings)
    return replace(capture, format="IEEE 488.2 block", warnings=warnings)


def _header(start: bytes) -> tuple[int, int | None] | None:
    """Bytes before the samples, and their number of bytes, None if that is not said."""
    if start[:1] != b"#" or not start[1:2].isdigit():
        return None
    digits = int(start[1:2])
    if digits == 0:
        return 2, None
    length = start[2 : 2 + digits]
    if len(length) < digits or not length.isdigit() or int(length) == 0:
        return None
    return 2 + digits, int(length)
