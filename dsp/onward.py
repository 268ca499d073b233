"""The carrier of a transmission that goes on beyond where it was found, because it drifts out of what a model admits.

A model finds symbols whose carrier is within a part of the symbol rate of its own; a curve through what it found says little
of what lies beyond. From where the carrier is known it is followed to either side, a few symbols at a time, by the line of
the squared symbols (Viterbi and Viterbi 1983) next to where the last ones foretell it. That asks for neither timing nor
pulse: whatever reaches from one symbol into the next lies along the same axis.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.condition import Conditioner
from dsp.correlate import Complexes, turn_back
from dsp.follow import shown
from dsp.runs import Runs
from dsp.source import Floats
from dsp.strip import Strip
from dsp.wander import Wander, wander_through

# symbols that are looked at together, and from one such window to the next
_WINDOW, _HOP = 48, 24
# parts of a symbol that are summed before the carrier foretold is taken off, and sums of a symbol's length in its time
_PARTS, _PER_SYMBOL = 4, 2
# cycles a symbol by which the carrier may be off what is foretold: a fifth of what would be the next line of the square
_RANGE = 0.05
# radians of the square at the ends of a window by which slopes tried differ, and how many of them to either side
_BEND, _BENDS = 1.5, 2
_SIZE = 512
# share of the squares' lengths that their sum has: noise has 0.4 at most (the best of some forty, of 48 symbols), weak
# symbols of 7 dB have 0.6
_SHOWN = 0.5
# windows without that in a row after which nothing is sent any more
_LOST = 4
# windows that foretell the next one, and those to either side that smooth one
_FORETELL, _SMOOTH = 6, 2
# symbols that are read at a time
_READ = 2048
# stretches of symbols (`dsp.follow.shown`) that tell where a carrier starts from, and at least are followed from
_FROM = 9
# cycles a symbol by which a carrier drifts over a record if a model loses it, and deviations by which that must be seen
_AWAY, _SURELY = 0.2, 5.0
# cycles a symbol that do harm (`dsp.follow`), and symbols that a carrier must be followed beyond where it is known: a window
# of nothing else at either end
_HARM, _FURTHER = 0.1, 2.0 * _WINDOW


@dataclass(frozen=True)
class Start:
    """Where a carrier is known: sample of the record, radians a sample there, and their change in each sample."""

    place: float
    omega: float
    slope: float


def straightened(conditioner: Conditioner, runs: Runs, strip: Strip, period: float) -> Conditioner | None:
    """What takes off how the carrier of the longest of the transmissions in a strip goes on beyond it; None if it does not.

    The wander is about that carrier (`Runs.turned`). Symbols have ``period`` samples.
    """
    if not len(runs):
        return None
    row = int(np.argmax(runs.count))
    one = runs.take(np.arange(len(runs)) == row)
    omega = runs.turned.omega
    start = _start_in(one, strip, omega)
    if start is None:
        return None
    wander = followed_on(conditioner, start, omega, period)
    if wander is None:
        return None
    # from the middle of one window to that of another
    far = wander.places[-1] - wander.places[0] + _WINDOW * period
    goes_on = far > float(one.last[0] - one.first[0]) + _FURTHER * period
    drifts = float(np.ptp(wander.omega)) * period > 2.0 * np.pi * _HARM
    return replace(conditioner, wander=wander) if goes_on and drifts else None


def drifts_away(runs: Runs, strip: Strip, period: float, samples: int) -> bool:
    """Whether the carrier of the longest of the transmissions in a strip changes too fast for one model of a record.

    The record has so many ``samples``, a symbol ``period`` of them.
    """
    if not len(runs):
        return False
    one = runs.take(np.arange(len(runs)) == int(np.argmax(runs.count)))
    seen = shown(one, strip, runs.turned.omega)
    if seen.place.size < _FROM:
        return False
    lever = seen.place - seen.place.mean()
    slope = float(lever @ seen.value) / float(lever @ lever)
    left = seen.value - seen.value.mean() - slope * lever
    std = float(np.sqrt(left @ left / (left.size - 2) / (lever @ lever)))
    return abs(slope) > max(_SURELY * std, 2.0 * np.pi * _AWAY / (period * samples))


def _start_in(one: Runs, strip: Strip, omega: float) -> Start | None:
    """The middle of a transmission that is long enough."""
    seen = shown(one, strip, omega)
    many = seen.place.size
    if many < _FROM:
        return None
    some = slice((many - _FROM) // 2, (many + _FROM) // 2)
    place = float(seen.place[some].mean())
    slope, value = np.polyfit(seen.place[some] - place, seen.value[some], 1)
    return Start(place, omega + float(value), float(slope))


def followed_on(conditioner: Conditioner, start: Start, omega: float, period: float) -> Wander | None:
    """How the carrier wanders about ``omega`` (radians a sample) as far as it can be followed; None if that is nowhere.

    Symbols have ``period`` samples.
    """
    stretch = conditioner.record.stretch_at(start.place)
    sides = [_to_one_side(conditioner, start, period, way, (stretch.first, stretch.last)) for way in (-1, 1)]
    places = np.concatenate((sides[0][0][::-1], sides[1][0]))
    if places.size < 2 * _FORETELL:
        return None
    values = np.concatenate((sides[0][1][::-1], sides[1][1])) - omega
    return wander_through(places, _smooth(places, values))


def _to_one_side(
    conditioner: Conditioner, start: Start, period: float, way: int, ends: tuple[int, int]
) -> tuple[Floats, Floats]:
    """Middles of windows (w,) one after the other, and the carrier in each (radians a sample)."""
    hop, half, room = _HOP * period, 0.5 * _WINDOW * period, int(_READ * period)
    places = [start.place - way * hop * (i + 0.5) for i in range(_FORETELL, 0, -1)]
    omegas = [start.omega + start.slope * (place - start.place) for place in places]
    at, lost, low, high = start.place + 0.5 * way * hop, 0, 0, 0
    while lost < _LOST and ends[0] <= at - half and at + half <= ends[1]:
        if not low <= at - half <= at + half <= high:
            before, after = (room, 2) if way < 0 else (0, room)
            low, high = max(ends[0], int(at - half) - before), min(ends[1], int(at + half) + after)
            strip = conditioner.strip([(low, high)])
            base = omegas[-1]
            turned = turn_back(strip.samples, base)
        line = np.polyfit(np.array(places[-_FORETELL:]) - at, omegas[-_FORETELL:], 1)
        edges = at - half - low + np.arange(_WINDOW * _PARTS + 1) * (period / _PARTS)
        found = _in_window(np.diff(turned.at(edges)), (line[1] - base) * period, line[0] * period**2)
        if found is None:
            lost += 1
        else:
            lost = 0
            places.append(at)
            omegas.append(line[1] + found / period)
        at += way * hop
    return np.array(places[_FORETELL:]), np.array(omegas[_FORETELL:])


def _in_window(sums: Complexes, detune: float, slope: float) -> float | None:
    """By how many radians a symbol the carrier in the middle of a window is off the ``detune`` foretold; None if none shows.

    ``slope`` is in radians a symbol squared, ``sums`` (window * parts,) those of parts of symbols.
    """
    from scipy.fft import fft

    t = (np.arange(sums.size) + 0.5) / _PARTS - 0.5 * _WINDOW
    flat = np.concatenate(([0.0], np.cumsum(sums * np.exp(-1j * (detune * t + 0.5 * slope * t * t)))))
    u = (flat[_PARTS:] - flat[:-_PARTS])[:: _PARTS // _PER_SYMBOL]
    square = u * u
    t = np.arange(u.size) / _PER_SYMBOL - 0.5 * (_WINDOW - 1)
    bends = np.arange(-_BENDS, _BENDS + 1) * (_BEND / (0.5 * _WINDOW) ** 2)
    spectrum = np.abs(fft(square * np.exp(-1j * bends[:, None] * t * t), _SIZE, axis=1))
    reach = int(2.0 * _RANGE / _PER_SYMBOL * _SIZE)
    near = np.concatenate((spectrum[:, -reach - 1 :], spectrum[:, : reach + 2]), axis=1)
    row, k = np.unravel_index(int(np.argmax(near[:, 1:-1])), (bends.size, 2 * reach + 1))
    left, top, right = near[row, k : k + 3]
    if top < _SHOWN * float(np.sum(np.abs(square))):
        return None
    bend = left - 2.0 * top + right
    shift = float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5)) if bend < 0.0 else 0.0
    return np.pi * (k - reach + shift) * _PER_SYMBOL / _SIZE


def _smooth(places: Floats, values: Floats) -> Floats:
    """The same carriers (w,), each on the straight line through it and those next to it."""
    out = np.empty(values.size)
    for i in range(values.size):
        some = slice(max(0, i - _SMOOTH), i + _SMOOTH + 1)
        out[i] = np.polyfit(places[some] - places[i], values[some], 1)[1]
    return out
