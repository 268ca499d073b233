"""Whether the reversals of messages tell how many symbols a carrier rests for between them."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from dsp.coast import NEAR, symbols_apart
from dsp.condition import Conditioner
from dsp.link import learn, spans_to_learn
from dsp.noise import NoiseFloor
from dsp.outcome import Link
from dsp.results import DecodeSettings
from dsp.segment import Piece
from dsp.source import Floats, Record
from dsp.strip import Spans
from dsp.thin import reversals_of

# share of the usual uncertainty of a reversal that none is surer than: carriers and samples round them alike
_LEAST = 0.5
# reversals of a message at least: noise makes two
_FEWEST = 4
# symbols that rest to either side of a message: its own may begin and end alike
_RESTING = 8


def are_counted(record: Record, noise: NoiseFloor, link: Link, messages: tuple[Piece, ...]) -> bool:
    """Whether in all transmissions that rest for long the instants of the reversals in ``messages`` leave no other number of
    symbols.

    Within messages they tell the period as a straight line does (weighted least squares, one slope for all messages).
    """
    spans, _ = spans_to_learn(record, list(messages), link.model)
    strip = Conditioner(record, noise, link.model.carrier_hz, record.rate_hz / link.period.value).strip(spans)
    learned = learn(record, strip, link.model, DecodeSettings(), np.zeros((0, 2)), merges=False)
    if not len(learned.runs):
        return False
    found = reversals_of(learned.runs)
    where = found.where + learned.strip.shift(found.where)
    for talker in link.talkers:
        runs = talker.runs
        starts = runs.starts + talker.strip.shift(runs.starts)
        for number in range(len(runs)):
            own = starts[int(runs.offset[number]) : int(runs.offset[number + 1])]
            inside = (where > own[0]) & (where < own[-1])
            if not _tell(where[inside], found.std[inside], own):
                return False
    return True


def _tell(where: Floats, std: Floats, starts: Floats) -> bool:
    """The same of reversals (f,) of one transmission whose symbols begin at ``starts`` (s,)."""
    edges = np.rint(np.interp(where, starts, np.arange(starts.size)))
    messages = np.split(np.arange(edges.size), 1 + np.flatnonzero(np.diff(edges) >= NEAR))
    messages = [of for of in messages if of.size >= _FEWEST]
    if len(messages) < 2:
        return True
    where, std, edges = (each[np.concatenate(messages)] for each in (where, std, edges))
    message = np.repeat(np.arange(len(messages)), [of.size for of in messages])
    weight = 1.0 / np.maximum(std, _LEAST * np.median(std)) ** 2
    total = np.bincount(message, weight)
    mean_at, mean_edge = (np.bincount(message, weight * each) / total for each in (where, edges))
    lever = edges - mean_edge[message]
    spread = float(np.sum(weight * lever**2))
    if spread <= 0.0:
        return False
    period = float(np.sum(weight * lever * (where - mean_at[message]))) / spread
    # errors as they are met, where they are more than noise makes them
    off = where - mean_at[message] - lever * period
    free = max(1, where.size - total.size - 1)
    scale = max(1.0, float(np.sum(weight * off**2)) / free)
    middle = np.rint(mean_edge)
    apart = np.diff(mean_at + (middle - mean_edge) * period)
    known = np.sqrt(scale * (1.0 / total[1:] + 1.0 / total[:-1]))
    whole = symbols_apart(apart, known, period, float(np.sqrt(scale / spread)))
    return whole is not None and bool(np.all(whole == np.diff(middle)))


def rests_of(link: Link) -> Spans:
    """Samples (n, 2) of the long rests of its transmissions, from edge to edge of symbols, but for some beside messages."""
    out = []
    for talker in link.talkers:
        runs = talker.runs
        shift = talker.strip.shift(0.5 * (runs.starts + runs.stops))
        starts, stops = runs.starts + shift, runs.stops + shift
        for a, b in pairwise(runs.offset.tolist()):
            flips = a + 1 + np.flatnonzero(np.diff(np.sign(runs.symbols[a:b].real)))
            messages = np.split(flips, 1 + np.flatnonzero(np.diff(flips) >= NEAR))
            messages = [of for of in messages if of.size >= _FEWEST]
            firsts = [a, *(int(of[-1]) + _RESTING for of in messages)]
            lasts = [*(int(of[0]) - _RESTING for of in messages), b]
            out += [
                (starts[i], stops[j - 1]) for i, j in zip(firsts, lasts, strict=True) if i < j and messages
            ]
    return np.array(out, dtype=np.float64).reshape(-1, 2)
