"""Whether what looks like reversals is a carrier that is sent all the time and keyed: a steady tone is a part of it."""

from __future__ import annotations

import numpy as np

from dsp.link import Learned
from dsp.noise import NoiseFloor
from dsp.source import Record
from dsp.tones import Tone, Wave

# share of the symbols' amplitude that a tone at the carrier has at least if the amplitude is keyed, and if it is the mean
# of reversals that stand at one phase two thirds of the time: what is left of these has up to one and a third of it
_KEYED, _MEAN = 0.5, 0.25
# samples in which such a tone is looked at
_CLOSE = 1 << 17
# radians by which filters may turn symbols that are keyed with a tone, and one in so many transmissions that is found amiss
_TURNED, _AMISS = 0.03, 0.05


def has_residual_carrier(record: Record, noise: NoiseFloor, learned: Learned) -> bool:
    """Whether a steady line stands where the carrier is, no smaller than what looks like symbols: once that line is
    taken out, a keyed amplitude looks like reversals."""
    from scipy.fft import rfft

    carrier_hz, reach_hz = learned.model.carrier_hz, 1.5 * float(noise.lines_hz[1] - noise.lines_hz[0])
    if not np.any(noise.lines[np.abs(noise.lines_hz - carrier_hz) < reach_hz] > 1.0):
        return False
    stretch = max(record.stretches, key=len)
    length = min(len(stretch), _CLOSE)
    start = stretch.first + (len(stretch) - length) // 2
    window = np.hanning(length + 1)[:-1].astype(np.float32)
    spectrum = np.abs(rfft(record.read_centred(start, start + length) * window)) * (2.0 / float(window.sum()))
    low, high = (round((carrier_hz + side * reach_hz) * length / record.rate_hz) for side in (-1, 1))
    line = float(spectrum[max(0, low - 1) : high + 2].max(initial=0.0))
    return line > _KEYED * float(np.median(learned.runs.amplitude))


def is_keyed(record: Record, noise: NoiseFloor, learned: Learned) -> bool:
    """Whether a tone that was taken off stands where the carrier is, and what looks like symbols has its phase: keying leaves
    as much of the carrier, and reversals after which it rests at one phase most of the time leave a part.

    What is keyed in phase by less than half a turn stands at right angles to what is left of its carrier.
    """
    reach_hz = 1.5 * float(noise.lines_hz[1] - noise.lines_hz[0])
    least = _MEAN * float(np.median(learned.runs.amplitude))
    omega = 2.0 * np.pi / record.rate_hz
    waves = [known.harmonics for known in record.known if isinstance(known, Wave)]
    return any(
        abs(tone.omega / omega - learned.model.carrier_hz) < reach_hz
        and float(np.abs(tone.amplitudes).mean()) > least
        and _has_its_phase(learned, tones.first, tone)
        for tones in (*waves, *record.tones)
        for tone in tones.tones
    )


def _has_its_phase(learned: Learned, first: int, tone: Tone) -> bool:
    """Whether transmissions are likelier to stand along the phase of a tone in the stretch from sample ``first`` on, all of
    them, or all at right angles to it, than at any phase."""
    runs = learned.runs
    middle = 0.5 * (runs.starts + runs.stops) - 0.5
    place = middle + learned.strip.shift(middle) - first
    off = runs.turned.omega * middle + runs.angles - tone.omega * place - np.angle(tone.at(place))
    # of each transmission the mean, of which a carrier of another frequency leaves less
    mean = np.add.reduceat(runs.gains**2 * np.exp(2j * off), runs.offset[:-1])
    weight = np.add.reduceat(runs.gains**2, runs.offset[:-1])
    # what noise leaves unknown of a phase (Rife and Boorstyn 1974), and what filters turn it by
    spread = np.sqrt(1.0 / weight + _TURNED**2)
    nats = []
    for axis in (mean, -mean):
        apart = 0.25 * np.angle(axis) ** 2 + 0.5 * np.maximum(1.0 - np.abs(axis) / weight, 0.0)
        likelier = np.sqrt(0.5 * np.pi) / spread * np.exp(-0.5 * apart / spread**2)
        nats.append(float(np.sum(np.log((1.0 - _AMISS) * likelier + _AMISS))))
    return max(nats) > 0.0
