"""Text captures put together at random from the ways in which instruments write titles, numbers, times and preambles.

`made(seed)` draws the features of one file, writes it, and keeps what a reader must find. The truth comes from the
numbers as they are written. Nothing is drawn that the file itself leaves open, such as a single title ``CH1_A`` without
others (a letter or amperes), or a preamble that ends in a pair of words above rows without titles.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

import numpy as np

_NAMES = (
    tuple(f"CH{k + 1}" for k in range(8)),
    tuple(f"Channel {k + 1}" for k in range(8)),
    ("Line", "Return", "Vent motor", "Sensor", "Supply", "Shunt", "Probe 1", "Probe 2"),
    tuple("ABCDEFGH"),
    ("U_line", "U_ret", "I_mot", "U4", "U5", "U6", "U7", "U8"),
)
_UNITS = {"V": ("V", 1.0), "mV": ("V", 1e-3), "µV": ("V", 1e-6), "A": ("A", 1.0), "mA": ("A", 1e-3)}
_TIMES = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "ns": 1e-9}
_RATES_HZ = (1e3, 5e3, 44100.0, 48e3, 1e5, 312500.0, 1e6, 2.5e6, 1.5625e6, 1e7, 1.25e8, 1e9)
_DIALECTS = (",.", ",.", ";.", ";,", ";,", "\t.", "\t,", " .", "|.", ", .", "; ,", "  .")
_MARKS = {
    "***": "overflow", "OL": "overflow", "Overflow": "overflow", "9.9E37": "overflow", "over range": "overflow",
    "NaN": "nan", "#N/A": "nan", "--": "nan", "9.91E+37": "nan", "inf": "infinity", "-Inf": "infinity", "": "missing",
}  # fmt: skip
_REMARKS = (
    ("Model", "Greenhouse scope 4"), ("Serial number", "GH-00412"), ("Date", "2026-11-27"), ("Time", "09:15:07"),
    ("Firmware", "2.1.14"), ("Comment", "vent motor opening"), ("Trigger level", "1.25 V"), ("Vertical scale", "0.5 V/div"),
    ("Probe attenuation", "10"), ("Coupling", "DC"), ("Bandwidth limit", "20 MHz"), ("Horizontal scale", "0.001"),
    ("Bits", "12"), ("Averages", "16"), ("Trigger time", "2026-11-27 09:15:07"), ("Operator", "night shift"),
    ("Temperature", "21.5 °C"),
)  # fmt: skip
_KEYED = {
    "cells": "{key}{mark}{value}", "colon": "{key}: {value}", "equals": "{key} = {value}", "comment": "# {key} = {value}",
    "comment, colon": "#{key}: {value}", "percent": "% {key}: {value}",
}  # fmt: skip
_TITLES = {
    "brackets": "{name} [{unit}]", "parentheses": "{name} ({unit})", "slash": "{name}/{unit}", "underscore": "{name}_{unit}"
}  # fmt: skip
_UNIT_ROWS = {"row": "{}", "row in brackets": "[{}]", "row in parentheses": "({})"}


@dataclass(frozen=True)
class TextCapture:
    """``data`` is the file; the rest is what must be found in it. Times are good to ``start_tolerance_s``."""

    data: bytes
    features: tuple[str, ...]
    rate_hz: float
    rate_rtol: float
    start_s: float
    start_tolerance_s: float
    names: tuple[str, ...]
    units: tuple[str, ...]
    values: tuple[np.ndarray, ...]
    codes: tuple[str, ...]


class _Draw:
    """One file on its way."""

    def __init__(self, seed: int) -> None:
        self.random = random.Random(seed)
        dialect = self.random.choice(_DIALECTS)
        self.delimiter, self.decimal = dialect[:-1], dialect[-1]
        self.blank = not self.delimiter.strip() and self.delimiter != "\t"
        self.rows = self.random.randint(60, 400)
        self.rate_hz = self.random.choice(_RATES_HZ)
        self.start_s = self.random.choice((0.0, 0.0, -10.0, 100.0, -0.25 * self.rows)) / self.rate_hz
        self.rate_rtol, self.start_digits_s = 1e-6, 0.0
        self.codes: list[str] = []
        self.features = [repr(dialect)]
        self.stated: list[tuple[str, str]] = []

    def chance(self, share: float) -> bool:
        return self.random.random() < share

    def mark(self, text: str) -> str:
        """``text`` with the decimal mark of the file."""
        return text.replace(".", self.decimal)

    def drawn(self, among: tuple[str, ...]) -> str:
        """One of ``among``, noted among the features."""
        self.features.append(self.random.choice(among))
        return self.features[-1]

    def number(self, value: float, style: str) -> str:
        mantissa, _, power = f"{value:.4e}".partition("e")
        text = {
            "plain": f"{value:.4f}",
            "sign": f"{value:+.4f}",
            "filled": f"{value:.4f}" if self.blank else f"{value:12.4f}",
            "short": f"{value:.6g}",
            "no zero": f"{value:.3f}".replace("0.", ".", 1) if abs(value) < 1 else f"{value:.3f}",
            "power": f"{value:.5E}",
            "power of three digits": f"{mantissa}E{int(power):+04d}",
            "no digit behind the mark": f"{mantissa.rstrip('0')}E{int(power)}",
        }[style]
        return self.mark(text)

    def channels(self) -> tuple[list[str], list[str], list[list[str]], list[np.ndarray]]:
        """Names, units as written, written values, and what they say."""
        count = self.random.choice((1, 1, 1, 2, 2, 3, 4, 8))
        names = list(self.random.choice(_NAMES)[:count])
        units = [self.random.choice(tuple(_UNITS)) for _ in names]
        style = self.drawn(
            (
                "plain",
                "sign",
                "filled",
                "short",
                "no zero",
                "power",
                "power of three digits",
                "no digit behind the mark",
            )
        )
        k = np.arange(self.rows)
        size = self.random.choice((1.0, 1.0, 100.0))
        written, said = [], []
        for c in range(count):
            values = size * np.round((2.0 + 0.5 * c) * np.sin(k * 0.37 + c) + 0.4 * c + 0.123, 3)
            written.append([self.number(value, style) for value in values.tolist()])
            said.append(np.array([float(text.replace(",", ".")) for text in written[-1]]))
        if self.chance(0.3) and not self.blank:
            self.put_marks(written, said)
        if self.blank:
            names = [name.replace(" ", "_") for name in names]
        return names, units, written, said

    def put_marks(self, written: list[list[str]], said: list[np.ndarray]) -> None:
        # an empty line is no sample
        mark = self.drawn(tuple(mark for mark in _MARKS if mark or len(written) > 1))
        kind = _MARKS[mark]
        column, first = self.random.randrange(len(written)), self.random.randint(12, self.rows - 8)
        for i in range(first, first + self.random.choice((1, 3, 7))):
            written[column][i] = self.mark(mark)
            said[column][i] = (
                math.nan if kind != "infinity" else math.copysign(math.inf, -1.0 if "-" in mark else 1.0)
            )
        self.codes.append(kind)

    def times(self, unit: str) -> tuple[list[str], str] | None:
        """A column of times, numbers or clock times with its name; None without one."""
        kind = self.drawn(
            ("times", "times", "times", "rounded", "numbers", "none", "none", "clock", "stamp", "since 1970")
        )
        k = np.arange(self.rows)
        if kind in ("clock", "stamp", "since 1970"):
            return self.clock(k, "clock" if self.blank and kind == "stamp" else kind)
        if kind == "none":
            return None
        if kind == "numbers":
            first = self.random.choice((0, 1))
            name = self.random.choice(
                ("Sample", "Index", "n", "No.", "Point", "#") if not self.blank else ("Index",)
            )
            return [str(first + i) for i in k.tolist()], name
        name = self.random.choice(("Time", "t", "TIME", "Zeit", "X") if not self.blank else ("Time", "t"))
        times = (self.start_s + k / self.rate_hz) / _TIMES[unit]
        step = 1.0 / self.rate_hz / _TIMES[unit]
        places = max(0, 3 - math.floor(math.log10(step)))
        if kind == "rounded" and places > 4:
            # equal neighbours
            places -= 4
            digit_s = 10.0**-places * _TIMES[unit]
            self.start_digits_s = digit_s
            self.rate_rtol = 3.0 * digit_s * self.rate_hz / self.rows
        else:
            self.rate_rtol = 1e-5
        if self.chance(0.4) and kind == "times":
            return [self.mark(f"{time:.9E}") for time in times.tolist()], name
        return [self.mark(f"{time:.{places}f}") for time in times.tolist()], name

    def clock(self, k: np.ndarray, kind: str) -> tuple[list[str], str]:
        self.rate_hz, self.rate_rtol = self.random.choice((10.0, 100.0, 1e3)), 1e-4
        self.start_s = 1764230400.0 if kind == "since 1970" else 33307.0
        seconds = self.start_s + k / self.rate_hz
        name = self.random.choice(("Time", "Timestamp") if not self.blank else ("Time",))
        if kind == "since 1970":
            return [self.mark(f"{second:.6f}") for second in seconds.tolist()], name
        day = (
            self.random.choice(("2026-11-27 ", "2026-11-27T", "27.11.2026 ", "2026/11/27 "))
            if kind == "stamp"
            else ""
        )
        clocks = [f"09:{int(s // 60 % 60):02d}:{s % 60:09.6f}" for s in seconds.tolist()]
        return [day + (clock if day else self.mark(clock)) for clock in clocks], name

    def state_rate(self, has_times: bool) -> None:
        """What the preamble says of the rate, where no column tells times."""
        if has_times:
            return
        step_s = self.mark(f"{1.0 / self.rate_hz:.10g}")
        key, value = self.random.choice(
            (
                ("Sample interval", step_s),
                ("X increment", step_s),
                ("dt", step_s + " s"),
                ("Sampling period", self.mark(f"{1e6 / self.rate_hz:.10g}") + " µs"),
                ("Sample rate", self.mark(f"{self.rate_hz:.10g}")),
                ("Sampling frequency", self.mark(f"{self.rate_hz / 1e3:.10g}") + " kHz"),
                ("Sample rate", self.mark(f"{self.rate_hz / 1e6:.10g}") + " MS/s"),
            )
        )
        self.stated.append((key, value))
        self.features.append(f"{key} {value}")
        if self.chance(0.5):
            self.stated.append(
                (self.random.choice(("Start time", "X origin", "t0")), self.mark(f"{self.start_s:.9E}"))
            )
        else:
            self.start_s = 0.0

    def preamble(self, has_titles: bool) -> list[str]:
        if not self.stated and self.chance(0.4):
            return []
        style = _KEYED[self.drawn(tuple(_KEYED))]
        remarks = self.random.sample(_REMARKS, self.random.randint(1, 9))
        pairs = [(key, self.mark(text) if key != "Firmware" else text) for key, text in remarks]
        for pair in self.stated:
            # what stands last above rows without titles must not be a pair of words
            pairs.insert(self.random.randint(0, len(pairs)) if has_titles else len(pairs), pair)
        if self.chance(0.3):
            pairs.append(("Number of samples", str(self.rows)))
        mark = self.delimiter.strip() or ("\t" if self.delimiter == "\t" else ": ")
        lines = [style.format(key=key, value=text, mark=mark) for key, text in pairs]
        return [*lines, ""] if self.chance(0.2) else lines

    def titles(self, names: list[str], units: list[str], style: str, closing: str) -> list[str]:
        if style == "none":
            return []
        written = _TITLES.get(style, "{name}")
        cells = [
            written.format(name=name, unit=unit) if unit else name
            for name, unit in zip(names, units, strict=True)
        ]
        if self.blank:
            cells = [cell.replace(" ", "") for cell in cells]
        lines = [self.delimiter.join(cells) + closing]
        if style in _UNIT_ROWS:
            row = [_UNIT_ROWS[style].format(unit) if unit else "-" * self.blank for unit in units]
            lines.append(self.delimiter.join(row) + closing)
        return lines


def made(seed: int) -> TextCapture:
    """The file of that number."""
    draw = _Draw(seed)
    names, units, written, said = draw.channels()
    styles = (*_TITLES, *_UNIT_ROWS, "names alone", "none")
    style = draw.drawn(styles if len(names) > 1 else tuple(each for each in styles if each != "underscore"))
    time_unit = "s" if style in ("names alone", "none") else draw.random.choice(tuple(_TIMES))
    column = draw.times(time_unit)
    kind = draw.features[-1]
    is_told = kind in ("times", "rounded", "since 1970")
    if is_told and style in ("names alone", "none"):
        draw.codes.append("time-unit-assumed")
    draw.state_rate(column is not None and kind != "numbers")
    closing = draw.delimiter.strip() if draw.chance(0.12) and not draw.blank else ""
    all_names, all_units = list(names), list(units)
    columns = list(written)
    if column is not None:
        unit = "s" if kind == "since 1970" else time_unit if is_told else ""
        all_names.insert(0, column[1])
        all_units.insert(0, unit)
        columns.insert(0, column[0])
    above = draw.preamble(style != "none") if style != "none" or draw.stated else []
    lines = [*above, *draw.titles(all_names, all_units, style, closing)]
    indent = "  " if draw.delimiter == "  " else ""
    lines += [indent + draw.delimiter.join(row) + closing for row in zip(*columns, strict=True)]
    if draw.chance(0.08):
        lines += ["", "End of data"]
        draw.codes.append("text-rows")
    end = draw.random.choice(("\n", "\n", "\r\n", "\r"))
    coding = draw.drawn(("utf-8", "utf-8", "utf-8-sig", "latin-1", "utf-16", "utf-16-be"))
    known = style not in ("names alone", "none")
    factors = [_UNITS[unit][1] if known else 1.0 for unit in units]
    return TextCapture(
        (end.join(lines) + end).encode(coding),
        tuple(draw.features),
        draw.rate_hz,
        draw.rate_rtol,
        draw.start_s,
        0.5 / draw.rate_hz + draw.start_digits_s,
        tuple(names) if style != "none" else tuple("ABCDEFGH"[: len(names)]),
        tuple(_UNITS[unit][0] if known else "" for unit in units),
        tuple(values * factor for values, factor in zip(said, factors, strict=True)),
        tuple(sorted(draw.codes)),
    )
