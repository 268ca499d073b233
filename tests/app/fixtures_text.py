"""Dialects of delimited text, written out by hand around one small table of values.

Every dialect says what must come out of it. None is that of any one maker; each only combines ways of
writing numbers, titles and preambles that a text file can have.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

ROWS = 40
A = np.round(24.0 + 1.5 * np.sin(np.arange(ROWS) * 0.37), 3)
B = np.round(0.8 * np.cos(np.arange(ROWS) * 0.37) - 0.1, 3)


@dataclass(frozen=True)
class Dialect:
    """``text`` is encoded as ``coding``; the rest is what a reader must find."""

    name: str
    text: str
    rate_hz: float
    start_s: float = 0.0
    channels: tuple[tuple[str, str], ...] = (("CH1", "V"),)
    values: tuple[np.ndarray, ...] = (A,)
    coding: str = "utf-8"
    codes: tuple[str, ...] = ()
    segments: tuple[int, ...] = ()
    suffix: str = ".csv"
    rate_rtol: float = 1e-9
    options: dict[str, float] = field(default_factory=dict)

    @property
    def data(self) -> bytes:
        return self.text.encode(self.coding)


def rows(template: str, *, end: str = "\n", step: float = 1e-6, start: float = 0.0, count: int = ROWS) -> str:
    """One line a sample; ``t`` is the time, ``n`` the number, ``a`` and ``b`` the values."""
    lines = (template.format(t=start + i * step, n=i, a=A[i], b=B[i]) for i in range(count))
    return "".join(line + end for line in lines)


def _decimal_comma(text: str) -> str:
    return text.replace(".", ",")


def _quoted_decimal_comma() -> str:
    cells = ((_decimal_comma(f"{i * 1e-6:.7f}"), _decimal_comma(f"{A[i]}")) for i in range(ROWS))
    return "".join(f'"{time}","{value}"\n' for time, value in cells)


_PLAIN = "{t:.7f},{a}"
_TWO = (("CH1", "V"), ("CH2", "V"))


def _several_channels() -> str:
    names = [f"CH{k + 1}" for k in range(8)]
    lines = [",".join(["Time (s)", *(f"{name} (V)" for name in names)])]
    lines += [",".join([f"{i * 1e-6:.7f}", *(f"{A[i] + k:.3f}" for k in range(8))]) for i in range(ROWS)]
    return "\n".join(lines) + "\n"


def _preamble_beside() -> str:
    beside = [
        ("Record Length", "40", "Points"),
        ("Sample Interval", "2.5e-07", "s"),
        ("Trigger Point", "11", "Samples"),
        ("Vertical Units", "V", ""),
        ("Source", "CH1", ""),
        ("Firmware", "1.07 b", ""),
    ]
    lines = []
    for i in range(ROWS):
        head = beside[i] if i < len(beside) else ("", "", "")
        lines.append(",".join([*head, f"{-1e-5 + i * 2.5e-7:.11f}", f"{A[i]:.3f}", ""]))
    return "\n".join(lines) + "\n"


def _rounded_times() -> str:
    # 5 us written to 10 us: neighbours come out equal
    return "s,V\n" + "".join(f"{i * 4e-6:.5f},{A[i]}\n" for i in range(ROWS))


def _cells_empty() -> str:
    lines = ["Time (s),CH1 (V),CH2 (V)"]
    for i in range(ROWS):
        first = "" if i in (0, 1) else f"{A[i]}"
        second = "" if i >= ROWS - 3 else f"{B[i]}"
        lines.append(f"{i * 1e-6:.7f},{first},{second}")
    return "\n".join(lines) + "\n"


def _missing(values: np.ndarray, where: slice) -> np.ndarray:
    out = values.copy()
    out[where] = np.nan
    return out


def _overflow_marks() -> str:
    lines = ["Time (s),CH1 (V),CH2 (V)"]
    for i in range(ROWS):
        first = "***" if i in (5, 6) else f"{A[i]}"
        second = "OL" if i == 9 else "-OL" if i == 20 else f"{B[i]}"
        lines.append(f"{i * 1e-6:.7f},{first},{second}")
    return "\n".join(lines) + "\n"


def _records(header: str, template: str, blank: str = "") -> str:
    return blank.join(header + rows(template, count=10, start=start) for start in (0.0, 0.0, 0.0))


def _thrice(values: np.ndarray) -> np.ndarray:
    return np.tile(values[:10], 3)


_UNTITLED = ("time-unit-assumed",)

DIALECTS = (
    Dialect("comma", "Time (s),CH1 (V)\n" + rows(_PLAIN), 1e6),
    Dialect("semicolon", "Time (s);CH1 (V);CH2 (V)\n" + rows("{t:.7f};{a};{b}"), 1e6, 0.0, _TWO, (A, B)),
    Dialect("tab", "Time (s)\tCH1 (V)\n" + rows("{t:.7f}\t{a}"), 1e6, suffix=".tsv"),
    Dialect("blank", "Time(s) CH1(V)\n" + rows("{t:.7f} {a}"), 1e6, suffix=".txt"),
    Dialect(
        "columns lined up with blanks",
        "  Time (s)    CH1 (V)\n" + rows("{t:12.7f}   {a:9.3f}"),
        1e6,
        suffix=".dat",
    ),
    Dialect("bar", "Time (s)|CH1 (V)\n" + rows("{t:.7f}|{a}"), 1e6),
    Dialect("comma and blank", "Time (s), CH1 (V)\n" + rows("{t:.7f}, {a}"), 1e6),
    Dialect("semicolon, decimal comma", "Time (s);CH1 (V)\n" + _decimal_comma(rows("{t:.7f};{a}")), 1e6),
    Dialect("tab, decimal comma", "Time (s)\tCH1 (V)\n" + _decimal_comma(rows("{t:.7f}\t{a}")), 1e6),
    Dialect("quoted decimal comma", '"Time (s)","CH1 (V)"\n' + _quoted_decimal_comma(), 1e6),
    Dialect(
        "one column, decimal comma",
        "CH1 (V)\n" + _decimal_comma(rows("{b:.3f}")),
        1e6,
        values=(B,),
        options={"rate_hz": 1e6},
    ),
    Dialect(
        "UTF-16 with mark",
        "\ufeffTime (µs)\tCH1 (mV)\r\n" + rows("{t:.7f}\t{a}", end="\r\n", step=0.5),
        2e6,
        channels=(("CH1", "V"),),
        values=(A * 1e-3,),
        coding="utf-16-le",
    ),
    Dialect(
        "UTF-16, other byte order, no mark", "Time (s),CH1 (V)\n" + rows(_PLAIN), 1e6, coding="utf-16-be"
    ),
    Dialect("UTF-8 with mark", "\ufeffTime (s),CH1 (V)\n" + rows(_PLAIN), 1e6),
    Dialect(
        "Latin-1",
        "Zeit (µs);Spannung (V)\n" + rows("{t:.1f};{a}", step=0.5),
        2e6,
        channels=(("Spannung", "V"),),
        coding="latin-1",
    ),
    Dialect("return and line feed", "Time (s),CH1 (V)\r\n" + rows(_PLAIN, end="\r\n"), 1e6),
    Dialect("return alone", "Time (s),CH1 (V)\r" + rows(_PLAIN, end="\r"), 1e6),
    Dialect("quoted titles and cells", '"Time (s)","CH1 (V)"\n' + rows('"{t:.7f}","{a}"'), 1e6),
    Dialect("quoted title with a delimiter in it", '"Time, s","CH1, V"\n' + rows(_PLAIN), 1e6),
    Dialect(
        "key and value lines",
        "Instrument,bench 3\nDate,2026-03-04\nSample Interval,1.0E-06,s\nVertical Units,V\n\n"
        "Time (s),CH1 (V)\n" + rows(_PLAIN),
        1e6,
    ),
    Dialect(
        "comments", "# vent motor, second try\n# taken at 12:00:01\n# Time (s),CH1 (V)\n" + rows(_PLAIN), 1e6
    ),
    Dialect(
        "percent comments",
        "% line of the greenhouse\n% t_us ch1_mV\n" + rows("{t:.1f} {a}", step=2.0),
        5e5,
        channels=(("ch1", "V"),),
        values=(A * 1e-3,),
    ),
    Dialect(
        "units row",
        "Time,CH1,CH2\n(ms),(V),(mV)\n" + rows("{t:.4f},{a},{b}", step=0.001),
        1e6,
        0.0,
        _TWO,
        (A, B * 1e-3),
    ),
    Dialect(
        "units row of bare words",
        "x-axis,CH1\nsecond,Volt\n" + rows("{t:.6E},{a:.5E}", start=-2e-5),
        1e6,
        -2e-5,
    ),
    Dialect("units row and blank line", "Time,CH1\n(us),(V)\n\n" + rows("{t:.8f},{a}", step=1.0), 1e6),
    Dialect("trailing commas", "Time (s),CH1 (V),\n" + rows(_PLAIN + ","), 1e6),
    Dialect("trailing commas on rows only", "Time (s),CH1 (V)\n" + rows(_PLAIN + ",,"), 1e6),
    Dialect("no header", rows("{t:.7f},{a}"), 1e6, channels=(("A", ""),), codes=_UNTITLED),
    Dialect(
        "no header, three channels",
        rows("{t:.7f} {a} {b} {a}"),
        1e6,
        0.0,
        (("A", ""), ("B", ""), ("C", "")),
        (A, B, A),
        codes=_UNTITLED,
    ),
    Dialect(
        "seconds, names without units",
        "Time,Channel A,Channel B\n" + rows("{t:.7f},{a},{b}"),
        1e6,
        0.0,
        (("Channel A", ""), ("Channel B", "")),
        (A, B),
        codes=_UNTITLED,
    ),
    Dialect("milliseconds", "Time (ms),CH1 (V)\n" + rows("{t:.4f},{a}", step=1e-3, start=-0.02), 1e6, -2e-5),
    Dialect("microseconds", "time [us];CH1 [V]\n" + rows("{t:.2f};{a}", step=0.25), 4e6),
    Dialect("nanoseconds", "t / ns\tCH1 / V\n" + rows("{t:.0f}\t{a}", step=20), 5e7),
    Dialect("interval in the preamble", "Sample interval,4e-07\nCH1 (V)\n" + rows("{a}"), 2.5e6),
    Dialect(
        "interval with unit in the preamble", "Sampling Period (us): 0.4\nCH1 (V)\n" + rows("{a}"), 2.5e6
    ),
    Dialect("rate in the preamble", "# fs = 2.5 MS/s, start: -1 ms\n# CH1 (V)\n" + rows("{a}"), 2.5e6, -1e-3),
    Dialect(
        "rate in kilohertz",
        "SampleRate;250;kHz\nCH1 [V];CH2 [V]\n" + rows("{a};{b}"),
        2.5e5,
        0.0,
        _TWO,
        (A, B),
    ),
    Dialect("rate told", "CH1 (V)\n" + rows("{a}"), 48e3, options={"rate_hz": 48e3}),
    Dialect("index column", "Sample,CH1 (V)\n" + rows("{n},{a}"), 1e5, options={"rate_hz": 1e5}),
    Dialect("index beside time", "No.,Time (s),CH1 (V)\n" + rows("{n},{t:.7f},{a}"), 1e6),
    Dialect("row numbers without a title", ",Time (s),CH1 (V)\n" + rows("{n},{t:.7f},{a}"), 1e6),
    Dialect(
        "increment in the units row",
        "X,CH1,Start,Increment,\nSequence,Volt,-2.0e-05,5.0e-07,\n" + rows("{n},{a},,,"),
        2e6,
        -2e-5,
    ),
    Dialect(
        "increment in the header row", "CH1 (V),Start,-0.001,Increment,2e-06\n" + rows("{a}"), 5e5, -1e-3
    ),
    Dialect(
        "increment in the first row",
        "CH1,CH2,Start,Increment\n1.5,0.25,-1e-3,2e-6\n" + rows("{a},{b},,"),
        5e5,
        -1e-3,
        (("CH1", ""), ("CH2", "")),
        (np.append(1.5, A), np.append(0.25, B)),
    ),
    Dialect("preamble beside the samples", _preamble_beside(), 4e6, -1e-5, (("CH1", "V"),), codes=_UNTITLED),
    Dialect(
        "a time column for each channel",
        "Time (s),CH1 (V),Time (s),CH2 (V)\n" + rows("{t:.7f},{a},{t:.7f},{b}"),
        1e6,
        0.0,
        _TWO,
        (A, B),
    ),
    Dialect(
        "eight channels",
        _several_channels(),
        1e6,
        0.0,
        tuple((f"CH{k + 1}", "V") for k in range(8)),
        tuple(A + k for k in range(8)),
    ),
    Dialect("scientific", "Time (s),CH1 (V)\n" + rows("{t:.6e},{a:.6E}"), 1e6),
    Dialect(
        "plain whole numbers",
        "Time (us),CH1 (V)\n" + rows("{n},{n}"),
        1e6,
        values=(np.arange(ROWS, dtype=float),),
    ),
    Dialect("many digits", "Time (s),CH1 (V)\n" + rows("{t:.15e},{a:.12f}"), 1e6),
    Dialect("rounded times", _rounded_times(), 2.5e5, channels=(("A", "V"),), rate_rtol=2e-2),
    Dialect(
        "one byte short", ("Time (s),CH1 (V)\r\n" + rows(_PLAIN, end="\r\n"))[:-1], 1e6, codes=("truncated",)
    ),
    Dialect("no final line end", ("Time (s),CH1 (V)\n" + rows(_PLAIN))[:-1], 1e6),
    Dialect(
        "last number cut",
        ("Time (s),CH1 (V)\n" + rows("{t:.7f},{a:.3f}"))[:-3],
        1e6,
        values=(A[:-1],),
        codes=("truncated",),
    ),
    Dialect(
        "last row cut",
        ("Time (s),CH1 (V)\n" + rows("{t:.7f},{a:.3f}"))[:-9],
        1e6,
        values=(A[:-1],),
        codes=("truncated",),
    ),
    Dialect(
        "first and last cells empty",
        _cells_empty(),
        1e6,
        0.0,
        _TWO,
        (_missing(A, slice(0, 2)), _missing(B, slice(ROWS - 3, None))),
        codes=("missing", "missing"),
    ),
    Dialect(
        "overflow marks",
        _overflow_marks(),
        1e6,
        0.0,
        _TWO,
        (_missing(A, slice(5, 7)), np.where(np.isin(np.arange(ROWS), (9, 20)), np.nan, B)),
        codes=("overflow", "overflow"),
    ),
    Dialect(
        "records that restart",
        "Time (s),CH1 (V)\n" + rows(_PLAIN, count=10) * 3,
        1e6,
        values=(_thrice(A),),
        codes=("time-restart",),
        segments=(10, 10, 10),
    ),
    Dialect(
        "records under repeated headers",
        _records("Time (s),CH1 (V)\n", _PLAIN),
        1e6,
        values=(_thrice(A),),
        codes=("time-restart", "text-rows"),
        segments=(10, 10, 10),
    ),
    Dialect(
        "records with repeated preamble",
        _records("Record,1\nSample rate,1 MS/s\nCH1 (V)\n", "{a}", "\n"),
        1e6,
        values=(_thrice(A),),
        codes=("records", "text-rows"),
        segments=(10, 10, 10),
    ),
    Dialect(
        "records far apart",
        "Time (s),CH1 (V)\n" + rows(_PLAIN, count=10) + rows(_PLAIN, count=10, start=0.5),
        1e6,
        values=(np.tile(A[:10], 2),),
        codes=("time-gap",),
        segments=(10, 10),
    ),
    Dialect("footer", "Time (s),CH1 (V)\n" + rows(_PLAIN) + "End of record\n", 1e6, codes=("text-rows",)),
    Dialect("blank lines at the end", "Time (s),CH1 (V)\n" + rows(_PLAIN) + "\n\n\x1a", 1e6),
    Dialect("every other line blank", "Time (s),CH1 (V)\n\n" + rows(_PLAIN, end="\n\n"), 1e6),
    Dialect(
        "title with the unit behind a blank", "Time s,Line V\n" + rows(_PLAIN), 1e6, channels=(("Line", "V"),)
    ),
    Dialect(
        "current and voltage",
        "t (s);U (V);I (mA)\n" + rows("{t:.7f};{a};{b}"),
        1e6,
        0.0,
        (("U", "V"), ("I", "A")),
        (A, B * 1e-3),
    ),
    Dialect(
        "the same title twice",
        "Time (s),Line (V),Line (V)\n" + rows("{t:.7f},{a},{b}"),
        1e6,
        0.0,
        (("Line", "V"), ("Line (2)", "V")),
        (A, B),
    ),
    Dialect("numbers with a plus sign", "Time (s),CH1 (V)\n" + rows("{t:+.7f},{a:+.3f}"), 1e6),
    Dialect(
        "stated count not reached",
        "Record Length,50\nTime (s),CH1 (V)\n" + rows(_PLAIN),
        1e6,
        codes=("truncated",),
    ),
    Dialect("old exponent letter", "Time (s),CH1 (V)\n" + rows("{t:.6e},{a:.5e}").replace("e", "D"), 1e6),
)
