"""Dialects of delimited text that a second round of made-up exports was read wrongly in, each for a reason of its own.

As in `fixtures_text`, none is that of any one maker. The expected values stand beside each text.
"""

from __future__ import annotations

from tests.app.fixtures_text import ROWS, A, Dialect, rows

_PLAIN = "{t:.7f},{a}"
_HALF_US = rows("{t:.2f},{a}", step=0.5)
_VALUES = "CH1 (V)\n" + rows("{a}")
_COMMA = rows("{a}").replace(".", ",")
_CANAL = (("Canal 1", "V"),)

WILD = (
    # -- rates -----------------------------------------------------------------------------------------
    Dialect("rate with a prefix alone", "Sampling Rate:500k\n" + _VALUES, 5e5),
    Dialect("rate in MSa", "Sample rate : 2 MSa\n" + _VALUES, 2e6),
    Dialect("samples per second", "Samples per second,44100\n" + _VALUES, 44100),
    Dialect("points per second, shortened", "Pts/s;20000\n" + _VALUES, 2e4),
    Dialect("Tsample", "Tsample = 1e-4\n" + _VALUES, 1e4),
    Dialect(
        "keys by comma, pairs by semicolon", "XINCR,2.0E-7;XZERO,-1.0E-5;PT_OFF,0\n" + _VALUES, 5e6, -1e-5
    ),
    Dialect(
        "rate in Portuguese", "Taxa de amostragem: 250 kHz\nCanal 1 (V)\n" + rows("{a}"), 2.5e5, 0, _CANAL
    ),
    Dialect(
        "rate in Swedish", "Samplingsfrekvens;100000\nKanal 1 (V)\n" + _COMMA, 1e5, 0, (("Kanal 1", "V"),)
    ),
    Dialect("step in German", "Zeitschritt;2,5E-07;s\nKanal 1 (V)\n" + _COMMA, 4e6, 0, (("Kanal 1", "V"),)),
    # -- units -----------------------------------------------------------------------------------------
    Dialect("unit with a power of ten", "Time (10^-6 s),CH1 (V)\n" + _HALF_US, 2e6),
    Dialect("unit times a power", "Time (x1e-3 s),CH1 (V)\n" + rows("{t:.4f},{a}", step=1e-3), 1e6),
    Dialect("unit with an exponent", "Time [1E-6 s],CH1 [1E-3 V]\n" + _HALF_US, 2e6, 0, values=(A * 1e-3,)),
    Dialect("range beside the name", "Time (s),CH1 (100mV)\n" + rows(_PLAIN), 1e6, 0, (("CH1 (100mV)", ""),)),
    Dialect("unit before the name", "[s] Time,[V] CH1\n" + rows(_PLAIN), 1e6),
    Dialect("unit behind a bar", "Time|s;CH1|V\n" + rows("{t:.7f};{a}"), 1e6),
    Dialect("coupling beside the unit", "Time (s),CH1 (V, DC)\n" + rows(_PLAIN), 1e6),
    # -- lines -----------------------------------------------------------------------------------------
    Dialect("remarks by word", "REM vent motor\nREM rate 1 MS/s\nREM CH1 (V)\n" + rows("{a}"), 1e6),
    Dialect("return behind the feed", "Time (s),CH1 (V)\n\r" + rows(_PLAIN, end="\n\r"), 1e6),
    Dialect(
        "brackets around rows and all of them",
        "[" + ",\n".join(f"[{i * 1e-6:.7f}, {A[i]}]" for i in range(ROWS)) + "]\n",
        1e6,
        0,
        (("A", ""),),
        codes=("time-unit-assumed",),
    ),
)
