"""Dialects of delimited text that are seldom met: odd clocks, numbers, brackets, titles and preambles.

As in `fixtures_text`, none is that of any one maker. The expected values stand beside each text.
"""

from __future__ import annotations

import numpy as np

from tests.app.fixtures_text import ROWS, A, B, Dialect

_HEADER = "Time (s),CH1 (V)\n"
_PLAIN = "{t:.7f},{a}"
_ONE = (("CH1", "V"),)
_TWO = (("CH1", "V"), ("CH2", "V"))
_UNNAMED = (("A", "V"),)
_ASSUMED = ("time-unit-assumed",)
_NOON_S = 45059.0  # 12:30:59
LEVELS = (np.arange(ROWS) // 3 % 2).astype(float)


def rows(template: str, *, step: float = 1e-6, start: float = 0.0, first: int = 0, last: int = ROWS) -> str:
    """As in `fixtures_text`, of some of the samples; ``w`` are whole seconds, ``d`` tenths, ``l`` levels."""
    return "".join(
        template.format(
            t=start + i * step,
            n=i,
            a=A[i],
            b=B[i],
            m=abs(B[i]),
            w=i // 10,
            d=i % 10,
            l=int(LEVELS[i]),
            r=500 * i,
        )
        + "\n"
        for i in range(first, last)
    )


def comma(text: str) -> str:
    return text.replace(".", ",")


def signed(positive: str, negative: str) -> str:
    """Values of the second channel, of which those below zero are written otherwise."""
    return "".join(rows(negative if B[i] < 0 else positive, first=i, last=i + 1) for i in range(ROWS))


def odd(name: str, text: str, rate_hz: float = 1e6, **known: object) -> Dialect:
    return Dialect(name, text, rate_hz, **known)  # type: ignore[arg-type]


CLOCKS = [
    odd(
        "clock with a colon before milliseconds",
        "Time,CH1 (V)\n" + rows("12:30:59:{n:03d},{a}"),
        1e3,
        start_s=_NOON_S,
    ),
    odd(
        "clock of twelve hours",
        "Date,Time,CH1 (V)\n" + rows("3/4/2026,12:30:59.{n:03d} PM,{a}"),
        1e3,
        start_s=_NOON_S,
    ),
    odd(
        "date with points, seconds with comma",
        "Zeit;CH1 (V)\n" + comma(rows("04@03@2026 12:30:59.{n:03d};{a}")).replace("@", "."),
        1e3,
        start_s=_NOON_S,
    ),
    odd("minutes and seconds", "Time,CH1 (V)\n" + rows("00:{w:02d}.{d}00,{a}"), 10.0),
    odd(
        "date and clock in two columns",
        "Date,Time,CH1 (V)\n" + rows("2026-03-04,12:30:59.{n:03d},{a}"),
        1e3,
        start_s=_NOON_S,
    ),
    odd(
        "clock with the zone",
        "Stamp,CH1 (V)\n" + rows("2026-03-04T12:30:59.{n:06d}+01:00,{a}"),
        rate_rtol=1e-6,
        start_s=_NOON_S,
    ),
    odd(
        "clock past midnight",
        "Time,CH1 (V)\n"
        + "".join(
            (f"23:59:59.{980 + i:03d}" if i < 20 else f"00:00:00.{i - 20:03d}") + f",{A[i]}\n"
            for i in range(ROWS)
        ),
        1e3,
        start_s=86399.98,
    ),
    odd(
        "nanoseconds since 1970",
        "Time (ns),CH1 (V)\n" + "".join(f"{1772627400 * 10**9 + 1000 * i},{A[i]}\n" for i in range(ROWS)),
        start_s=1772627400.0,
    ),
    odd(
        "milliseconds since 1970",
        "timestamp_ms,CH1 (V)\n" + "".join(f"{1772627400123 + i},{A[i]}\n" for i in range(ROWS)),
        1e3,
        start_s=1772627400.123,
    ),
    odd("second column of times in another unit", "Time (s),Time (us),CH1 (V)\n" + rows("{t:.7f},{n},{a}")),
]

NUMBERS = [
    odd(
        "letters for powers of ten",
        "Time,CH1\n" + rows("{t:.1f}u,{a}", step=0.5),
        2e6,
        channels=(("CH1", ""),),
        codes=_ASSUMED,
    ),
    odd("units close to the digits", "Time,CH1\n" + rows("{r}ns,{a}V"), 2e6),
    odd(
        "units that change along the column",
        "Time,CH1\n"
        + rows("{t:.1f} ns,{a} V", step=100.0, last=10)
        + rows("{t:.4f} us,{a} V", step=0.1, first=10),
        1e7,
    ),
    odd(
        "decimal comma in one column alone",
        "Time (s);CH1 (V)\n"
        + "".join(rows("{t:.7f};", first=i, last=i + 1)[:-1] + comma(str(A[i])) + "\n" for i in range(ROWS)),
    ),
    odd(
        "comma between cells and in numbers",
        "Time (s),CH1 (V)\n" + comma(rows("{t:.7f}@{a:.3f}")).replace("@", ","),
    ),
    odd("cells written as formulas", '"Time (s)","CH1 (V)"\n' + rows('="{t:.7f}",="{a}"')),
    odd("signs apart from digits", _HEADER + signed("{t:.7f},{m}", "{t:.7f},- {m}"), values=(B,)),
    odd("values below zero in parentheses", _HEADER + signed("{t:.7f},{m}", "{t:.7f},({m})"), values=(B,)),
    odd("single quotes", "'Time (s)','CH1 (V)'\n" + rows("'{t:.7f}','{a}'")),
    odd("rows closed by a semicolon", "Time (s),CH1 (V);\n" + rows(_PLAIN + ";")),
    odd(
        "rows in square brackets",
        "[\n" + rows("[{t:.7f}, {a}],") + "]\n",
        channels=(("A", ""),),
        codes=_ASSUMED,
    ),
    odd("rows in braces, keyed", rows('{{"t": {t:.7f}, "v": {a}}}'), channels=(("v", ""),), codes=_ASSUMED),
    odd("a remark behind each row", _HEADER + rows(_PLAIN + " # ok")),
    odd(
        "levels in letters",
        "Time (s),D0,CH1 (V)\n" + rows("{t:.7f},{l},{a}").replace(",0,", ",L,").replace(",1,", ",H,"),
        channels=(("D0", ""), ("CH1", "V")),
        values=(LEVELS, A),
    ),
    odd(
        "levels in words",
        "Time (s),D0\n" + rows("{t:.7f},{l}").replace(",0\n", ",false\n").replace(",1\n", ",true\n"),
        channels=(("D0", ""),),
        values=(LEVELS,),
    ),
]

TITLES = [
    odd("remarks below the units", "Time,CH1\ns,V\nrun 3,bench\n" + rows(_PLAIN)),
    odd(
        "remarks below the units, of one column",
        "t\tU\ns\tmV\n\tprobe x10\n" + rows("{t:.7f}\t{a}"),
        channels=(("U", "V"),),
        values=(A / 1e3,),
    ),
    odd(
        "a line for each column's title", "# column 1: Time [s]\n# column 2: CH1 [V]\n" + rows("{t:.7f} {a}")
    ),
    odd("a title across two lines", '"Time\n(s)","CH1\n(V)"\n' + rows(_PLAIN)),
    odd("coupling behind the unit", "Time (s),CH1 (V) [DC]\n" + rows(_PLAIN), channels=(("CH1 [DC]", "V"),)),
    odd(
        "kind of volts",
        "Time (s),CH1 (VDC),CH2 (Vrms)\n" + rows("{t:.7f},{a},{b}"),
        channels=(("CH1", "V"), ("CH2", "Vrms")),
        values=(A, B),
    ),
    odd("UTF-8 once taken for Latin-1", "Time (Âµs),CH1 (V)\n" + rows("{t:.1f},{a}", step=0.5), 2e6),
    odd(
        "Cyrillic units",
        "Время (мкс);Канал 1 (В)\n" + comma(rows("{t:.1f};{a}", step=1.0)),
        channels=(("Канал 1", "V"),),
    ),
    odd("Chinese units", "时间(微秒),电压(伏)\n" + rows("{t:.1f},{a}", step=1.0), channels=(("电压", "V"),)),
    odd(
        "names of groups above names",
        "North,,South,\nTime (s),Volt (V),Time (s),Volt (V)\n" + rows("{t:.7f},{a},{t:.7f},{b}"),
        channels=(("North Volt", "V"), ("South Volt", "V")),
        values=(A, B),
    ),
    odd(
        "name in a line of its own",
        "Label,Vent motor line\nSample Interval,1e-06\nVertical Units,mV\n\n" + rows("{a}"),
        channels=(("Vent motor line", "V"),),
        values=(A / 1e3,),
    ),
    odd(
        "no titles below a preamble as wide as rows",
        "Vertical Units,V\nHorizontal Scale,1e-06\nSample Interval,1e-06\n,\n" + rows(_PLAIN),
        channels=_UNNAMED,
        codes=_ASSUMED,
    ),
]

PREAMBLES = [
    odd(
        "start and increment stated in title cells",
        "X,CH1(V),t0 =-6e-05s, tInc = 2e-06,\n" + rows("{n},{a},,"),
        5e5,
        start_s=-6e-5,
    ),
    odd("empty cells between key and value", "Sample interval,,,1.0e-06,s\nCH1 (V)\n" + rows("{a}")),
    odd(
        "several keys and values in a line",
        "DT 1E-6;T0 -2E-5;N 40;UNIT V\n" + rows("{a}"),
        start_s=-2e-5,
        channels=_UNNAMED,
    ),
    odd(
        "keys and values in braces",
        '# {"sample_rate": 1000000.0, "unit": "V"}\n' + rows("{a}"),
        channels=_UNNAMED,
    ),
    odd("wide punctuation", "采样率：1MHz\nCH1(V)\n" + rows("{a}")),
    odd(
        "start, end and count",
        "Start time,-2e-05\nEnd time,1.9e-05\nNumber of samples,40\nCH1 (V)\n" + rows("{a}"),
        start_s=-2e-5,
        codes=("rate-derived",),
    ),
    odd(
        "duration and count", "Duration: 40 us\nSamples: 40\nCH1 (V)\n" + rows("{a}"), codes=("rate-derived",)
    ),
    odd("interval per point", "Horizontal: 40 points, 1 us/pt\nCH1 (V)\n" + rows("{a}")),
    odd("rate below the samples", "CH1 (V)\n" + rows("{a}") + "Sample rate: 1 MS/s\n", codes=("text-rows",)),
]

BLOCKS = [
    odd(
        "channels one below the other",
        "Source,CH1\n"
        + _HEADER.replace("CH1", "Volt")
        + rows(_PLAIN)
        + "\nSource,CH2\nTime (s),Volt (V)\n"
        + rows("{t:.7f},{b}"),
        channels=_TWO,
        values=(A, B),
    ),
    odd(
        "channels one below the other, named by titles alone",
        "Interval: 1 us\nNorth (V)\n" + rows("{a}") + "South (mV)\n" + rows("{b}"),
        channels=(("North", "V"), ("South", "V")),
        values=(A, B / 1e3),
    ),
    odd(
        "one channel in blocks of records",
        "Source,CH1\n" + _HEADER + rows(_PLAIN) + "\nSource,CH1\n" + _HEADER + rows(_PLAIN),
        values=(np.concatenate([A, A]),),
        segments=(ROWS, ROWS),
        codes=("time-restart", "text-rows"),
    ),
]

MORE = [
    odd(
        "clock past midnight with a cell that shows none",
        "Time,CH1 (V)\n"
        + "".join(
            ("inf" if i == 25 else f"23:59:59.{980 + i:03d}" if i < 20 else f"00:00:00.{i - 20:03d}")
            + f",{A[i]}\n"
            for i in range(ROWS)
        ),
        1e3,
        start_s=86399.98,
        codes=("time-missing",),
        rate_rtol=1e-6,
    ),
    odd("times in minutes", "Time (min),CH1 (V)\n" + rows("{t:.4f},{a}", step=0.5), 1 / 30.0),
    odd(
        "columns named for the least and greatest",
        "Time (s),CH1 min (V),CH1 max (V)\n" + rows("{t:.7f},{a},{b}"),
        channels=(("CH1 min", "V"), ("CH1 max", "V")),
        values=(A, B),
    ),
    odd(
        "line of dashes that says which side",
        "| Time (s) | CH1 (V) |\n|:---|---:|\n" + rows("| {t:.7f} | {a} |"),
    ),
    odd("a name before each value", "Sample rate: 1e6\n" + rows("CH1: {a}"), channels=(("CH1", ""),)),
    odd("a number before each row", "Sample rate: 1e6\n" + rows("{n}: {a}"), channels=(("A", ""),)),
    odd("cells as assignments", rows("t={t:.7f};v={a}"), channels=(("v", ""),), codes=_ASSUMED),
    odd("units in columns of their own", "Time,Unit,CH1,Unit\n" + rows("{t:.7f},s,{a},V")),
    odd(
        "kilo-ohms",
        "Time (ms),R (kOhm)\n" + rows("{t:.4f},{a}", step=1e-3),
        channels=(("R", "Ω"),),
        values=(A * 1e3,),
    ),
    odd("rate at the end of a title", "Line voltage (V) fs=1e6 Hz\n" + rows("{a}"), channels=(("A", ""),)),
    odd(
        "numbers filled up with zeros",
        "Time (us),CH1 (mV)\n" + "".join(f"{i:06d},{round(1000 * A[i]):07d}\n" for i in range(ROWS)),
    ),
    odd(
        "rows called data below numbers that are none",
        "Name,CH1,CH2\nScale,5,2\nUnit,V,V\nOffset,0,0\nSample Interval,1e-06,1e-06\n"
        + rows("Data{n},{a},{b}"),
        channels=_TWO,
        values=(A, B),
    ),
    Dialect(
        "micro sign of an old code page",
        "Time (æs),CH1 (V)\n" + rows("{t:.1f},{a}", step=1.0),
        1e6,
        coding="latin-1",
    ),
]

ODD = (*MORE, *BLOCKS, *CLOCKS, *NUMBERS, *TITLES, *PREAMBLES)
