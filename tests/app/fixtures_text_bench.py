"""More dialects of delimited text: preambles, codes, records, footers and number styles met on a bench.

As in `fixtures_text`, none is that of any one maker. The expected values stand beside each text.
"""

from __future__ import annotations

import numpy as np

from tests.app.fixtures_text import ROWS, A, B, Dialect, rows

N = np.arange(ROWS, dtype=float)
CODES = np.rint(127 + 100 * np.sin(np.arange(ROWS) * 0.37)).astype(int)
_PLAIN = "{t:.7f},{a}"
_HEADER = "Time (s),CH1 (V)\n"
_TWO = (("CH1", "V"), ("CH2", "V"))
_UNTITLED = ("time-unit-assumed",)


def comma(text: str) -> str:
    return text.replace(".", ",")


def codes(template: str) -> str:
    return "".join(template.format(n=n, c=code) + "\n" for n, code in enumerate(CODES.tolist()))


def thousands(mark: str, point: str = ".") -> list[tuple[str, str]]:
    """Times in microseconds beyond a thousand, and values beyond a thousand."""
    lines = []
    for i in range(ROWS):
        value = f"{1234.5 + 10 * A[i]:,.3f}".replace(".", "p").replace(",", mark).replace("p", point)
        time = f"{998 + i / 2:,.1f}".replace(".", "p").replace(",", mark).replace("p", point)
        lines.append((time, value))
    return lines


def joined(pairs: list[tuple[str, str]], template: str) -> str:
    return "".join(template.format(*pair) + "\n" for pair in pairs)


def records_in_columns() -> str:
    lines = ["Time (s),Record 1 (V),Record 2 (V),Record 3 (V)"]
    lines += [f"{i * 1e-6:.7f},{A[i]},{A[i + 10]},{A[i + 20]}" for i in range(10)]
    return "\n".join(lines) + "\n"


def records_counted(time: bool) -> str:
    lines = ["Record,Time (s),CH1 (V)" if time else "Segment,Point,CH1 (V)"]
    for record in range(3):
        for i in range(10):
            at = f"{i * 1e-6:.7f}" if time else f"{i}"
            lines.append(f"{record + 1},{at},{A[10 * record + i]}")
    return "\n".join(lines) + "\n"


def records_with_starts() -> str:
    blocks = []
    for record, start in enumerate((0.0, 0.25, 1.5)):
        values = "".join(f"{value}\n" for value in A[10 * record : 10 * record + 10])
        blocks.append(f"Record: {record + 1}\nSample interval: 1e-06\nStart: {start}\nCH1 (V)\n{values}")
    return "\n".join(blocks)


def every_fourth(values: np.ndarray) -> np.ndarray:
    return np.where(np.arange(ROWS) % 4 == 0, values, np.nan)


def clock(digits: int, date: str = "") -> str:
    return "".join(f"{date}12:30:{59 + i * 1e-3:0{3 + digits}.{digits}f},{A[i]}\n" for i in range(ROWS))


