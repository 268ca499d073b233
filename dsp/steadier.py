"""Whether what is sent is steadier than two phases in as much noise as they are said to lie in can be.

The power of a constant envelope of power S in complex Gaussian noise of power N has the mean S + N and the variance
``2 S N + N^2``: one less the variance over the mean squared is the square of S / (S + N) (moments of the Rice
distribution). Reversals, pulses, several transmitters at once and noise that comes and goes can only make it less. So
where it is far more than the transmissions explain, what they leave is no noise but has an even strength of its own: the
other of two frequencies, or phases between the two that they are taken for.
"""

from __future__ import annotations

import numpy as np

from dsp.carrier import baseband
from dsp.outcome import Link, spans_of_link
from dsp.quality import Fitness
from dsp.source import Floats, Record
from dsp.strip import Spans

# Es/N0 (as a ratio) from which what a link leaves is so little that nothing else can have been taken for it
_CLEAR_ESN0 = 10.0
# symbol rates to either side of the carrier in which a neighbouring tone, or the other axis, is seen
_HALF_WIDTH = 3.0
# transmissions looked at, the longest, and samples of one
_RUNS, _SAMPLES = 12, 1 << 15
# times the amplitude squared that may be more than was fitted, pulses being of other shapes than a rectangle
_LARGER = 1.3
# standard deviations of the moments of so many values of noise alone
_SURE = 4.0
# values whose moments four standard deviations leave open by less than they can be
_FEWEST = 64.0


def is_unclear(fitness: Fitness) -> bool:
    """Whether symbols lie in so much noise that it may be something else that is sent."""
    return fitness.gain**2 < 2.0 * _CLEAR_ESN0 * fitness.noise


def leave_no_noise(record: Record, link: Link) -> bool:
    """Whether none of a link's talkers is clear, and they leave something of even strength."""
    if not all(is_unclear(talker.fitness) for talker in link.talkers):
        return False
    amplitudes = np.concatenate([talker.runs.amplitude for talker in link.talkers])
    bd = record.rate_hz / link.period.value
    return is_steadier(record, spans_of_link(link), amplitudes, link.model.carrier_hz, bd)


def is_steadier(
    record: Record, spans: Spans, amplitudes: Floats, carrier_hz: float, symbol_rate_bd: float
) -> bool:
    """Whether transmissions leave something of even strength around them.

    ``spans`` (n, 2) are their samples, ``amplitudes`` (n,) the peaks of their carriers in the unit of the record.
    """
    half_hz = _HALF_WIDTH * symbol_rate_bd
    high_hz = min(carrier_hz + half_hz, 0.48 * record.rate_hz)
    low_hz = max(carrier_hz - half_hz, 0.1 * carrier_hz)
    if high_hz <= low_hz:
        return False
    even = said = total = 0.0
    for row in np.argsort(spans[:, 0] - spans[:, 1])[:_RUNS].tolist():
        first, last = spans[row].tolist()
        stretch = record.stretch_at(int(max(first, 0)))
        start = max(stretch.first, int(first))
        stop = min(stretch.last, int(last), start + _SAMPLES)
        count = (stop - start) * (high_hz - low_hz) / record.rate_hz
        if count < 8.0:
            continue
        samples = record.read_centred(start, stop).astype(np.float64)
        # flanks reach half as far again as they are told, and hold half of what lies in them
        z, _, _ = baseband(samples, record.rate_hz, 0.5 * (low_hz + high_hz), (high_hz - low_hz) / 3.0)
        power = np.abs(z) ** 2
        mean = float(power.mean())
        even += count * (1.0 - float(power.var()) / mean**2)
        said += count * min(1.0, float(amplitudes[row]) ** 2 / mean) ** 2
        total += count
    if total < _FEWEST:
        return False
    # both moments of n exponential values: their ratio scatters by ``2 / sqrt(n)``
    return even / total > _LARGER**2 * said / total + _SURE * 2.0 / float(np.sqrt(total))
