"""Transmissions of which two links hold a part each: who explains the whole better has all of it.

Links are found one after the other. The first one takes what it explains, and that may be a part of a transmission whose
carrier and clock are little different: a part short enough for its edges to agree. What remains of it is the second's.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.outcome import Contender, Link, spans_of_link
from dsp.runs import nats_in
from dsp.strip import Spans

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

# symbols between the parts that two links hold of one transmission, at most: their ends are where either broke off
_TOUCHING = 2.0
# symbol rates between carriers of which one explains nothing of the other's
_NEAR = 0.5
# and parts of a symbol and of a cycle by which clocks and carriers that are the same come apart over a transmission
_SAME_SYMBOLS, _SAME_CYCLES = 0.1, 0.25
# natural units by which another one must explain a transmission better: as much as noise would gain by one more
_LIKELIER = 12.0
# and what one costs beyond that: where it begins and ends, its carrier, phase and amplitude are its own
_COST = 24.0


def settled(contenders: list[Contender], covered: Spans, rate_hz: float) -> list[Contender]:
    """The same with transmissions that two of them share given to who explains all of it better.

    ``covered`` (n, 2) are samples that are neither's. Who loses all that it had is none of them.
    """
    out: list[Contender | None] = list(contenders)
    for first in range(len(out)):
        for second in range(first + 1, len(out)):
            # who came first took what it could
            for loses, wins in ((first, second), (second, first)):
                loser, winner = out[loses], out[wins]
                if loser is None or winner is None or not _near(loser.link, winner.link, rate_hz):
                    continue
                others = [c for k, c in enumerate(out) if c is not None and k not in (first, second)]
                taken = np.concatenate((covered, *(spans_of_link(c.link) for c in others)))
                out[loses], out[wins] = _given(loser, winner, taken)
    return [one for one in out if one is not None]


def _near(one: Link, other: Link, rate_hz: float) -> bool:
    """Whether one may hold parts of the other's transmissions: near it in frequency, and not the same, found in two goes."""
    apart_hz = abs(one.model.carrier_hz - other.model.carrier_hz)
    shortest = min(one.period.value, other.period.value)
    symbols = max(int(talker.runs.count.max()) for link in (one, other) for talker in link.talkers)
    slip = abs(one.period.value - other.period.value) / shortest * symbols
    are_same = slip < _SAME_SYMBOLS and apart_hz * shortest / rate_hz * symbols < _SAME_CYCLES
    return apart_hz < _NEAR * rate_hz / shortest and not are_same


def _given(loser: Contender, winner: Contender, taken: Spans) -> tuple[Contender | None, Contender]:
    """Both with what the ``winner`` explains better of the ``loser``'s, if any of that leaves no silence to another one."""
    held, other = spans_of_link(loser.link), spans_of_link(winner.link)
    if not _are_broken(held, other, _TOUCHING * loser.link.period.value):
        return loser, winner
    again = winner.again(taken)
    if again is None:
        return loser, winner
    noise = min(talker.runs.variance for link in (loser.link, winner.link) for talker in link.talkers)
    lost = _lost(held, loser.link, winner.link, again.link, noise)
    if not lost.any():
        return loser, winner
    again = winner.again(np.concatenate((taken, held[~lost])))
    if again is None:
        return loser, winner
    left = loser.again(np.concatenate((taken, spans_of_link(again.link))))
    now = [again.link]
    if left is not None:
        # what its model, learned without the winner's, has no part in any more
        again = again.again(np.concatenate((taken, spans_of_link(left.link)))) or again
        now = [left.link, again.link]
    before, after = (_told(*_of_links(links, noise)) for links in ([loser.link, winner.link], now))
    return (left, again) if after > before else (loser, winner)


def _are_broken(held: Spans, other: Spans, reach: float) -> bool:
    """Whether one of the spans ``held`` (n, 2) is nearer than ``reach`` to one of the ``other`` (m, 2) or to the next of its
    own."""
    both = np.concatenate((held, other))
    order = np.argsort(both[:, 0])
    start, stop = both[order].T
    mine = order < len(held)
    before_mine = np.maximum.accumulate(stop)[:-1]
    before_other = np.maximum.accumulate(np.where(mine, stop, -np.inf))[:-1]
    return bool((start[1:] - np.where(mine[1:], before_mine, before_other) < reach).any())


def _lost(held: Spans, loser: Link, winner: Link, again: Link, noise: float) -> Flags:
    """Which of the ``loser``'s spans (n, 2) lie within transmissions of the winner, found ``again``, that say more than what
    both had there."""
    old, before = _of_links([loser, winner], noise)
    new, now = _of_links([again], noise)
    out = np.zeros(len(held), dtype=np.bool_)
    for k, span in enumerate(held):
        shared = _overlap(new, span)
        if shared.sum() < 0.5 * (span[1] - span[0]):
            continue
        # all that these took the place of, of either
        over = shared > 0.0
        replaced = _overlap(old, np.array([new[over, 0].min(), new[over, 1].max()])) > 0.0
        out[k] = _told(new[over], now[over]) > _told(old[replaced], before[replaced]) + _LIKELIER
    return out


def _of_links(links: list[Link], noise: float) -> tuple[Spans, Floats]:
    """Samples (n, 2) that the transmissions of links cover, and what each tells (n,) in noise of this variance."""
    talkers = [talker for link in links for talker in link.talkers]
    nats = [nats_in(t.runs.take(np.array([k])), noise) for t in talkers for k in range(len(t.runs))]
    return np.concatenate([spans_of_link(link) for link in links]), np.array(nats)


def _told(spans: Spans, nats: Floats) -> float:
    """What transmissions tell together, if what two of them share counts once, less what each costs."""
    order = np.argsort(spans[:, 0])
    start, stop = spans[order].T
    reached = np.concatenate(([-np.inf], np.maximum.accumulate(stop)[:-1]))
    alone = np.maximum(0.0, stop - np.maximum(start, reached)) / (stop - start)
    return float(alone @ nats[order]) - _COST * len(spans)


def _overlap(spans: Spans, span: Floats) -> Floats:
    """Samples that each of the spans (n, 2) shares with one (2,)."""
    return np.asarray(np.maximum(0.0, np.minimum(spans[:, 1], span[1]) - np.maximum(spans[:, 0], span[0])))
