"""A tone that was taken off and is the carrier of something seldom sent: it is reversed now and then.

Along its own phase a tone stands at one. An amplitude that is keyed comes down to zero and never below, what is sent beside
it goes to either side and across, and only the tone itself, reversed, stands at minus one. So its mean along the phase, over
as many cycles as noise asks for, tells.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from dsp.noise import NoiseFloor, without_line_at
from dsp.segment import Piece
from dsp.source import Record
from dsp.strip import Spans
from dsp.tones import Complexes, Floats, Singles, Tone, Tones

Line = tuple[Record, NoiseFloor]
"""A record and its floor."""

# of the strongest tones, and samples of a record, in so many places, that are looked at: each costs a pass
_TONES, _PLACES, _PLACE = 4, 64, 1 << 16
# samples of a mean at least, so that cycles are whole to a few per cent, and at most
_SHORTEST, _LONGEST = 16, 4096
# what a mean that is reversed is less than: five deviations from one at least, since means are as long as that takes
_CLEAR, _REVERSED = 0.3, -0.6
# what means are less than that silence leaves, and times those of it that noise reverses: fewer may be noise
_SILENT, _CHANCE = 0.5, 10.0
# means that are reversed at least, and the share of them that may stand as far above one as these do below: of what is
# added to a tone along its phase all do
_FEWEST, _BEYOND = 4, 0.25
# share of what is missing along the phase that may stand across it: what reverses something else has as much there
_ACROSS = 0.05
# symbols without a reversal that part two messages (random bits have so many once in 2^16), and of rest to either side
_APART, _MARGIN = 16, 8
# places that tell whether a tone is keyed, means that do at least, share of what is left that stands along one phase, and
# nats by which it is no chance: 20 leave one in 10^8
_FEW_PLACES, _MEANS, _ALONG, _BY_CHANCE = 4, 64, 0.2, 20.0
# samples of a frame at least, and its bins within a line's main lobe
_SHORTEST_FRAME, _BINS = 8, 3
# messages that a link is learned from
_MESSAGES = 12


@dataclass(frozen=True, eq=False)
class ReversedTone:
    """The record with that tone left in, its floor, the messages, with some rest to either side of each, and the tone."""

    line: Line
    messages: tuple[Piece, ...]
    tones: tuple[Tones, ...]

    def without(self, rests: Spans) -> Line:
        """The line with the tone taken off within the samples ``rests`` (n, 2)."""
        record, noise = self.line
        return record.less([_Rests(self.tones, rests)]), noise


@dataclass(frozen=True, eq=False)
class _Rests:
    """Tones within the samples ``spans`` (n, 2)."""

    tones: tuple[Tones, ...]
    spans: Spans

    def take_off(self, values: Singles, start: int) -> None:
        """Subtract them in place from samples (n,) of the record, the first of which is number ``start``."""
        inside = np.clip(np.rint(self.spans) - start, 0, values.size).astype(np.int64)
        for a, b in inside[inside[:, 1] > inside[:, 0]].tolist():
            for tones in self.tones:
                tones.take_off(values[a:b], start + a)


def reversed_tone(record: Record, noise: NoiseFloor) -> ReversedTone | None:
    """The strongest of a record's steady tones that is reversed now and then; None if there is none."""
    tones = [(off, tone) for off in record.tones for tone in off.tones]
    tones.sort(key=lambda one: -_height(one[1]))
    for off, tone in tones[:_TONES]:
        found = _messages(record, off, tone)
        if found is not None:
            carrier_hz = tone.omega * record.rate_hz / (2.0 * np.pi)
            kept, own = (tuple(_near(one, tone, near) for one in record.tones) for near in (False, True))
            floor = without_line_at(noise, carrier_hz)
            pieces = _pieces(floor, carrier_hz, _height(tone), *found)
            return ReversedTone((replace(record, tones=kept), floor), pieces, own)
    return None


def has_sidebands(record: Record) -> bool:
    """Whether what is left beside one of the strongest steady tones stands along one phase to it, or at right angles to
    that: it may be the carrier of something keyed (a noncircular signal in circular noise: Picinbono, On circularity, 1994).
    """
    tones = [(off, tone) for off in record.tones for tone in off.tones]
    for off, tone in sorted(tones, key=lambda one: -_height(one[1]))[:_TONES]:
        cycle = 2.0 * np.pi / tone.omega
        length = round(float(np.ceil(_SHORTEST / cycle)) * cycle)
        starts, means = _means(record, off, tone, length, _FEW_PLACES)
        while means.size >= _MEANS and length <= _LONGEST:
            left = means - 1.0
            along = abs(complex(np.mean(left**2))) / float(np.mean(np.abs(left) ** 2))
            if along > _ALONG and along**2 * left.size > 2.0 * _BY_CHANCE:
                return True
            starts, means, length = _joined(starts, means, length)
    return False


def _joined(starts: Floats, means: Complexes, length: int) -> tuple[Floats, Complexes, int]:
    """Means of twice the length."""
    pairs = np.flatnonzero(np.diff(starts)[::2] == length) * 2
    return starts[pairs], 0.5 * (means[pairs] + means[pairs + 1]), 2 * length


