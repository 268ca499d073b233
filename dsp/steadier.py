"""Whether what is sent is steadier than two phases in as much noise as they are said to lie in can be.

The power of a constant envelope of power S in complex Gaussian noise of power N has the mean S + N and the variance
``2 S N + N^2``: one less the variance over the mean squared is the square of S / (S + N) (moments of the Rice
distribution). Reversals, pulses, several transmitters at once and noise that comes and goes can only make it less. So
where it is far more than the transmissions explain, what they leave is no noise but has an even strength of its own: the
other of two frequencies, or phases between the two that they are taken for.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dsp.carrier import baseband
from dsp.outcome import Link, spans_of_link
from dsp.quality import Fitness
from dsp.source import Floats, Record
from dsp.strip import Spans
from dsp.tones import Tone

# Es/N0 (as a ratio) from which what a link leaves is so little that nothing else can have been taken for it
_CLEAR_ESN0 = 10.0
# symbol rates to either side of the carrier: of what is wide in them all is seen, of what is weak the least noise
_HALF_WIDTHS = (3.0, 1.5, 0.75)
# transmissions looked at, the longest, and samples of one
_RUNS, _SAMPLES = 12, 1 << 15
# times by which the power may be more than was fitted, pulses being of other shapes than a rectangle
_LARGER = 1.3
# standard deviations of the moments of so many values
_SURE = 4.0
# values of one transmission, and of all, below which moments tell nothing
_FEWEST, _FEWEST_IN_ALL = 8.0, 64.0
# half symbol rates by which a line that belongs to what is sent is off at most
_ON_LINE = 0.03


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
    record = _with_its_lines(record, carrier_hz, symbol_rate_bd)
    longest = np.argsort(spans[:, 0] - spans[:, 1])[:_RUNS]
    read = [_samples(record, *spans[row].tolist()) for row in longest.tolist()]
    fitted = amplitudes[longest].tolist()
    for width in _HALF_WIDTHS:
        high_hz = min(carrier_hz + width * symbol_rate_bd, 0.48 * record.rate_hz)
        low_hz = max(carrier_hz - width * symbol_rate_bd, 0.1 * carrier_hz)
        even = said = total = 0.0
        for samples, amplitude in zip(read, fitted, strict=True):
            count = samples.size * (high_hz - low_hz) / record.rate_hz
            if count < _FEWEST:
                continue
            # flanks reach half as far again as they are told, and hold half of what lies in them
            z, _, _ = baseband(samples, record.rate_hz, 0.5 * (low_hz + high_hz), (high_hz - low_hz) / 3.0)
            power = np.abs(z) ** 2
            mean = float(power.mean())
            even += count * (1.0 - float(power.var()) / mean**2)
            said += count * min(1.0, _LARGER * amplitude**2 / mean) ** 2
            total += count
        if total >= _FEWEST_IN_ALL:
            due = said / total
            if even / total > due + _SURE * _scatter(float(np.sqrt(due))) / float(np.sqrt(total)):
                return True
    return False


def _with_its_lines(record: Record, carrier_hz: float, symbol_rate_bd: float) -> Record:
    """The record with steady tones that were taken off, if they are half symbol rates away from a carrier.

    A carrier shifted by a whole number of symbol rates is two steady tones, and reversals midway between them.
    """

    def is_part(tone: Tone) -> bool:
        halves = 2.0 * (tone.omega * record.rate_hz / (2.0 * np.pi) - carrier_hz) / symbol_rate_bd
        return abs(halves - round(halves)) < _ON_LINE and 1 <= abs(round(halves)) <= 2

    kept = [
        replace(tones, tones=tuple(tone for tone in tones.tones if not is_part(tone)))
        for tones in record.tones
    ]
    return replace(record, tones=tuple(kept))


def _samples(record: Record, first: float, last: float) -> Floats:
    """Some of a transmission."""
    stretch = record.stretch_at(int(max(first, 0.0)))
    start = max(stretch.first, int(first))
    return record.read_centred(start, min(stretch.last, int(last), start + _SAMPLES)).astype(np.float64)


def _scatter(share: float) -> float:
    """Standard deviation, times the root of how many, of one less the variance over the mean squared of powers.

    A ``share`` of them is that of a constant envelope, the rest complex Gaussian noise: by the delta method from the
    cumulants of the noncentral chi-square distribution of two degrees of freedom (Johnson, Kotz and Balakrishnan,
    Continuous Univariate Distributions 2, 29.4).
    """
    noise = 1.0 - share
    # N^n (n - 1)! (1 + n S / N) in all
    two = noise**2 + 2.0 * share * noise
    three = 2.0 * noise**3 + 6.0 * share * noise**2
    four = 6.0 * noise**4 + 24.0 * share * noise**3 + 3.0 * two**2
    return float(np.sqrt(four - two**2 + 4.0 * two**3 - 4.0 * two * three))
