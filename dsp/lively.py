"""Where in a long active stretch the most is sent: a carrier that is on all the time may rest for most of it.

What rests stands in one line of the spectrum of a place, and what turns beside it.
"""

from __future__ import annotations

import numpy as np

from dsp.activity import Active
from dsp.segment import window_length
from dsp.source import Record

# places that are looked at, and kept
_PLACES, _KEPT = 24, 3
# bins to either side of a line that a Hann window spreads it to
_LOBE = 2
# times by which a place must have more beside its line than the usual one has
_MORE = 2.0


def lively_windows(record: Record, active: Active) -> list[Active]:
    """The windows of an active stretch that have the most beside a line in its octave; none where all are alike."""
    length = window_length(active)
    if active.stop - active.start <= 2 * length:
        return []
    count = min(_PLACES, (active.stop - active.start) // length)
    starts = np.linspace(active.start, active.stop - length, count).astype(np.int64)
    beside = np.array([_beside_line(record, int(start), length, active.octave) for start in starts])
    best = np.sort(np.argsort(-beside, kind="stable")[:_KEPT])
    best = best[beside[best] > _MORE * np.median(beside)]
    return [Active(a, a + length, active.octave, active.best) for a in starts[best].tolist()]


def _beside_line(record: Record, start: int, length: int, octave: int) -> float:
    """Power in an octave beside its strongest line."""
    from scipy.fft import rfft

    window = np.hanning(length + 1)[:-1].astype(np.float32)
    spectrum = rfft(record.read_centred(start, start + length) * window)
    power = (spectrum.real**2 + spectrum.imag**2)[length >> (octave + 2) : length >> octave]
    top = int(np.argmax(power))
    power[max(0, top - _LOBE) : top + _LOBE + 1] = 0.0
    return float(power.sum())
