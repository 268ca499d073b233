"""What a text file is written in: its encoding, its line ends, and whether it is text at all."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass

from app.files.capture_common import Head

# UTF-32 first: its little-endian mark begins with that of UTF-16
_MARKS = (
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
# tab, line feed, vertical tab, form feed, return, the end mark of old systems, escape
_ALLOWED_CONTROLS = frozenset(b"\t\n\v\f\r\x1a\x1b")


PADDING = re.compile(rb"\0+(?=[\r\n]|\Z)")
_C1 = re.compile(rb"[\x80-\x9f]")
_TAIL_BYTES = 64 << 10
_HIGH = re.compile(rb"[\x80-\xff]{2}")
_CYRILLIC = re.compile(
    r"(?<!\w)(?:время|напряжение|ток|канал|частота|дискретизации|отсч[её]т\w*|сек|мс|мкс|нс|мВ|мА|Гц|кГц|МГц)(?!\w)",
    re.I,
)


@dataclass(frozen=True)
class TextCoding:
    """``mark_bytes`` is the length of the byte order mark; ``wide`` codings have several bytes a digit."""

    name: str
    mark_bytes: int
    returns_only: bool

    @property
    def wide(self) -> bool:
        return self.name.startswith(("utf-16", "utf-32"))

    @property
    def block_name(self) -> str:
        """Encoding of the blocks that `text_blocks.line_blocks` gives."""
        return "utf-8" if self.wide else self.name


def looks_like_text(start: bytes) -> bool:
    """Whether the opening bytes of a file are text in any of the encodings read here."""
    name, mark = _encoding(start)
    if name.startswith(("utf-16", "utf-32")):
        text = start[mark : mark + (len(start) - mark) // 4 * 4].decode(name, "replace")
        return _printable(text.replace("\ufeff", "").encode("utf-8", "replace"))
    return _printable(start[mark:])


def _printable(start: bytes) -> bool:
    filled = len(start)
    start = PADDING.sub(b"", start)
    if len(start) < filled and not _encoding(start)[0].startswith("utf") and _C1.search(start):
        # filled up text is no excuse for bytes that no writer of text uses
        return False
    odd = sum(byte < 32 and byte not in _ALLOWED_CONTROLS for byte in start)
    # a stray control character may stand in a title; a NUL only fills a line or the file up
    return len(start) > 0 and b"\0" not in start and odd * 100 <= len(start)


def text_coding(start: bytes) -> TextCoding:
    """Encoding and line ends of a file that begins with ``start``."""
    name, mark = _encoding(start)
    plain = start[mark:].decode(name, "replace")
    return TextCoding(name, mark, "\n" not in plain and "\r" in plain)


def _encoding(start: bytes) -> tuple[str, int]:
    for mark, name in _MARKS:
        if start.startswith(mark):
            return name, len(mark)
    # of UTF-16 without a mark every other byte of digits and delimiters is zero
    pairs = len(start) // 2
    for name, zeros, others in (
        ("utf-16-le", start[1::2], start[::2]),
        ("utf-16-be", start[::2], start[1::2]),
    ):
        if pairs >= 2 and zeros.count(0) > 0.7 * pairs and others.count(0) < 0.1 * pairs:
            return name, 0
    try:
        codecs.getincrementaldecoder("utf-8")().decode(start)
    except UnicodeDecodeError:
        return _one_byte(start), 0
    return "utf-8", 0


def _one_byte(start: bytes) -> str:
    """The coding of one byte a character in which words for times and units come out, Latin-1 if none do."""
    if _HIGH.search(start):
        for name in ("cp1251", "koi8-r", "cp866"):
            if _CYRILLIC.search(start.decode(name, "replace")):
                return name
    return "latin-1"


def last_lines(head: Head, coding: TextCoding) -> list[str]:
    """The last whole lines of the file, some 64 kB of them."""
    with head.path.open("rb") as file:
        begin = max(coding.mark_bytes, head.size - _TAIL_BYTES)
        # of a wide coding a character must not be split
        file.seek(begin - (begin - coding.mark_bytes) % 4)
        raw = file.read()
    if not coding.wide:
        raw = PADDING.sub(b"", raw)
    lines = raw.decode(coding.name, "replace").splitlines()[1:]
    return lines if raw.endswith((b"\n", b"\r")) else lines[:-1]
