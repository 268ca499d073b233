"""Dialects of delimited text where several unusual ways of writing meet, found by putting such ways together at random.

As in `fixtures_text`, none is that of any one maker. The expected values stand beside each text.
"""

from __future__ import annotations

import numpy as np

from tests.app.fixtures_text import ROWS, A, B
from tests.app.fixtures_text_odd import comma, odd, rows

_UNNAMED = (("A", "V"),)
_PLAIN_UNNAMED = (("A", ""),)
_NOON_S = 45059.0  # 12:30:59
MISSING = np.where((np.arange(ROWS) > 9) & (np.arange(ROWS) < 13), np.nan, A)
SMALL = np.round(B, 3)
# a decimal comma and nothing before it where the value is below one
_SMALL = comma("".join(f"{b:.3f}\n".replace("0.", ".", 1) for b in SMALL.tolist()))

MIXED = (
    odd("letters as units beside others", "t_ms,CH1_V,CH2_A\n" + rows("{t:.4f},{a},{b}", step=1e-3),
        channels=(("CH1", "V"), ("CH2", "A")), values=(A, B)),
    odd("the same letter behind every name", "Time (s),Shunt 1_A,Shunt 2_A\n" + rows("{t:.7f},{a},{b}"),
        channels=(("Shunt 1", "A"), ("Shunt 2", "A")), values=(A, B)),
    odd("units row of letters alone", "Time,Motor\n,A\n" + rows("12:30:59.{n:03d},{a}"), 1e3,
        start_s=_NOON_S, channels=(("Motor", "A"),)),
    odd("units row that begins with the mark of comments", "Time;Motor;\n;[A];\n" + rows("12:30:59.{n:03d};{a};"), 1e3,
        start_s=_NOON_S, channels=(("Motor", "A"),)),
    odd("clock between blanks", "Time  CH1\n-  [V]\n" + rows("  12:30:59.{n:03d}   {a}"), 1e3, start_s=_NOON_S),
    odd("clock with a point beside decimal commas", "Stamp; CH1\n; V\n"
        + "".join(f"2026-03-04T12:30:59.{i:03d}; " + comma(f"{a:.4E}") + "\n" for i, a in enumerate(A.tolist())),
        1e3, start_s=_NOON_S),
    odd("statements in words above rows without titles",
        "Coupling = DC\nTrigger level = 1,25 V\n" + comma(rows("{t:.7f};{a}")),
        channels=_PLAIN_UNNAMED, codes=("time-unit-assumed",)),
    odd("statement between blanks above rows without titles", "Serial number: G 2\n" + rows("{t:.7f} {a}"),
        channels=_PLAIN_UNNAMED, codes=("time-unit-assumed",)),
    odd("channel 1 of one column", "Sampling period: 1e-06\nChannel 1\n" + rows("{a}"), channels=(("Channel 1", ""),)),
    odd("title of blanks under units in brackets", "dt = 1 us\nChannel 1\n[mV]\n" + rows("{a}"),
        channels=(("Channel 1", "V"),), values=(A * 1e-3,)),
    odd("one column with decimal comma and no other mark", "[Head]\nSampleRate=1000000\n[Data]\n" + comma(rows("{a:.4f}")),
        channels=_PLAIN_UNNAMED),
    odd("one column of powers with decimal comma", "Sample rate;1 MS/s\nCH1;\n" + comma(rows("{a:.4E}")),
        channels=(("CH1", ""),)),
    odd("one column with nothing before the comma", "Sample rate = 1 MHz\n# CH1\n" + _SMALL,
        channels=(("CH1", ""),), values=(SMALL,)),
    odd("no digit behind the comma", "Time (s);CH1 (V)\n" + comma(rows("{t:.7f};{n:.0f}.E0")), values=(np.arange(ROWS),)),
    odd("increment and start in a header with another mark than the rows", "CH1|Start|Increment\nmV|-1e-3|2e-6\n"
        + rows("{a}"), 5e5, start_s=-1e-3, values=(A * 1e-3,)),
    odd("increment in a header above rows with a mark behind", "CH1, Start, Increment\nV, 0, 1e-6\n" + rows("{a},")),
    odd("preamble with comma, numbers with comma, rows with tab", "Sampling rate,2,5 MHz\nNo.\tCH1 (V)\n"
        + comma(rows("{n}\t{a}")), 2.5e6),
    odd("preamble with semicolons above whole codes", "X increment;1,0e-06\nVolts per count;0,01\nOffset;0,5\nCH1\n"
        + rows("{n}"), values=(np.arange(ROWS) * 0.01 + 0.5,)),
    odd("name and unit in rows of their own beside an empty column", "Name;CH1\nUnit;V\nInterval;1 us\n" + rows(";{a}")),
    odd("all said in braces behind a mark of comments", '# {"sample_rate": 1e6, "unit": "V", "channel": "CH1"}\n'
        + rows("{a}")),
    odd("rows of nothing but quotes are missing samples", '"Sample interval","1e-6"\n"CH1 (V)"\n'
        + "".join('""\n' if np.isnan(a) else f'"{a}"\n' for a in MISSING.tolist()), values=(MISSING,), codes=("missing",)),
    odd("rows of nothing but the mark behind are missing samples", "dt|1e-6|\nCH1 (V)|\n"
        + "".join("|\n" if np.isnan(a) else f"{a}|\n" for a in MISSING.tolist()), values=(MISSING,), codes=("missing",)),
    odd("a word that could be a code", "Time (s),CH1 (V),State\n" + rows("{t:.7f},{a},A1")),
    odd("decimal comma beside a word", "Sample rate;1 MS/s\nCH1 (V); State\n"
        + "".join(comma(f"{a:+.4f}") + "; A1\n" for a in A.tolist())),
    odd("times of few digits without titles", comma(rows("{t:.3f};{a}", step=2e-4)), 5e3, rate_rtol=0.05,
        channels=_PLAIN_UNNAMED, codes=("time-unit-assumed",)),
    odd("start, count and duration of a round rate", "Duration,0.0008333333 s\nSamples,40\nCH1 (V)\n" + rows("{a}"), 48e3,
        rate_rtol=1e-6, codes=("rate-derived",)),
)  # fmt: skip
