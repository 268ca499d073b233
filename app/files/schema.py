"""The layout of a session file, from which it is written, checked and documented.

A session is a tree of groups. Numbers and texts of one thing are attributes, lists of things are tables
(compound datasets, one row each), long rows of numbers are plain one-dimensional datasets. A group that stands for
several things has children named ``0``, ``1``, ... A table or dataset without rows is left out. Texts are UTF-8
of fixed length; there are no pointers, references or links of any kind in the file.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from dsp.results import KINDS, LINE_CODES, POLARITIES

FORMAT = "halfturn-session"
FORMAT_VERSION = 3

# What a file may ask for before it is refused. All of it is checked before memory is taken.
MOST_BYTES = 2 << 30
MOST_HELD_BYTES = 4 << 30  # of rows and numbers once they have been read
# of samples that are left in the file until they are asked for
MOST_SAMPLE_BYTES = 1 << 40
# samples up to so many bytes are read when a session is opened, and their checksums with them
READ_AT_ONCE_BYTES = 64 << 20
# captures that stand in files of their own are linked where a session would become larger
MOST_EMBEDDED_BYTES = 2 << 30
MOST_OBJECTS = 250_000
MOST_ROWS = 1 << 20  # of a table of marks
MOST_DEPTH = 6
MOST_ATTRIBUTES = 64
MOST_FIELDS = 64
MOST_TEXT_BYTES = 65_535
MOST_ATTRIBUTE_BYTES = 32_768
MOST_CHUNK_BYTES = 16 << 20
MOST_CHUNKS = 65_536

TEXT, INT, FLOAT, MEASURE, FLAG = "text", "int", "float", "measure", "flag"

_BIG = 2**62
_TIME_S = 1e15
_LEAST_RATE = 1e-15  # one symbol in the longest time there is


@dataclass(frozen=True)
class Field:
    """One attribute, or one column of a table.

    ``kind``: ``text``; ``int`` (64 bit); ``float`` (64 bit, finite, within ``low`` and ``high``); ``measure``
    (64 bit, NaN or within ``low`` and ``high``, which may be infinite); ``flag`` (0 or 1). Where ``optional``, an
    attribute may be absent, and a column holds NaN or -1 for what does not apply.
    """

    name: str
    kind: str
    unit: str
    meaning: str
    optional: bool = False
    low: float = -_BIG
    high: float = _BIG
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class Table:
    """A compound dataset of one row a thing."""

    name: str
    meaning: str
    columns: tuple[Field, ...]


@dataclass(frozen=True)
class Array:
    """A one-dimensional dataset; ``kinds`` are the allowed kinds of number in numpy's letters."""

    name: str
    kinds: str
    unit: str
    meaning: str
    low: float = -_BIG
    high: float = _BIG


@dataclass(frozen=True)
class Group:
    """A group; ``many`` marks one whose children ``0``, ``1``, ... are each as described here."""

    name: str
    attributes: tuple[Field, ...] = ()
    tables: tuple[Table, ...] = ()
    arrays: tuple[Array, ...] = ()
    groups: tuple[Group, ...] = field(default=())
    many: bool = False


def _time(name: str, meaning: str, *, optional: bool = False) -> Field:
    return Field(name, FLOAT, "s", meaning, optional, -_TIME_S, _TIME_S)


def _probability(name: str, meaning: str) -> Field:
    return Field(name, FLOAT, "", meaning, low=0.0, high=1.0)


def _count(name: str, meaning: str, *, optional: bool = False) -> Field:
    return Field(name, INT, "", meaning, optional, low=0)


def _measure(
    name: str, unit: str, meaning: str, low: float = 0.0, high: float = 1e18, *, optional: bool = True
) -> Field:
    return Field(name, MEASURE, unit, meaning, optional, low, high)


def _std(name: str, unit: str) -> Field:
    return _measure(name, unit, "its standard uncertainty", high=math.inf)


def _end(name: str, of: str) -> Field:
    return _count(name, f"where this burst's rows end in `{of}`; they begin where the burst before ends")


_KEY = _count("key", "unique within the session, never used again")
_CAPTURE = _count("capture", "number of the capture it stands on")

_WARNINGS = Table(
    "warnings",
    "what the user must know about the samples",
    (
        Field("code", TEXT, "", "short name of the kind of warning"),
        Field("text", TEXT, "", "the sentence shown"),
        _count("count", "how often it was met"),
        _count("first_sample", "where it was met first", optional=True),
    ),
)

_CHANNEL = Group(
    "channels",
    many=True,
    attributes=(
        Field("name", TEXT, "", "name of the channel"),
        Field("unit", TEXT, "", "unit of `sample * scale + offset`"),
        Field("scale", FLOAT, "unit of the channel", "value of one step", low=-1e30, high=1e30),
        Field("offset", FLOAT, "unit of the channel", "value of a stored zero", low=-1e30, high=1e30),
        Field("dtype", TEXT, "", "stored type of the samples as numpy writes it, such as `<i2`"),
    ),
    arrays=(
        Array(
            "samples", "iuf", "steps", "the samples as they were stored; absent when the capture is linked"
        ),
    ),
)

