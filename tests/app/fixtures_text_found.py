"""Dialects of delimited text that a third round of made-up exports was read wrongly in, or in silence with a wrong rate.

As in `fixtures_text`, none is that of any one maker. The expected values stand beside each text. ``REFUSED`` are
texts that do not tell their sample rate, however much what they state looks like one.
"""

from __future__ import annotations

import json

import numpy as np

from tests.app.fixtures_text import ROWS, A, B, Dialect, rows

_VALUES = "CH1 (V)\n" + rows("{a}")
_LINE = (("line", ""),)
_BOTH = (("line", ""), ("motor", ""))
_ASSUMED = ("time-unit-assumed",)
_NOON_S = 45059.0  # 12:30:59
CODES = np.rint(20 * B).astype(int)


def _each(template: str, first: int = 0, every: int = 1) -> str:
    """One line a sample; ``n`` goes up by ``every``, ``c`` are codes, ``h`` the same of 16 bits, ``o`` above 128."""
    return "".join(
        template.format(
            n=first + every * i, a=A[i], b=B[i], c=CODES[i], h=CODES[i] & 0xFFFF, o=CODES[i] + 128
        )
        + "\n"
        for i in range(ROWS)
    )


def _thousands(mark: str) -> str:
    return "".join(f"{100 * i:,}".replace(",", mark) + f"\t{A[i]}\n" for i in range(ROWS))


def _split(whole: int, unit: int, step: int) -> str:
    """Seconds and their fractions of ``unit`` to a second, which turn over on the way."""
    ticks = [whole * unit + unit - 5 * step + i * step for i in range(ROWS)]
    return "".join(f"{tick // unit},{tick % unit},{A[i]}\n" for i, tick in enumerate(ticks))


