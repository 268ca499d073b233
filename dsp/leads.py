"""The pieces that a search for carrier and symbol period starts from, and their samples."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from dsp.condition import Conditioner
from dsp.noise import NoiseFloor
from dsp.segment import Piece
from dsp.source import Floats, Record
from dsp.strip import Strip

SYMBOLS_AT_MOST = 64
_LEADS_AT_MOST = 6
_JUDGED_TIMES = 1
_STRONG_TIMES = 4
# energy over the floor by which something stands out in the shortest frames there are, its symbols being longer or not
_STRONG_RATIO = 4.0
_SHORTEST_FRAME = 8
# frames of a piece beyond which it may be several transmissions, and of parts that are likely one; and so many leads
_FRAMES_OF_SEVERAL = 32
_FRAMES_OF_ONE = (12, 4)
PARTS_OF_A_LEAD = len(_FRAMES_OF_ONE)
_LEADS_CUT = 2
# samples of a piece that are looked at as a whole, and frames from which on a piece is long
_WHOLE, _FRAMES_OF_LONG = 1 << 15, 512


@dataclass(frozen=True, eq=False)
class Leads:
    """The pieces a search starts from, and their samples one after the other."""

    pieces: tuple[Piece, ...]
    strip: Strip

    def part(self, number: int) -> Strip:
        """One lead by itself."""
        begin, end = int(self.strip.begins[number]), int(self.strip.ends[number])
        at = slice(number, number + 1)
        return Strip(
            self.strip.samples[begin:end],
            np.zeros(1, dtype=np.int64),
            self.strip.origins[at],
            self.strip.at_first[at],
            self.strip.at_last[at],
            self.strip.variance,
            end - begin,
        )


def leads_of(record: Record, noise: NoiseFloor, pieces: list[Piece]) -> Leads | None:
    """The most telling pieces; of long ones several parts, since a drifting carrier blurs the whole."""
    parts: list[Piece] = []
    strongest = sorted(pieces, key=lambda p: -p.nats)[:_LEADS_AT_MOST]
    # a strong transmission is seen with frames much shorter than its symbols, and one that is cut ends within a symbol,
    # which a finer period explains better: the judge sees some times of what a period is searched in
    longest = max((p.frame for p in strongest), default=1)
    # and of one that stands out of the shortest frames by far symbols may have many of them
    strong = any(_is_strong(p) for p in strongest)
    times = _STRONG_TIMES if strong else _JUDGED_TIMES
    window = times * SYMBOLS_AT_MOST * longest
    for piece in strongest:
        length = piece.stop - piece.start
        count = min(_LEADS_AT_MOST, max(1, length // (2 * window)))
        if count == 1:
            parts.append(piece)
        else:
            middles = (piece.start + int((k + 0.5) * length / count) for k in range(count))
            parts.extend(_part(piece, middle, window) for middle in middles)
    parts.sort(key=lambda p: -p.nats)
    kept = parts[:_LEADS_AT_MOST]
    if not kept:
        return None
    in_time = sorted(kept, key=lambda p: p.start)
    conditioner = _conditioner(record, noise, kept)
    spans = [trimmed(p, longest, times * SYMBOLS_AT_MOST) for p in in_time]
    # where leads touch, one ends where the next begins
    stops = [min(stop, after[0]) for (_, stop), after in pairwise(spans)]
    bounds = [(max(0, a), b) for (a, _), b in zip(spans, [*stops, spans[-1][1]], strict=True)]
    whole = [
        (piece, bound) for piece, bound in zip(in_time, bounds, strict=True) if bound[1] - bound[0] >= 12
    ]
    if not whole:
        return None
    strip = conditioner.strip([bound for _, bound in whole])
    pieces_in = [piece for piece, _ in whole]
    if strip.begins.size != len(pieces_in):
        return None
    return _by_weight(Leads(tuple(pieces_in), strip))


def whole_pieces(record: Record, noise: NoiseFloor, pieces: list[Piece]) -> list[Floats]:
    """Samples of the pieces, as far as is looked at of one, if these are so long that leads are but small parts of them."""
    strongest = sorted(sorted(pieces, key=lambda p: -p.nats)[:_LEADS_AT_MOST], key=lambda p: p.start)
    if sum((p.stop - p.start) / p.frame for p in strongest) < _FRAMES_OF_LONG * len(strongest):
        return []
    spans = [(p.start, min(p.stop, p.start + _WHOLE)) for p in strongest]
    strip = _conditioner(record, noise, strongest).strip(spans)
    return [strip.samples[begin:end] for begin, end in zip(strip.begins, strip.ends, strict=True)]


def _conditioner(record: Record, noise: NoiseFloor, pieces: list[Piece]) -> Conditioner:
    centre = float(np.mean([centre_hz(p) for p in pieces]))
    frame = float(np.median([p.frame for p in pieces]))
    return Conditioner(record, noise, max(centre, record.rate_hz / 256.0), record.rate_hz / frame)


def _is_strong(piece: Piece) -> bool:
    """Whether a piece stands out of the shortest frames by so much that its symbols may have any length."""
    return piece.frame <= _SHORTEST_FRAME and piece.ratio > _STRONG_RATIO


def _part(piece: Piece, middle: int, length: int) -> Piece:
    return replace(piece, start=middle - length // 2, stop=middle + length // 2)


def _by_weight(leads: Leads) -> Leads:
    """The same with the most telling first."""
    order = sorted(range(len(leads.pieces)), key=lambda i: -leads.pieces[i].nats)
    strip = leads.strip
    ends = strip.ends
    samples = [strip.samples[strip.begins[i] : ends[i]] for i in order]
    begins = np.concatenate(([0], np.cumsum([s.size for s in samples])))[:-1]
    moved = replace(
        strip,
        samples=np.concatenate(samples),
        begins=begins.astype(np.int64),
        origins=strip.origins[order],
        at_first=strip.at_first[order],
        at_last=strip.at_last[order],
    )
    return Leads(tuple(leads.pieces[i] for i in order), moved)


def sources_of(leads: Leads) -> list[tuple[Piece, Strip]]:
    """What proposes models: the leads, and of those that may be several transmissions parts that are likely one.

    The parts come right after the first lead: how many frames a transmission has is not known.
    """
    out: list[tuple[Piece, Strip]] = []
    for number, piece in enumerate(leads.pieces):
        lead = leads.part(number)
        searched = SYMBOLS_AT_MOST * piece.frame * (_STRONG_TIMES if _is_strong(piece) else 1)
        whole = lead.size <= 1.5 * searched
        out.append((piece, lead) if whole else _busiest_part(piece, lead, searched))
        if number < _LEADS_CUT and lead.size and piece.stop - piece.start > _FRAMES_OF_SEVERAL * piece.frame:
            out.extend(_busiest_part(piece, lead, frames * piece.frame) for frames in _FRAMES_OF_ONE)
    return out


def _busiest_part(piece: Piece, lead: Strip, length: int) -> tuple[Piece, Strip]:
    """So many samples of a lead, where most energy is."""
    length = min(length, lead.size)
    sums = np.concatenate(([0.0], np.cumsum(lead.samples.astype(np.float64) ** 2)))
    first = int(np.argmax(sums[length:] - sums[: sums.size - length]))
    origin = int(lead.origins[0]) + first
    part = replace(
        lead, samples=lead.samples[first : first + length], size=length, origins=np.array([origin])
    )
    return replace(piece, start=origin, stop=origin + length), part


def energy_seen(leads: Leads) -> float:
    """Energy of the pieces, each as far as the strip holds it."""
    lengths = (leads.strip.ends - leads.strip.begins).tolist()
    parts = zip(leads.pieces, leads.strip.origins.tolist(), lengths, strict=True)
    held = (
        p.energy * max(0, min(p.stop, origin + length) - max(p.start, origin)) / (p.stop - p.start)
        for p, origin, length in parts
    )
    return max(1e-9, float(sum(held)))


def centre_hz(piece: Piece) -> float:
    return (piece.low_hz + piece.high_hz) / 2.0


def trimmed(piece: Piece, period: float, symbols: int) -> tuple[int, int]:
    """Start and stop of a piece with some margin, cut down to its middle if it is very long."""
    margin = int(2 * piece.frame + 2 * period)
    start, stop = piece.start - margin, piece.stop + margin
    most = int(symbols * period) + 2 * margin
    if stop - start > most:
        middle = (start + stop) // 2
        start, stop = middle - most // 2, middle + most // 2
    return max(0, start), stop