V = (("CH1", "V"),)
BENCH = (
    # -- titles and units ----------------------------------------------------------------------------
    Dialect(
        "t/µs in Latin-1",
        "t/µs;U/V\n" + comma(rows("{t:.2f};{a}", step=0.5)),
        2e6,
        0,
        (("U", "V"),),
        coding="latin-1",
    ),
    Dialect("t/us, tab", "t/us\tU/mV\n" + rows("{t:.2f}\t{a}", step=0.5), 2e6, 0, (("U", "V"),), (A * 1e-3,)),
    Dialect("µ as Greek letter in UTF-8", "Time [μs],CH1 [V]\n" + rows("{t:.2f},{a}", step=0.5), 2e6),
    Dialect("µ as micro sign in UTF-8", "Time {µs},CH1 {V}\n" + rows("{t:.2f},{a}", step=0.5), 2e6),
    Dialect("unit with a dash", "Time - ms,CH1 - V\n" + rows("{t:.4f},{a}", step=1e-3), 1e6),
    Dialect(
        "msec.", "TIME (msec.)\tLINE (Volts)\n" + rows("{t:.4f}\t{a}", step=1e-3), 1e6, 0, (("LINE", "V"),)
    ),
    Dialect(
        "word behind 'in'",
        "Time in ms;Voltage in mV\n" + rows("{t:.4f};{a}", step=1e-3),
        1e6,
        0,
        (("Voltage", "V"),),
        (A * 1e-3,),
    ),
    Dialect("Second, Value", "Second,Value\n" + rows(_PLAIN), 1e6, 0, (("Value", ""),)),
    Dialect(
        "title row of sources, units row",
        "Source,CH1,CH2\nSecond,Volt,Volt\n" + rows("{t:.7f},{a},{b}"),
        1e6,
        0,
        _TWO,
        (A, B),
    ),
    Dialect(
        "numbered channels",
        '"Time","1","2"\n' + rows("{t:.7f},{a},{b}"),
        1e6,
        0,
        (("1", ""), ("2", "")),
        (A, B),
        codes=_UNTITLED,
    ),
    Dialect(
        "line of dashes under the titles",
        "Time (s)      CH1 (V)\n------------  ---------\n" + rows("{t:12.7f}  {a:9.3f}"),
        1e6,
        suffix=".txt",
    ),
    Dialect(
        "doubled quotes in a title", 'Time (s),"Line ""A"" (V)"\n' + rows(_PLAIN), 1e6, 0, (("Line A", "V"),)
    ),
    Dialect("values first, times last", "CH1 (V),Time (s)\n" + rows("{a},{t:.7f}"), 1e6),
    Dialect(
        "channel keys down the side",
        "Channel,CH1,CH2\nUnit,V,mV\nTime (s),,\n" + rows("{t:.7f},{a},{b}"),
        1e6,
        0,
        _TWO,
        (A, B * 1e-3),
    ),
    Dialect(
        "time columns named by channel",
        "CH1 Time (s),CH1 (V),CH2 Time (s),CH2 (V)\n" + rows("{t:.7f},{a},{t:.7f},{b}"),
        1e6,
        0,
        _TWO,
        (A, B),
    ),
    Dialect("units above the names", "(s),(V)\nTime,CH1\n" + rows(_PLAIN), 1e6),
    Dialect(
        "decibels and degrees stay as they are",
        "Time (s),Level (dBV),Box (°C)\n" + rows("{t:.7f},{a},{b}"),
        1e6,
        0,
        (("Level", "dBV"), ("Box", "°C")),
        (A, B),
    ),
    # -- delimiters, line ends, padding --------------------------------------------------------------
    Dialect("hint of the separator", "sep=;\nTime (s);CH1 (V)\n" + comma(rows("{t:.7f};{a}")), 1e6),
    Dialect("titles by comma, rows by tab", "Time (s),CH1 (V)\n" + rows("{t:.7f}\t{a}"), 1e6),
    Dialect("comma and tab together", "Time (s),\tCH1 (V)\n" + rows("{t:.7f},\t{a}"), 1e6),
    Dialect(
        "semicolon preamble, comma rows",
        "Sample rate;1 MS/s\nDate;2026-03-04\nTime (s),CH1 (V)\n" + rows(_PLAIN),
        1e6,
    ),
    Dialect(
        "two returns before each line feed", _HEADER.replace("\n", "\r\r\n") + rows(_PLAIN, end="\r\r\n"), 1e6
    ),
    Dialect(
        "preamble ended otherwise than rows",
        "Model,bench\r\nDate,2026-03-04\r\n" + _HEADER + rows(_PLAIN),
        1e6,
    ),
    Dialect(
        "return alone, two channels",
        "Time (s);CH1 (V);CH2 (V)\r" + rows("{t:.7f};{a};{b}", end="\r"),
        1e6,
        0,
        _TWO,
        (A, B),
    ),
    Dialect("filled up with NUL", _HEADER + rows(_PLAIN) + "\0" * 700, 1e6),
    Dialect("NUL behind a title", "Vent motor\0\0\0\0\0\0\0\0\n" + _HEADER + rows(_PLAIN) * 1, 1e6),
    Dialect("blanks at both ends of a row", "  Time (s) \t CH1 (V) \t\n" + rows(" {t:.7f} \t {a} \t"), 1e6),
    Dialect("UTF-32", "\ufeff" + _HEADER + rows(_PLAIN), 1e6, coding="utf-32-le"),
    Dialect("bars at both ends", "| Time (s) | CH1 (V) |\n|---|---|\n" + rows("| {t:.7f} | {a} |"), 1e6),
    # -- numbers ---------------------------------------------------------------------------------------
    Dialect(
        "thousands by comma, quoted",
        "Time (us),CH1 (V)\n" + joined(thousands(","), '"{}","{}"'),
        2e6,
        998e-6,
        values=(1234.5 + 10 * A,),
    ),
    Dialect(
        "thousands by comma, semicolons",
        "Time (us);CH1 (V)\n" + joined(thousands(","), "{};{}"),
        2e6,
        998e-6,
        values=(1234.5 + 10 * A,),
    ),
    Dialect(
        "thousands by point, decimal comma",
        "Time (us);CH1 (V)\n" + joined(thousands(".", ","), "{};{}"),
        2e6,
        998e-6,
        values=(1234.5 + 10 * A,),
    ),
    Dialect(
        "thousands by a blank that does not break",
        "Time (us);CH1 (V)\n" + joined(thousands("\xa0", ","), "{};{}"),
        2e6,
        998e-6,
        values=(1234.5 + 10 * A,),
    ),
    Dialect(
        "thousands by a narrow blank",
        "Time (us);CH1 (V)\n" + joined(thousands("\u202f", ","), "{};{}"),
        2e6,
        998e-6,
        values=(1234.5 + 10 * A,),
    ),
    Dialect(
        "thousands by a blank that does not break, Latin-1",
        "Time (us)\tCH1 (V)\n" + joined(thousands("\xa0", "."), "{}\t{}"),
        2e6,
        998e-6,
        values=(1234.5 + 10 * A,),
        coding="latin-1",
    ),
    Dialect(
        "thousands by apostrophe",
        "Time (us);CH1 (V)\n" + joined(thousands("'"), "{};{}"),
        2e6,
        998e-6,
        values=(1234.5 + 10 * A,),
    ),
    Dialect(
        "blanks that do not break as padding",
        "Time\xa0(s);CH1\xa0(V)\n" + rows("\xa0{t:.7f}\xa0;\xa0{a}"),
        1e6,
    ),
    Dialect(
        "minus sign of typesetters",
        "Time (s),CH1 (V),CH2 (V)\n" + rows("{t:.7f},{a},{b}", start=-2e-5).replace("-", "−"),
        1e6,
        -2e-5,
        _TWO,
        (A, B),
    ),
    Dialect("exponent without letter case", "Time (s)\tCH1 (V)\n" + rows("{t:.6E}\t{a:.5e}"), 1e6),
    Dialect(
        "Fortran exponent, blanks",
        "Time(s)  CH1(V)\n" + rows("  {t:.6e}  {a:.5e}", start=-1e-5).replace("e", "D"),
        1e6,
        -1e-5,
    ),
    Dialect("units in the cells", "Time,CH1\n" + rows("{t:.1f} us,{a} mV", step=0.5), 2e6, 0, V, (A * 1e-3,)),
    Dialect(
        "hexadecimal codes with prefix",
        "y increment: 0.04\ny reference: 128\ny origin: 0.5\nsample interval: 1e-6\nCH1 (V)\n"
        + codes("0x{c:02X}"),
        1e6,
        values=((CODES - 128) * 0.04 + 0.5,),
    ),
    Dialect(
        "bare hexadecimal codes",
        "Sample rate: 1 MS/s\nVolts per count: 0.04\nOffset (V): -5\nCH1\n" + codes("{c:02x}"),
        1e6,
        0,
        V,
        (CODES * 0.04 - 5,),
    ),
    Dialect(
        "hexadecimal beside a count",
        "Sample rate (Hz),1e6\nSample,Code\n" + codes("{n},{c:04X}"),
        1e6,
        0,
        (("Code", "code"),),
        (CODES,),
    ),
    Dialect(
        "whole codes with scale and offset",
        "# dt = 2 us\n# V/LSB = 0.04\n# zero code = 128\nIndex,CH1 (counts)\n" + codes("{n},{c}"),
        5e5,
        0,
        V,
        ((CODES - 128) * 0.04,),
    ),
    Dialect(
        "whole codes, increments and origins",
        "XINCREMENT,1.0E-6\nXORIGIN,-2.0E-5\nXREFERENCE,0\nYINCREMENT,4.0E-2\nYORIGIN,0.5\nYREFERENCE,128\nPOINTS,40\n"
        + codes("{c}"),
        1e6,
        -2e-5,
        (("A", ""),),
        ((CODES - 128) * 0.04 + 0.5,),
    ),
    Dialect(
        "volts beside a scale that is the screen's",
        "Vertical scale,2 V/div\nVertical offset,-1 V\nTime/div,1 ms\n" + _HEADER + rows(_PLAIN),
        1e6,
    ),
    Dialect("clock times", "Time,CH1 (V)\n" + clock(6), 1e3, 45059),
    Dialect("dates and clock times", "Time,CH1 (V)\n" + clock(6, "2026-03-04T"), 1e3, 45059),
    # -- preambles ---------------------------------------------------------------------------------------
    Dialect(
        "thousands of lines above",
        "".join(f"Setting {i}: {i * 7 % 13}\n" for i in range(5000)) + _HEADER + rows(_PLAIN),
        1e6,
    ),
    Dialect(
        "a megabyte of lines above",
        "".join(f"Setting {i}: {'on' * 20} {i}\n" for i in range(20000)) + _HEADER + rows(_PLAIN),
        1e6,
    ),
    Dialect("one very long line above", "Mask: " + "0f" * 200_000 + "\n" + _HEADER + rows(_PLAIN), 1e6),
    Dialect("a list of numbers above", "Calibration,1,2,3,4,5,6\n" + _HEADER + rows(_PLAIN), 1e6),
    Dialect("rows of numbers above", "2026,03\n12,30\nVersion,2\nTime (s),CH1 (V)\n" + rows(_PLAIN), 1e6),
    Dialect(
        "dates that look like numbers",
        "Date,20260304\nTime,123001\nSerial,0012345\nSample rate,1000000\nCH1 (V)\n" + rows("{a}"),
        1e6,
    ),
    Dialect(
        "a date in the key of the start",
        "Start date: 2026.0304\nSample period: 1.0E-06\nCH1 (V)\n" + rows("{a}"),
        1e6,
    ),
    Dialect("rate with thousands", "Sample Rate: 1,000,000 Hz\nCH1 (V)\n" + rows("{a}"), 1e6),
    Dialect(
        "rate with thousands in quotes", '"Sample Rate","1,000,000","Hz"\n"CH1 (V)"\n' + rows("{a}"), 1e6
    ),
    Dialect("rate with blanks", "Sample rate = 1 000 000 S/s\nCH1 (V)\n" + rows("{a}"), 1e6),
    Dialect(
        "rate of each channel",
        "Channel,CH1,CH2\nSampling rate,1MSa/s,1MSa/s\nUnits,V,V\n,,\n" + rows(",{a},{b}"),
        1e6,
        0,
        _TWO,
        (A, B),
    ),
    Dialect(
        "frequency in MHz", "[capture]\nsampling_frequency=2.5MHz\n[data]\nCH1 (V)\n" + rows("{a}"), 2.5e6
    ),
    Dialect(
        "interval in µs, Latin-1",
        "Sampling interval: 0.4 µs\nCH1 (V)\n" + rows("{a}"),
        2.5e6,
        coding="latin-1",
    ),
    Dialect("interval in uS", "Interval: 0.4 uS\nCH1 (V)\n" + rows("{a}"), 2.5e6),
    Dialect(
        "interval by rate of the screen",
        "Time/div: 1 ms\nSampling interval: 400 ns\nCH1 (V)\n" + rows("{a}"),
        2.5e6,
    ),
    Dialect("interval and decimal comma", "Abtastintervall;0,4;µs\nCH1 (V)\n" + comma(rows("{a}")), 2.5e6),
    Dialect("trigger sample", "Sample rate: 1 MS/s\nTrigger sample: 10\nCH1 (V)\n" + rows("{a}"), 1e6, -1e-5),
    Dialect(
        "samples before the trigger",
        "Sample rate,1 MS/s\nPre-trigger samples,10\nCH1 (V)\n" + rows("{a}"),
        1e6,
        -1e-5,
    ),
    Dialect(
        "time before the trigger",
        "Sample rate: 1 MS/s\nPre-trigger: 10 us\nCH1 (V)\n" + rows("{a}"),
        1e6,
        -1e-5,
    ),
    Dialect(
        "share before the trigger",
        "Sample rate: 1 MS/s\nSamples: 40\nTrigger position: 25 %\nCH1 (V)\n" + rows("{a}"),
        1e6,
        -1e-5,
    ),
    Dialect(
        "trigger beside a time column",
        "Trigger position: 25 %\nTrigger sample: 3\n" + _HEADER + rows(_PLAIN),
        1e6,
    ),
    Dialect(
        "count from before the trigger",
        "Sample rate,1 MS/s\nSample,CH1 (V)\n" + "".join(f"{i - 10},{A[i]}\n" for i in range(ROWS)),
        1e6,
        -1e-5,
    ),
    Dialect(
        "count from one",
        "Sample rate,1 MS/s\nSample,CH1 (V)\n" + "".join(f"{i + 1},{A[i]}\n" for i in range(ROWS)),
        1e6,
    ),
    Dialect(
        "seconds since 1970",
        "Time (s),CH1 (V)\n" + rows("{t:.6f},{a}", start=1772627400.0, step=1e-3),
        1e3,
        1772627400.0,
        rate_rtol=1e-6,
    ),
    Dialect("picoseconds", "Time (ps),CH1 (V)\n" + rows("{t:.0f},{a}", step=400), 2.5e9),
    # -- records, one line, footers --------------------------------------------------------------------
    Dialect(
        "records as columns",
        records_in_columns(),
        1e6,
        0,
        (("Record", "V"),),
        (A[:30],),
        codes=("records",),
        segments=(10, 10, 10),
    ),
    Dialect(
        "records numbered, times",
        records_counted(True),
        1e6,
        0,
        V,
        (A[:30],),
        codes=("time-restart",),
        segments=(10, 10, 10),
    ),
    Dialect(
        "records numbered, points",
        "Interval: 1 us\n" + records_counted(False),
        1e6,
        0,
        V,
        (A[:30],),
        codes=("records",),
        segments=(10, 10, 10),
    ),
    Dialect(
        "records with their starts",
        records_with_starts(),
        1e6,
        0,
        V,
        (A[:30],),
        codes=("text-rows",),
        segments=(10, 10, 10),
    ),
    Dialect(
        "all samples in one line",
        ",".join(f"{a:.6E}" for a in A) + "\n",
        1e6,
        0,
        (("A", ""),),
        options={"rate_hz": 1e6},
    ),
    Dialect(
        "a line for each channel",
        "Sample interval (s),1e-6\n"
        + "CH1 (V),"
        + ",".join(map(str, A))
        + "\nCH2 (V),"
        + ",".join(map(str, B))
        + "\n",
        1e6,
        0,
        _TWO,
        (A, B),
    ),
    Dialect(
        "a line of times and one of values",
        "Time (s);"
        + ";".join(f"{i * 1e-6:.7f}" for i in range(ROWS))
        + "\nCH1 (V);"
        + ";".join(map(str, A))
        + "\n",
        1e6,
    ),
    Dialect(
        "footer of figures",
        _HEADER + rows(_PLAIN) + "\nMean,1.234\nMaximum,25.5\nSamples,40\n",
        1e6,
        codes=("text-rows",),
    ),
    Dialect("footer of dashes", _HEADER + rows(_PLAIN) + "---- end ----\n", 1e6, codes=("text-rows",)),
    Dialect("column of states", "Time (s),State,CH1 (V)\n" + rows("{t:.7f},OK,{a}"), 1e6),
    Dialect("column of states at the end", "Time (s),CH1 (V),State\n" + rows("{t:.7f},{a},RUN"), 1e6),
    Dialect(
        "logic beside a voltage",
        "Time (s),CH1 (V),D0,D1\n"
        + "".join(f"{i * 1e-6:.7f},{A[i]},{i % 2},{i // 2 % 2}\n" for i in range(ROWS)),
        1e6,
        0,
        (("CH1", "V"), ("D0", ""), ("D1", "")),
        (A, N % 2, N // 2 % 2),
    ),
    Dialect(
        "a channel written every fourth row",
        "Time (s),CH1 (V),CH2 (V)\n"
        + "".join(f"{i * 1e-6:.7f},{A[i]},{B[i] if i % 4 == 0 else ''}\n" for i in range(ROWS)),
        1e6,
        0,
        _TWO,
        (A, every_fourth(B)),
        codes=("missing",),
    ),
    Dialect(
        "second time column at half the rate",
        "Time (s),CH1 (V),Time (s),CH2 (V)\n"
        + "".join(f"{i * 1e-6:.7f},{A[i]},{i * 2e-6:.7f},{B[i]}\n" for i in range(ROWS)),
        1e6,
        0,
        _TWO,
        (A, B),
        codes=("time-skew",),
    ),
    Dialect(
        "infinity, overflow, nothing",
        "Time (s),CH1 (V)\n"
        + rows(_PLAIN)
        .replace(f",{A[5]}\n", ",+inf\n")
        .replace(f",{A[7]}\n", ",OVERLOAD\n")
        .replace(f",{A[9]}\n", ", \n"),
        1e6,
        values=(np.where(np.isin(N, (7, 9)), np.nan, np.where(N == 5, np.inf, A)),),
        codes=("infinity", "overflow", "missing"),
    ),
    # -- what stands between titles and rows, or looks like a title ------------------------------------
    Dialect(
        "rate between titles and rows",
        "CH1,CH2\nVolts,Volts\nSample rate 1 MS/s\n" + rows("{a},{b}"),
        1e6,
        0,
        _TWO,
        (A, B),
    ),
    Dialect("sections", "[Header]\nSampleInterval=1E-06\n[Data]\n" + rows("{a}"), 1e6, 0, (("A", ""),)),
    Dialect(
        "keys and values lined up",
        "SampleRate       1000000\nVertOffset       0.0\n" + rows("{a}"),
        1e6,
        0,
        (("A", ""),),
    ),
    Dialect(
        "sampled at", "vent line, sampled at 250 kHz\nLine (V)\n" + rows("{a}"), 2.5e5, 0, (("Line", "V"),)
    ),
    Dialect("unit alone above the samples", "Samplerate,1e6\nUnit,V\n" + rows("{a}"), 1e6, 0, (("A", "V"),)),
    Dialect(
        "a clock of whole seconds beside times",
        "Date,Clock,Time (s),CH1 (V)\n" + rows("2026-03-04,12:30:01,{t:.7f},{a}"),
        1e6,
    ),
)
