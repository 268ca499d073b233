"""Whether what looks like reversals is a carrier that is keyed: a steady line is a part of it, and stands under its symbols.

Once such a line is taken off, or suppressed, levels look like reversals about their mean, and phases less than half a turn
apart like reversals at right angles to theirs. What the symbols are with the line left in tells: of reversals two opposite
ones, of an amplitude that is keyed two of one sign, or one and none.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np

from dsp.equalise import Equalised
from dsp.link import Learned
from dsp.motor_lines import MotorLines
from dsp.noise import NoiseFloor
from dsp.sent import carrier_of
from dsp.source import Record
from dsp.tones import Complexes, Wave

Under = Literal["keyed", "taken", "left"]
"""A line under symbols that are keyed beyond doubt; one taken off, or one of the floor, that may be a part of them."""

# share of the symbols' amplitude that a line at the carrier has at least if the amplitude is keyed, and if it is the mean
# of reversals that stand at one phase two thirds of the time: what is left of these has up to one and a third of it
_KEYED, _MEAN = 0.5, 0.25
# samples in which such a line is looked at
_CLOSE = 1 << 17
# radians by which filters may turn symbols that are keyed with a line, and one in so many transmissions that is found amiss
_TURNED, _AMISS = 0.03, 0.05
# share of a line's power in a transmission that its mean has if it keeps its phase to it: one that turns by more than half a
# turn meanwhile has less
_STAYS = 0.5
# times the symbols' amplitude that a line has at most if it is keyed: what a tone that is taken off leaves of itself where it
# is restless has its phase too, and less
_DEEP = 4.0


def line_under(record: Record, noise: NoiseFloor, learned: Learned) -> Under | None:
    """Which line, if any, what was learned is keyed about, or may rest at; None if none is a part of it.

    A line without a fixed phase to the transmissions only happens to stand where they are. One of the floor may be a part
    of them for all that: it is suppressed, and they with it.
    """
    left = _is_left(record, noise, learned)
    if not left and not _is_taken(record, noise, learned):
        return None
    whole, line = _symbols(record, learned, left=left)
    if _are_keyed(learned, whole, line):
        return "keyed"
    if left:
        return "left"
    runs = learned.runs
    mean = _mean(learned, line)
    near = float(np.median(np.abs(mean) / runs.amplitude)) > _MEAN
    return "taken" if near and _axis(learned, mean, line) is not None else None


def _is_left(record: Record, noise: NoiseFloor, learned: Learned) -> bool:
    """Whether a line of the floor, no smaller than what looks like symbols, stands where the carrier is."""
    from scipy.fft import rfft

    carrier_hz, reach_hz = learned.model.carrier_hz, _reach_hz(noise)
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


def _is_taken(record: Record, noise: NoiseFloor, learned: Learned) -> bool:
    """Whether lines that were taken off may stand where the carrier is: those of a motor are anywhere."""
    while isinstance(record.source, Equalised):
        record = record.source.record
    omega = 2.0 * np.pi / record.rate_hz
    waves = [known.harmonics for known in record.known if isinstance(known, Wave)]
    return any(isinstance(known, MotorLines) for known in record.known) or any(
        abs(tone.omega / omega - learned.model.carrier_hz) < _reach_hz(noise)
        for tones in (*waves, *record.tones)
        for tone in tones.tones
    )


def _reach_hz(noise: NoiseFloor) -> float:
    return 1.5 * float(noise.lines_hz[1] - noise.lines_hz[0])


def _with_lines(record: Record) -> Record:
    """The record with all lines left in that were taken off, before it was filtered or after."""
    known = tuple(known for known in record.known if not isinstance(known, Wave | MotorLines))
    source = record.source
    if isinstance(source, Equalised):
        source = type(source)(_with_lines(source.record), source.taps, source.ahead, source.added)
    return replace(record, source=source, known=known, tones=())


def _symbols(record: Record, learned: Learned, *, left: bool) -> tuple[Complexes, Complexes]:
    """What symbols (s,) are along and across their carrier with all lines left in, and what these add to them: those that
    were taken off, and with ``left`` those of the floor, which are suppressed."""
    runs = learned.runs
    whole = _correlated(_with_lines(record), learned)
    if left:
        return whole, whole - runs.symbols * np.sqrt(2.0 * runs.variance / (runs.stops - runs.starts))
    return whole, whole - _correlated(record, learned)


def _correlated(record: Record, learned: Learned) -> Complexes:
    """Amplitude (s,) along and across its carrier of what a record holds in each symbol."""
    runs, strip = learned.runs, learned.strip
    lengths = strip.ends - strip.begins
    parts = zip(strip.origins.tolist(), lengths.tolist(), strict=True)
    values = np.concatenate([record.read_centred(origin, origin + length) for origin, length in parts])
    first, last = (
        np.clip(np.ceil(edges), 0, values.size).astype(np.int64) for edges in (runs.starts, runs.stops)
    )
    count = np.maximum(last - first, 0)
    owner = np.repeat(np.arange(count.size), count)
    at = np.arange(owner.size) - np.repeat(np.cumsum(count) - count, count) + first[owner]
    phase, omega = carrier_of(runs, strip)
    middle = 0.5 * (runs.starts + runs.stops)
    turned = values[at] * np.exp(-1j * (phase[owner] + omega[owner] * (at - middle[owner])))
    sums = np.bincount(owner, turned.real, count.size) + 1j * np.bincount(owner, turned.imag, count.size)
    return np.asarray(sums * 2.0 / np.maximum(count, 1))


def _are_keyed(learned: Learned, whole: Complexes, line: Complexes) -> bool:
    """Whether symbols (s,), ``whole`` with all lines left in, have two values that are no opposite ones, but those of an
    amplitude that is keyed or of phases far less than half a turn apart.

    Their middle and what they differ by is the same however often each is sent, and however well a line was told.
    """
    signs = np.sign(learned.runs.symbols.real)
    begins = learned.runs.offset[:-1]
    up, down = (np.add.reduceat(np.where(signs == one, whole, 0.0), begins) for one in (1.0, -1.0))
    ups, downs = (np.add.reduceat((signs == one).astype(np.float64), begins) for one in (1.0, -1.0))
    if not np.any((ups > 0) & (downs > 0)):
        return False
    up, down = up / np.maximum(ups, 1.0), down / np.maximum(downs, 1.0)
    both = (ups > 0) & (downs > 0)
    ratio = np.where(both, (up + down) / np.where(both, up - down, 1.0), 0.0)
    share = float(np.median(np.abs(ratio[both])))
    if not _MEAN < share < _DEEP:
        return False
    along = _axis(learned, ratio, line)
    return along is not None and (not along or share > _KEYED)


def _mean(learned: Learned, values: Complexes) -> Complexes:
    """Mean (b,) of ``values`` (s,) over each transmission."""
    weight, begins = learned.runs.gains**2, learned.runs.offset[:-1]
    return np.asarray(np.add.reduceat(weight * values, begins) / np.add.reduceat(weight, begins))


def _axis(learned: Learned, phasor: Complexes, line: Complexes) -> bool | None:
    """Whether ``phasor`` (b,) stands along the phase of all transmissions (True) or at right angles to it (False); None if
    they are likelier to stand at any phase to it, or the ``line`` (s,) that it is of turns within them."""
    runs = learned.runs
    weight = np.add.reduceat(runs.gains**2, runs.offset[:-1])
    stays = np.abs(_mean(learned, line)) ** 2 > _STAYS * np.abs(_mean(learned, np.abs(line) ** 2))
    stays &= phasor != 0.0
    # what noise leaves unknown of a phase (Rife and Boorstyn 1974), and what filters turn it by
    spread = np.sqrt(1.0 / weight + _TURNED**2)
    nats = []
    for axis in (phasor**2, -(phasor**2)):
        apart = 0.5 * np.angle(axis)
        likelier = np.sqrt(0.5 * np.pi) / spread * np.exp(-0.5 * (apart / spread) ** 2)
        nats.append(float(np.sum(np.log((1.0 - _AMISS) * likelier * stays + _AMISS))))
    return None if max(nats) <= 0.0 else nats[0] > nats[1]