_CAPTURES = Group(
    "captures",
    many=True,
    attributes=(
        Field("name", TEXT, "", "name of the capture"),
        Field("format", TEXT, "", "what kind of file it was read from"),
        Field("label", TEXT, "", "what was done while capturing"),
        Field("rate_hz", FLOAT, "Hz", "sample rate", low=1e-9, high=1e18),
        Field("rate_std_hz", FLOAT, "Hz", "standard uncertainty of a fitted rate", True, 0.0, 1e18),
        _time("start_s", "time of the first sample"),
        _count("samples", "samples in each channel"),
        Field("storage", TEXT, "", "where the samples are", choices=("embedded", "linked")),
        Field("link", TEXT, "", "path of the linked file, relative to the session, with `/`", True),
        Field("sha256", TEXT, "", "SHA-256 of the file the capture was read from, when known", True),
        Field("file_dtype", TEXT, "", "type told of the samples of a file that does not say it", True),
        Field("file_channels", INT, "", "channels told of such a file", True, low=1, high=1024),
        Field("file_skip", INT, "bytes", "told to stand before its samples", True, low=0),
        Field("file_planar", INT, "", "1: one channel after the other in it", True, low=0, high=1),
        Field("timebase_ppm", FLOAT, "1e-6", "tolerance of the time base, when stated", True, 0.0, 1e6),
        Field("gain_percent", FLOAT, "%", "tolerance of the gain, when stated", True, 0.0, 1e3),
        Field(
            "derived", TEXT, "", "expressions on the channels that are shown beside them, one a line", True
        ),
    ),
    tables=(
        Table(
            "segments",
            "contiguous stretches of the capture",
            (
                _count("first", "number of the first sample"),
                _count("last", "number after the last sample"),
                _time("start_s", "time of the first sample"),
            ),
        ),
        _WARNINGS,
        Table(
            "spans",
            "stretches that the capture's file names, taken among the session's `/spans` when it is read",
            (
                Field("name", TEXT, "", "name of the stretch"),
                _time("start_s", "its start"),
                _time("end_s", "its end"),
            ),
        ),
    ),
    groups=(_CHANNEL,),
)

_BURSTS = Table(
    "bursts",
    "one transmission a row",
    (
        _time("start_s", "leading edge of the first symbol"),
        _time("end_s", "trailing edge of the last symbol"),
        _probability("start_probability", "that the burst starts with just this symbol"),
        _probability("end_probability", "that the burst ends with just this symbol"),
        Field("cut_at_start", FLAG, "", "the capture begins within the burst"),
        Field("cut_at_end", FLAG, "", "the capture ends within the burst"),
        _count("talker", "number of the transmitter, told from others", optional=True),
        Field(
            "amplitude",
            MEASURE,
            "unit of the channel",
            "peak of the carrier, or half the swing",
            False,
            -1e30,
            1e30,
        ),
        _std("amplitude_std", "unit of the channel"),
        _measure("carrier_hz", "Hz", "carrier frequency"),
        _std("carrier_std_hz", "Hz"),
        _measure("symbol_rate_bd", "Bd", "symbol rate", low=_LEAST_RATE),
        _std("symbol_rate_std_bd", "Bd"),
        _measure("cycles_per_symbol", "", "carrier over symbol rate", high=1e30),
        _measure("esn0_db", "dB", "energy a symbol over one-sided noise density", -math.inf, math.inf),
        _std("esn0_std_db", "dB"),
        _time("first_symbol_s", "leading edge of the first symbol of the grid"),
        Field("bits_per_symbol", INT, "", "bits in a symbol", low=0, high=64),
        Field("line_code", TEXT, "", "from symbols to bits", choices=LINE_CODES),
        Field("has_characters", FLAG, "", "start-stop characters apply to this burst"),
        _end("symbols_end", "symbols"),
        _end("confidence_end", "confidence"),
        _end("bits_end", "bits"),
        _end("flips_end", "flips_s"),
        _end("flip_intervals_end", "flip_intervals"),
        _end("alternatives_end", "symbol_rate_alternatives_bd"),
        _end("characters_end", "characters"),
        _end("warnings_end", "burst_warnings"),
    ),
)

