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
# natural units by which the whole must be likelier than its parts: as much as noise would gain by a transmission more
_LIKELIER = 12.0


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
    shortest = min(one.period.value, other.period.value)
    return abs(one.model.carrier_hz - other.model.carrier_hz) < _NEAR * rate_hz / shortest


def _given(loser: Contender, winner: Contender, taken: Spans) -> tuple[Contender | None, Contender]:
    """Both with what the ``winner`` explains better of the ``loser``'s, if any of that leaves no silence to another one."""
    held, other = spans_of_link(loser.link), spans_of_link(winner.link)
    if winner.again is None or loser.again is None:
        return loser, winner
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
    now = [again.link] if left is None else [left.link, again.link]
    if _told(now, noise) < _told([loser.link, winner.link], noise):
        return loser, winner
    return left, again


def _told(links: list[Link], noise: float) -> float:
    return sum(nats_in(talker.runs, noise) for link in links for talker in link.talkers)


def _are_broken(held: Spans, other: Spans, reach: float) -> bool:
    """Whether one of the spans ``held`` (n, 2) is nearer than ``reach`` to one of the ``other`` (m, 2) or to the next of its
    own."""
    both = np.concatenate((held, other))
    order = np.argsort(both[:, 0])
    near = both[order[1:], 0] - both[order[:-1], 1] < reach
    mine = order < len(held)
    return bool((near & (mine[1:] | mine[:-1])).any())


def _lost(held: Spans, loser: Link, winner: Link, again: Link, noise: float) -> Flags:
    """Which of the ``loser``'s spans (n, 2) lie within transmissions of the winner, found ``again``, that say more than what
    both had there, and are no more of them."""
    old, new = spans_of_link(winner), spans_of_link(again)
    mine, its, now = (_nats_each(link, noise) for link in (loser, winner, again))
    out = np.zeros(len(held), dtype=np.bool_)
    for k, span in enumerate(held):
        shared = _overlap(new, span)
        if shared.sum() < 0.5 * (span[1] - span[0]):
            continue
        # all that these took the place of, of either
        over = shared > 0.0
        reach = np.array([new[over, 0].min(), new[over, 1].max()])
        one, other = _overlap(held, reach) > 0.0, _overlap(old, reach) > 0.0
        fewer = np.count_nonzero(over) <= np.count_nonzero(one) + np.count_nonzero(other)
        out[k] = fewer and now[over].sum() > its[other].sum() + mine[one].sum() + _LIKELIER
    return out


def _overlap(spans: Spans, span: tuple[float, float] | Floats) -> Floats:
    """Samples that each of the spans (n, 2) shares with one."""
    return np.asarray(np.maximum(0.0, np.minimum(spans[:, 1], span[1]) - np.maximum(spans[:, 0], span[0])))


def _nats_each(link: Link, noise: float) -> Floats:
    """What each transmission tells in noise of this variance, in the order of `spans_of_link`."""
    each = [nats_in(t.runs.take(np.array([k])), noise) for t in link.talkers for k in range(len(t.runs))]
    return np.array(each)