def _height(tone: Tone) -> float:
    return float(np.median(np.abs(tone.amplitudes)))


def _pieces(
    noise: NoiseFloor, carrier_hz: float, height: float, symbol: float, spans: Spans
) -> tuple[Piece, ...]:
    """Messages as frames of about a ``symbol`` show them."""
    frame = max(_SHORTEST_FRAME, 1 << round(float(np.log2(symbol))))
    low_hz, high_hz = carrier_hz - noise.rate_hz / frame, carrier_hz + noise.rate_hz / frame
    variance = float(noise.density(np.array([carrier_hz]))[0]) * noise.rate_hz / 2.0
    ratio = 1.0 + height**2 * frame / (4.0 * variance * _BINS)
    return tuple(
        Piece(start, stop, low_hz, high_hz, frame, ratio, _BINS)
        for start, stop in spans.round().astype(np.int64).tolist()
    )


def _near(tones: Tones, tone: Tone, near: bool) -> Tones:
    """Those of the tones that stand where one does, or the others."""
    reach = 2.0 * np.pi / _LONGEST
    return replace(
        tones, tones=tuple(one for one in tones.tones if (abs(one.omega - tone.omega) < reach) == near)
    )


def _messages(record: Record, off: Tones, tone: Tone) -> tuple[float, Spans] | None:
    """Samples of a symbol, roughly, and those (n, 2) in which a tone is reversed now and then, the longest first."""
    cycle = 2.0 * np.pi / tone.omega
    length = round(float(np.ceil(_SHORTEST / cycle)) * cycle)
    starts, means = _means(record, off, tone, length)
    while means.size >= _FEWEST and length <= _LONGEST:
        level = float(np.median(means.real))
        deviation = 1.4826 * float(np.median(np.abs(means.imag))) / level
        if deviation < _CLEAR:
            return _spans(starts, means / level, deviation, length)
        starts, means, length = _joined(starts, means, length)
    return None


def _means(
    record: Record, off: Tones, tone: Tone, length: int, places: int = _PLACES
) -> tuple[Floats, Complexes]:
    """First samples (n,) and means over ``length`` samples (n,) of what a tone is together with all that is left, over it."""
    starts, means = [np.zeros(0)], [np.zeros(0, dtype=np.complex128)]
    cycles = np.exp(-1j * tone.omega * np.arange(length)).astype(np.complex64)
    for start, stop in _places(
        record, (off.first, off.last), 1 << int(np.log2(_PLACE / length)), length, places
    ):
        first = np.arange(start, stop - length + 1, length, dtype=np.float64)
        left = record.read_centred(start, start + first.size * length).reshape(first.size, length)
        turned = (left @ cycles).astype(np.complex128) * np.exp(-1j * tone.omega * (first - off.first))
        starts.append(first)
        means.append(1.0 + 2.0 * turned / (length * tone.at(first - off.first + 0.5 * length)))
    return np.concatenate(starts), np.concatenate(means)


def _places(
    record: Record, within: tuple[int, int], count: int, length: int, most: int
) -> list[tuple[int, int]]:
    """Samples ``[start, stop)`` of places of ``count`` means all over a stretch, or all of it if it is short."""
    first = within[0]
    last = min(within[1], record.stretch_at(first).last)
    places = -(-(last - first) // (count * length))
    numbers = np.unique(np.linspace(0, places - 1, min(places, most)).astype(np.int64))
    return [
        (start, min(last, start + count * length)) for start in (first + numbers * count * length).tolist()
    ]


def _spans(starts: Floats, means: Complexes, deviation: float, length: int) -> tuple[float, Spans] | None:
    """Samples of a symbol and of messages, as in `_messages`, if these means are of a tone that is reversed; None if not."""
    from scipy.special import ndtr

    along, across = means.real, means.imag
    back = along < _REVERSED
    beyond = np.sum(along > 2.0 - _REVERSED)
    chance = ndtr(_REVERSED / deviation) * np.sum(~back & (along < _SILENT))
    if back.sum() < max(_FEWEST, beyond / _BEYOND, _CHANCE * chance):
        return None
    aside = np.sum(across[back] ** 2 - deviation**2)
    if aside > _ACROSS * np.sum((1.0 - along[back]) ** 2):
        return None
    # half of all that are reversed in a row are one symbol
    low = np.flatnonzero(back)
    edges = np.flatnonzero(np.diff(starts[low]) > 1.5 * length)
    begins, ends = np.concatenate(([0], edges + 1)), np.concatenate((edges, [low.size - 1]))
    begin, end = starts[low[begins]], starts[low[ends]] + length
    symbol = float(np.median(end - begin))
    out: list[tuple[float, float]] = [(begin[0], end[0])]
    for (_, before), (start, stop) in pairwise(zip(begin, end, strict=True)):
        if start - before < _APART * symbol:
            out[-1] = (out[-1][0], stop)
        else:
            out.append((start, stop))
    spans = np.array(sorted(out, key=lambda span: span[0] - span[1])[:_MESSAGES])
    return symbol, np.stack((spans[:, 0] - _MARGIN * symbol, spans[:, 1] + _MARGIN * symbol), axis=1)