_DECODES = Group(
    "decodes",
    many=True,
    attributes=(
        _KEY,
        _CAPTURE,
        Field("channel", TEXT, "", "name of the channel, or arithmetic on channels"),
        _time("span_start_s", "start of the span that was decoded"),
        _time("span_end_s", "end of the span that was decoded"),
        Field("program_version", TEXT, "", "version of the program that decoded"),
        Field(
            "samples_sha256",
            TEXT,
            "",
            "digest of the samples that were decoded, or, of a decode cut for sharing, of those left",
        ),
        _measure("set_carrier_hz", "Hz", "carrier told in advance"),
        _measure("set_symbol_rate_bd", "Bd", "symbol rate told in advance"),
        Field("set_modulation", TEXT, "", "kind of signalling told in advance", True, choices=KINDS),
        Field("set_line_code", TEXT, "", "line code told in advance", True, choices=LINE_CODES),
        Field("set_polarity", TEXT, "", "whether the bits are turned over", choices=POLARITIES),
        Field("kind", TEXT, "", "what the line does", choices=KINDS),
        _probability("probability", "of that kind"),
        Field("refusal_code", TEXT, "", "short name of the reason why there are no bits", True),
        Field("refusal_text", TEXT, "", "the reason as a sentence", True),
    ),
    tables=(
        Table(
            "alternatives",
            "other kinds of signalling that are not ruled out",
            (Field("kind", TEXT, "", "the kind", choices=KINDS), _probability("probability", "of that kind")),
        ),
        Table("reasons", "the evidence for the kind", (Field("text", TEXT, "", "one piece of evidence"),)),
        _WARNINGS,
        _BURSTS,
        Table(
            "flip_intervals",
            "95 % interval of each flip",
            (_time("low_s", "lower end"), _time("high_s", "upper end")),
        ),
        Table(
            "characters",
            "start-stop characters",
            (
                _time("start_s", "leading edge of the start bit"),
                _count("value", "the character as a number"),
                Field("parity_ok", INT, "", "1 right, 0 wrong, -1 without parity", True, 0, 1),
                Field("stop_ok", FLAG, "", "whether the stop bit was seen"),
            ),
        ),
        Table(
            "burst_warnings", "what to know about a burst", (Field("text", TEXT, "", "the sentence shown"),)
        ),
    ),
    arrays=(
        Array("symbols", "S", "", "raw decisions, one character each"),
        Array("bits", "S", "", "bits after the line code, one character each"),
        Array("confidence", "f", "", "probability that the symbol is right", 0.0, 1.0),
        Array("flips_s", "f", "s", "times of the phase flips", -_TIME_S, _TIME_S),
        Array("symbol_rate_alternatives_bd", "f", "Bd", "other symbol rates that fit", 0.0, 1e18),
    ),
)

_MARKS = (
    Table(
        "cursors",
        "cursors placed by the user",
        (_KEY, _CAPTURE, Field("name", TEXT, "", "name of the cursor"), _time("time_s", "where it stands")),
    ),
    Table(
        "spans",
        "stretches of time marked by the user",
        (
            _KEY,
            _CAPTURE,
            Field("name", TEXT, "", "name of the span"),
            _time("start_s", "its start"),
            _time("end_s", "its end"),
        ),
    ),
    Table(
        "flips",
        "phase flips corrected by hand",
        (
            _KEY,
            _CAPTURE,
            _time("time_s", "where it is"),
            Field("removes", FLAG, "", "1: the user says that there is no flip here"),
        ),
    ),
    Table(
        "notes",
        "notes of the user",
        (
            _KEY,
            _count("capture", "number of the capture it is about", optional=True),
            _time("time_s", "the instant it is about", optional=True),
            Field("text", TEXT, "", "the note"),
        ),
    ),
    Table(
        "burst_marks",
        "bursts that the user named or left out",
        (
            _KEY,
            _CAPTURE,
            Field("channel", TEXT, "", "name of the channel, or arithmetic on channels"),
            _time("time_s", "an instant within the burst"),
            Field("name", TEXT, "", "name of the burst"),
            Field("excluded", FLAG, "", "1: the burst is left out"),
        ),
    ),
    Table(
        "pins",
        "readings kept as they were",
        (
            _KEY,
            _CAPTURE,
            Field("name", TEXT, "", "name of the reading"),
            Field("quantity", TEXT, "", "which reading it is"),
            Field("place", TEXT, "", "what it was read of"),
            _measure("value", "see `unit`", "the value", -math.inf, math.inf, optional=False),
            _std("std", "see `unit`"),
            Field("unit", TEXT, "", "unit of both"),
        ),
    ),
    Table(
        "looks",
        "how channels are drawn, where the user chose it",
        (
            _KEY,
            _CAPTURE,
            Field("channel", TEXT, "", "name of the channel, or arithmetic on channels"),
            Field("hidden", FLAG, "", "1: the channel is not drawn"),
            Field("low", FLOAT, "unit of the channel", "lower end of its value axis", True, -1e300, 1e300),
            Field("high", FLOAT, "unit of the channel", "upper end of its value axis", True, -1e300, 1e300),
            Field("level", FLOAT, "unit of the channel", "where its level line stands", True, -1e300, 1e300),
        ),
    ),
)

SESSION = Group(
    "",
    attributes=(
        Field("format", TEXT, "", f"always `{FORMAT}`", choices=(FORMAT,)),
        Field("format_version", INT, "", "version of this layout", low=1, high=10**6),
        Field("created", TEXT, "", "when the session was begun (ISO 8601, UTC)"),
        Field("saved", TEXT, "", "when this file was written (ISO 8601, UTC)"),
        Field("program_version", TEXT, "", "version of the program that wrote the file"),
        Field("next_key", INT, "", "the next free key", low=0),
    ),
    tables=_MARKS,
    groups=(_CAPTURES, _DECODES),
)