FOUND = (
    # -- sample numbers --------------------------------------------------------------------------------
    Dialect("numbers in samples", "Sample rate,1 MHz\nIndex (samples),CH1 (V)\n" + _each("{n},{a}"), 1e6),
    Dialect("rate in the title of numbers", "Sample (fs=1 MHz),CH1 (V)\n" + _each("{n},{a}"), 1e6),
    Dialect(
        "every tenth sample",
        "Sample rate,1 MHz\nSample,CH1 (V)\n" + _each("{n},{a}", 0, 10),
        1e5,
        codes=("every-nth",),
    ),
    Dialect(
        "every fourth sample from the thousandth",
        "Sample rate: 1 MHz\nSample no.;CH1 (V)\n" + _each("{n};{a}", 1000, 4),
        2.5e5,
        1e-3,
        codes=("every-nth",),
    ),
    Dialect(
        "numbers called times beside a rate", "Sample rate: 1 MHz\nTime,CH1 (V)\n" + _each("{n},{a}"), 1e6
    ),
    Dialect(
        "decimation stated",
        "Sample rate,1 MHz\nDecimation factor,10\n" + _VALUES,
        1e6,
        codes=("decimation-stated",),
    ),
    Dialect(
        "unit of times in a sentence",
        "# time in microseconds, voltage in volts\ntime,line\n" + _each("{n},{a}"),
        1e6,
        channels=_LINE,
    ),
    Dialect("numbers titled by a mark of comments", "# dt = 4 us\n#\tCH1 (V)\n" + _each("{n}\t{a}"), 2.5e5),
    # -- times -----------------------------------------------------------------------------------------
    Dialect(
        "date, clock and milliseconds in three columns",
        "Date,Time,ms,CH1 (V)\n"
        + "".join(
            f"2026-03-04,12:{30 + (59 + i // 20) // 60}:{(59 + i // 20) % 60:02d},{i % 20 * 50:03d},{A[i]}\n"
            for i in range(ROWS)
        ),
        20.0,
        _NOON_S,
    ),
    Dialect("seconds and nanoseconds", "sec,nsec,CH1 (V)\n" + _split(59, 10**9, 1000), 1e6, 59.999995),
    Dialect(
        "seconds and microseconds", "Time (s),Time (us),CH1 (V)\n" + _split(59, 10**6, 100), 1e4, 59.9995
    ),
    Dialect(
        "date and clock without marks", "stamp,CH1 (V)\n" + _each("20260304123059.{n:03d},{a}"), 1e3, _NOON_S
    ),
    Dialect(
        "a clock beside times from 0",
        "Elapsed (s),Timestamp,CH1 (V)\n" + _each("0.{n:03d},2026-03-04 12:30:59.{n:03d},{a}"),
        1e3,
    ),
    Dialect("thousandths mark from the thousandth on", "t (us)\tCH1 (V)\n" + _thousands(","), 1e4),
    Dialect(
        "thousandths point from the thousandth on",
        "t (us)\tCH1 (V)\n"
        + "".join(f"{100 * i:,}".replace(",", ".") + f"\t{A[i]}\n".replace(".", ",") for i in range(ROWS)),
        1e4,
    ),
    Dialect(
        "days",
        "Time (days),CH1 (V)\n" + "".join(f"{i / 86400:.12f},{A[i]}\n" for i in range(ROWS)),
        1.0,
        rate_rtol=1e-5,
    ),
    Dialect(
        "days as spreadsheets count",
        "Date,CH1 (V)\n" + "".join(f"{46085.5 + i / 86400:.9f},{A[i]}\n" for i in range(ROWS)),
        1.0,
        46085.5 * 86400,
        codes=_ASSUMED,
        rate_rtol=1e-5,
    ),
    Dialect("ticks of so many nanoseconds", "Time (20 ns),CH1 (V)\n" + _each("{n},{a}"), 5e7),
    Dialect("a power behind a star", "Time*1e-9 s,CH1 (V)\n" + _each("{n},{a}", 0, 10), 1e8),
    Dialect(
        "a measured time is no axis",
        "fs: 1 MHz\nDelay (ns),CH1 (V)\n" + _each("{b},{a}"),
        1e6,
        channels=(("Delay", "s"), ("CH1", "V")),
        values=(B * 1e-9, A),
    ),
    Dialect(
        "titles for all but the times",
        "CH1 (V),CH2 (A)\n" + rows("{t:.7f},{a},{b}"),
        1e6,
        channels=(("CH1", "V"), ("CH2", "A")),
        values=(A, B),
        codes=_ASSUMED,
    ),
    Dialect(
        "a remark that no row has",
        "X_Value\tline\tComment\n" + rows("{t:.7f}\t{a}"),
        1e6,
        channels=_LINE,
        codes=_ASSUMED,
    ),
    Dialect(
        "times again before each channel",
        "X_Value\tline\tX_Value\tmotor\n" + rows("{t:.7f}\t{a}\t{t:.7f}\t{b}"),
        1e6,
        channels=_BOTH,
        values=(A, B),
        codes=_ASSUMED,
    ),
    # -- what is stated --------------------------------------------------------------------------------
    Dialect("a clock period", "#CLOCK=500ns\n#SIZE=40\n" + _VALUES, 2e6),
    Dialect("said of which channels", "Sample Interval,Analog:4.0e-07\n" + _VALUES, 2.5e6),
    Dialect(
        "keys above rows that begin with nothing",
        '"TraceName","line","motor"\n"VUnit","V","A"\n"SampleRate","1.0E+06","1.0E+06"\n"HOffset","-5.0E-05","-5.0E-05"\n'
        + rows(",{a},{b}"),
        1e6,
        -5e-5,
        (("line", "V"), ("motor", "A")),
        (A, B),
    ),
    Dialect(
        "keys and samples in one line each",
        ':WFM:NR_PT 40;XUNIT "s";XINCR 4.0E-9;XZERO -2.0E-7;YUNIT "V";YMULT 0.05;YOFF 0;YZERO 0\n:CURVE '
        + ",".join(map(str, CODES))
        + "\n",
        2.5e8,
        -2e-7,
        (("A", "V"),),
        (CODES * 0.05,),
    ),
    *(
        Dialect(f"rate in {language}", f"{word};500 kHz\nCH1 (V)\n" + rows("{a}").replace(".", ","), 5e5)
        for language, word in (
            ("Turkish", "Örnekleme frekansı"),
            ("Finnish", "Näytteenottotaajuus"),
            ("Hungarian", "Mintavételi frekvencia"),
            ("Korean", "샘플링 주파수"),
        )
    ),
    Dialect(
        "Cyrillic of one byte",
        "Время (мкс);CH1 (В)\n" + _each("{n};{a}").replace(".", ","),
        1e6,
        coding="cp1251",
    ),
    # -- codes -----------------------------------------------------------------------------------------
    Dialect(
        "hexadecimal with a sign",
        "fs: 1 MHz\nmV/LSB: 50\nCH1\n" + _each("0x{h:04X}"),
        1e6,
        values=(CODES * 0.05,),
        codes=("codes-signed",),
    ),
    Dialect(
        "hexadecimal with h",
        "fs: 1 MHz\nCH1\n" + _each("{o:02X}h"),
        1e6,
        channels=(("CH1", "LSB"),),
        values=(CODES + 128,),
    ),
    Dialect(
        "binary digits",
        "fs: 1 MHz\nCH1\n" + _each("{o:08b}"),
        1e6,
        channels=(("CH1", "LSB"),),
        values=(CODES + 128,),
    ),
    Dialect(
        "volts a step for each channel",
        "Sample rate,1 MHz\nChannel,CH1,CH2\nGain (V/LSB),0.05,0.1\nOffset (V),0,1\n\nCH1,CH2\n"
        + _each("{c},{o}"),
        1e6,
        channels=(("CH1", "V"), ("CH2", "V")),
        values=(CODES * 0.05, (CODES + 128) * 0.1 + 1),
    ),
    # -- names in the rows and lists -------------------------------------------------------------------
    Dialect(
        "names with colons",
        _each("time: {n}e-4, line: {a}, motor: {b}"),
        1e4,
        channels=_BOTH,
        values=(A, B),
        codes=_ASSUMED,
    ),
    Dialect(
        "rows counted with brackets", _each("{n}) {n}e-4, {a}"), 1e4, channels=(("A", ""),), codes=_ASSUMED
    ),
    Dialect(
        "objects line by line",
        "".join(json.dumps({"t": i * 1e-4, "line_V": A[i]}) + "\n" for i in range(ROWS)),
        1e4,
        channels=(("line", "V"),),
        codes=_ASSUMED,
    ),
    Dialect(
        "an object of lists",
        json.dumps({"sample_rate": 1e4, "line": list(A), "motor": list(B)}),
        1e4,
        channels=_BOTH,
        values=(A, B),
    ),
    Dialect(
        "an object of lists, indented",
        json.dumps({"sample_rate": 1e4, "line": list(A)}, indent=2),
        1e4,
        channels=_LINE,
    ),
    Dialect(
        "channels as objects",
        json.dumps({"dt": 1e-4, "channels": [{"name": "line", "unit": "mV", "data": list(A)}]}),
        1e4,
        channels=(("line", "V"),),
        values=(A * 1e-3,),
    ),
    Dialect(
        "an array of a program, eight to a line",
        "// fs = 48000 Hz\nint16_t line[] = {\n"
        + ",\n".join(", ".join(map(str, CODES[i : i + 8])) for i in range(0, ROWS, 8))
        + ",\n};\n",
        48e3,
        channels=_LINE,
        values=(CODES,),
    ),
    Dialect(
        "arrays of times and values",
        "t = [" + ", ".join(f"{i}e-6" for i in range(ROWS)) + "]\nline = [" + ", ".join(map(str, A)) + "]\n",
        1e6,
        channels=_LINE,
        codes=_ASSUMED,
    ),
    # -- units -----------------------------------------------------------------------------------------
    Dialect(
        "units made of others",
        "Time (s),P (V^2),D (mV/div)\n" + rows("{t:.7f},{a},{b}"),
        1e6,
        channels=(("P", "V^2"), ("D", "mV/div")),
        values=(A, B),
    ),
    Dialect(
        "pressure and speed",
        "Time (s),p (bar),n (rpm)\n" + rows("{t:.7f},{a},{b}"),
        1e6,
        channels=(("p", "bar"), ("n", "rpm")),
        values=(A, B),
    ),
)

REFUSED = (
    *(
        f"{said}\n{_VALUES}"
        for said in (
            "Timebase: 1 ms/div", "Time/div: 100us", "Frame rate: 30 Hz", "Baud rate: 9600", "Data rate: 9600 Bd",
            "Data rate: 9.6 kbit/s", "Bit rate: 125 kHz", "Slew rate: 5 V/us", "Carrier frequency: 125 kHz", "Clock: 48 MHz",
            "Clock: 12:30:59", "Bandwidth limit: 20 MHz", "Symbol rate: 20 kHz", "Period: 20 us", "Duration: 5 ms",
        )
    ),
    "Frequency (Hz),Magnitude (dB)\n" + _each("{n},{a}", 0, 100),
    "Position (mm),Force (N)\n" + _each("{n},{a}", 0, 2),
)  # fmt: skip
