"""The data block an instrument returns: ``#``, one digit, that many digits of a length, then the samples.

IEEE Std 488.2-1992, 8.7.9 (definite length) and 8.7.10 (indefinite length, ``#0``); from memory. Type,
rate and scale are told as for raw samples.
"""

from __future__ import annotations

import re
from dataclasses import replace

from app.errors import CaptureError
from app.files.capture_common import Head
from app.files.capture_options import ReadOptions, Watch
from app.files.capture_raw import read_raw
from app.files.text_encoding import looks_like_text
from app.model.capture import Capture
from dsp.results import Notice

# the answer of an instrument may name what was asked for: "CURVE #3800..." (IEEE Std 488.2-1992, 8.4)
_RESPONSE_HEADER = re.compile(rb"\s*[:*]?[A-Za-z][\w:]{0,60}[ \t]+(?=#\d)")


def is_block(head: Head, options: ReadOptions) -> bool:
    """Whether ``head`` is such a block; a text comment that only begins like one is not, nor is a block of
    numbers written as text."""
    header = _header(head.start)
    if header is None:
        return False
    begin, length = header
    if options.dtype is None and _is_written(head.start[begin:]):
        return False
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
    # told again, it is told of the bytes within the block
    layout = None if capture.layout is None else replace(capture.layout, skip=options.skip)
    if length is not None and there - length > 2:
        text = f"{there - length} bytes stand behind the block and are left out"
        warnings = (Notice("left-out", text, there - length), *warnings)
    if length is not None and length > there:
        text = f"the block claims {length} bytes, the file ends after {there}"
        warnings = (Notice("truncated", text, 1, capture.samples - 1), *warnings)
    return replace(capture, format="IEEE 488.2 block", warnings=warnings, layout=layout)


def _is_written(samples: bytes) -> bool:
    """Whether the block holds digits, signs and delimiters, as samples are sent as text."""
    return len(samples) > 1 and not samples[:-1].translate(None, b"0123456789+-.,;eE \t\r\n")


def _header(start: bytes) -> tuple[int, int | None] | None:
    """Bytes before the samples, and their number of bytes, None if that is not said."""
    match = _RESPONSE_HEADER.match(start)
    if match is not None:
        found = _header(start[match.end() :])
        return None if found is None else (found[0] + match.end(), found[1])
    if start[:1] != b"#" or not start[1:2].isdigit():
        return None
    digits = int(start[1:2])
    if digits == 0:
        return 2, None
    length = start[2 : 2 + digits]
    if len(length) < digits or not length.isdigit() or int(length) == 0:
        return None
    return 2 + digits, int(length)
