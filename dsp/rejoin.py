"""Transmissions that leave no silence between them and go on from each other are one.

Smooth pulses are short here and there, and a load that comes on scales the signal: what stands on either side then
looks like two transmissions. Whether it is two is asked where they meet, over the symbols next to that place alone: one
carrier, phase and timing through both, each side with its own amplitude, against two of everything.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from dsp.bends import bend_alike, bent, told_by
from dsp.detect import LONG, WINDOW
from dsp.fits import Fits, Flags, Ints, join, scored
from dsp.on_off import own_nats
from dsp.one_clock import on_one_clock
from dsp.pauses import LONE_SHARE, LONE_SYMBOLS, paused_at
from dsp.runs import assemble
from dsp.settling import settle
from dsp.source import Floats

# symbols on either side of a place where two may be one, and silent ones between them, or that both cover
_BESIDE = WINDOW // 2
_SILENT, _SHARED = 3.5, 3.0
# the same of what was found beyond ends (`dsp.reach`), or may lie there: the room of a part, and what is looked at beyond
_UNSEEN = 9.5
# share of the power of symbols that what lies between short ones has at least if it was sent, too
_SENT = 0.25
# natural logarithm of the ratio of amplitudes that one fit to both holds for
_ALIKE = 0.25
# symbols within which amplitudes that differ go over into each other
_STEP = 8
# what is lost where two are followed as one must be less
_KEPT = 0.95


@dataclass(frozen=True, eq=False)
class _Items:
    """Transmissions in order of time: row ``row`` of ``fits`` where ``short``, else the windows of owner ``row``.

    ``head`` and ``tail`` are a fit to each one's first and last symbols.
    """

    fits: Fits
    windows: Fits
    owner: Ints
    short: Flags
    row: Ints
    head: Fits
    tail: Fits

    def part(self, number: int) -> Fits:
        """The fits that a transmission is made of."""
        row = self.row[number]
        return self.fits.take(np.array([row])) if self.short[number] else self.windows.take(self.owner == row)


def rejoined(
    fits: Fits,
    windows: Fits,
    owner: Ints,
    borders: Floats,
    *,
    follow: bool = True,
    bends: bool = False,
    far: bool = False,
    held: bool = False,
) -> tuple[Fits, Fits, Ints]:
    """The same in order of time, with those made one that go on from each other, none across ``borders`` (m,).

    ``windows`` and the ``owner`` of each are the windows of long transmissions; what is made one and is long, or has
    more than one amplitude, is followed through windows as well, or (``follow`` False) left as it is. With ``bends``
    their carrier may change steadily. ``far`` says that there may be symbols between them that were not looked at,
    ``held`` that their carrier is known: then it is that of what they make as well.
    """
    items = _items(fits, windows, owner)
    near = _neighbours(items, borders, far=far)
    gone = np.zeros(items.row.size, dtype=np.bool_)
    shorts: list[Fits] = []
    longs: list[Fits] = []
    if not near.size:
        return fits.take(np.argsort(fits.start, kind="stable")), windows, owner
    whole, good = _whole(items, near, bends=bends, held=held)
    for first, last in _chains(near, np.flatnonzero(good)):
        made, is_one = _made_one(
            items, first, last, whole.take((near >= first) & (near < last)), follow=follow, held=held
        )
        if made is not None:
            gone[first : last + 1] = True
            (shorts if is_one else longs).append(made)
    short = join([fits.take(items.row[items.short & ~gone]), *shorts])
    longs += [items.part(i) for i in np.flatnonzero(~gone & ~items.short).tolist()]
    longs.sort(key=lambda some: float(some.start[0]))
    number = np.repeat(np.arange(len(longs)), [len(some) for some in longs])
    short = short.take(np.argsort(short.start, kind="stable"))
    return short, join([windows.take(number[:0]), *longs]), number


def _items(fits: Fits, windows: Fits, owner: Ints) -> _Items:
    order = np.lexsort((windows.start, owner))
    windows, owner = windows.take(order), owner[order]
    numbers, at = np.unique(owner, return_index=True)
    head = join([fits, windows.take(at)])
    tail = join([fits, windows.take(np.append(at[1:], owner.size)[: at.size] - 1)])
    short = np.arange(len(head)) < len(fits)
    row = np.concatenate((np.arange(len(fits)), numbers))
    order = np.argsort(head.start, kind="stable")
    return _Items(fits, windows, owner, short[order], row[order], head.take(order), tail.take(order))


def _neighbours(items: _Items, borders: Floats, *, far: bool) -> Ints:
    """Numbers of those that the next one may go on from."""
    gap = (items.head.start[1:] - items.tail.stop[:-1]) / items.tail.period[:-1]
    middle = 0.5 * (items.head.start + items.tail.stop)
    same = np.diff(np.searchsorted(borders, middle, "right")) == 0
    long = ~items.short & far
    # what was looked for beyond the ends of two long ones (`dsp.reach`) both may have found
    most = np.where(long[1:] | long[:-1], _UNSEEN, _SILENT)
    if far:
        between = np.flatnonzero(same & (gap >= most) & (gap < _UNSEEN))
        most[between[_are_sent(items.tail.take(between), gap[between])]] = _UNSEEN
    shared = np.where(long[1:] & long[:-1], _UNSEEN, _SHARED)
    return np.flatnonzero(same & (gap < most) & (gap > -shared))


def _are_sent(tails: Fits, gap: Floats) -> Flags:
    """Whether so many symbols (b,) after each are mostly as strong as those before them."""
    after = replace(tails, start=tails.stop, count=np.rint(gap).astype(np.int64))
    power = np.abs(after.sums().z) ** 2 * after.normal() ** 2
    # that of noise is two on average
    mean = np.sum(power, axis=1, where=after.inside()) / np.maximum(after.count, 1) - 2.0
    return np.asarray(mean > _SENT * tails.gain**2)


def _whole(items: _Items, near: Ints, *, bends: bool, held: bool) -> tuple[Fits, Flags]:
    """For each of the neighbours the fit through the place where they meet, and whether they are one (near,)."""
    one, other = items.tail.take(near), items.head.take(near + 1)
    period = 0.5 * (one.period + other.period)
    before_count, after_count = (side.count.astype(np.float64) ** 3 for side in (one, other))
    # what both cover is the later one's
    shared = np.maximum(0, np.rint((one.stop - other.start) / period)).astype(np.int64)
    wide = _sides(one, other, shared, WINDOW)
    one, other = _sides(one, other, shared, _BESIDE)
    # the carrier as all of both tells it (its variance falls with the third power of the symbols): a slope of its own
    # would lean against a turn of the phase between them
    weight = before_count / (before_count + after_count)
    detune = weight * one.detune + (1.0 - weight) * other.detune
    one, other = (settle(side, hold_carrier=held, ends=False, width=0.06) for side in (one, other))
    # one straight line of phase and one row of edges, midway between what each says in its own middle
    apart = other.middle - one.middle
    silent = np.maximum(0, np.rint((other.start - one.stop) / period)).astype(np.int64)
    symbols = one.count + silent + other.count
    before, after = (side.phase + side.detune * (side.middle - side.centre) for side in (one, other))
    turn = after - before - detune * apart
    turn -= np.pi * np.rint(turn / np.pi)
    off = 0.5 * (other.start - (one.start + (one.count + silent) * period))
    both = replace(
        one,
        detune=detune,
        phase=before + turn * other.count / (one.count + other.count),
        centre=one.middle,
        amplitude=0.5 * (one.amplitude + other.amplitude),
        period=period,
        start=one.start + off,
        count=symbols,
        high=np.maximum(one.high, other.high),
    )
    both = settle(both, hold_carrier=True, ends=False, points=True)
    each = np.minimum(one.nats / one.count, other.nats / other.count)
    lone = np.where(silent < LONE_SYMBOLS, LONE_SHARE * each, 0.0)
    mine, yours = (replace(both, amplitude=side.amplitude) for side in (one, other))
    told, between = told_by(mine, yours, one.count, silent)
    # two that go on from each other are as likely as one but for what lies between them: their own fits may be less good
    two = np.maximum(_reached(one, first=False) + _reached(other, first=True), told - between)
    least = two - own_nats(each)
    good = told > least - lone
    rows = np.flatnonzero(~good)
    if bends and rows.size:
        both, good = _with_bends(both, good, rows, least, silent, one, other, wide)
    resting = np.flatnonzero(good & (silent > 0))
    good[resting] = paused_at(both.take(resting)) == 0.0
    return both, good


def _with_bends(
    both: Fits,
    good: Flags,
    rows: Ints,
    least: Floats,
    silent: Ints,
    one: Fits,
    other: Fits,
    wide: tuple[Fits, Fits],
) -> tuple[Fits, Flags]:
    """The same, with those ``rows`` one whose carrier changes steadily from one side to the other, and within them.

    That leaves more free than one carrier does, and so must be worth more: that nobody pauses for less than a symbol does
    not count.
    """
    one, other, wide_one, wide_other = (side.take(rows) for side in (one, other, *wide))
    curved, told = bent(both.take(rows), one, other, silent[rows])
    better = (told > least[rows]) & bend_alike(one, other, wide_one, wide_other)
    good = good.copy()
    good[rows] = better
    order = np.arange(len(both))
    order[rows[better]] = len(both) + np.flatnonzero(better)
    return join([both, curved]).take(order), good


def _sides(one: Fits, other: Fits, shared: Ints, most: int) -> tuple[Fits, Fits]:
    """At most so many symbols of each that are next to the place where they meet; what both cover is the later one's."""
    count = np.maximum(1, np.minimum(one.count - shared, most))
    start = one.start + np.maximum(one.count - shared - count, 0) * one.period
    return replace(one, start=start, count=count), replace(other, count=np.minimum(other.count, most))


def _reached(side: Fits, *, first: bool) -> Floats:
    """Log-likelihood of the symbols of one side, however many at the place where they meet are silent."""
    nats = np.where(side.inside(), side.symbol_nats(), 0.0)
    total = np.cumsum(nats[:, ::-1] if first else nats, axis=1)
    return np.asarray(total.max(axis=1))


def _chains(near: Ints, good: Ints) -> list[tuple[int, int]]:
    """First and last number of each row of transmissions of which every one goes on in the next."""
    one = near[good]
    rows = np.split(one, np.flatnonzero(np.diff(one) > 1) + 1)
    return [(int(row[0]), int(row[-1]) + 1) for row in rows if row.size]


def _made_one(
    items: _Items, first: int, last: int, whole: Fits, *, follow: bool, held: bool
) -> tuple[Fits | None, bool]:
    """One fit to several (True), or the windows through them (False); None if they cannot be followed."""
    numbers = range(first, last + 1)
    parts = [items.part(i) for i in numbers]
    told = sum(_nats(part, short=bool(items.short[i])) for i, part in zip(numbers, parts, strict=True))
    if items.short[first : last + 1].all():
        made = _one_fit(join(parts), whole, held=held)
        # what two of them cover counts once
        once = told * min(1.0, float(made.count[0]) / sum(int(part.count[0]) for part in parts))
        least = once - float(own_nats(made.nats / made.count)[0])
        if int(made.count[0]) <= LONG and made.nats[0] > least:
            return made, True
        # a carrier that is known is followed nowhere else, though the amplitude may change
        if held and _with_levels(made, join(parts)) < least:
            return None, False
    if not follow:
        return None, False
    meetings = [
        _across(one, other, whole.take(np.array([at]))) for at, (one, other) in enumerate(pairwise(parts))
    ]
    made = join([*meetings, *_beside(parts, meetings)])
    made = made.take(np.argsort(made.middle, kind="stable"))
    alone = np.zeros(len(made), dtype=np.int64)
    made = on_one_clock(made, alone)
    run = assemble(made, alone)
    return (made if len(run) and float(run.nats[0]) > _KEPT * told else None), False


def _beside(parts: list[Fits], meetings: list[Fits]) -> list[Fits]:
    """Windows of the parts, without what the fits through the places where they meet cover all of.

    So few symbols have a timing of their own that is worth less than that of the neighbours.
    """
    out = []
    for i, part in enumerate(parts):
        beside = meetings[max(0, i - 1) : i + 1]
        if len(part) > 1 or int(part.count[0]) > _BESIDE or any(len(one) > 1 for one in beside):
            out.append(_windows(part))
    return out


def _nats(part: Fits, *, short: bool) -> float:
    if short:
        return float(part.nats[0])
    run = assemble(part, np.zeros(len(part), dtype=np.int64))
    return float(run.nats[0]) if len(run) else 0.0


def _with_levels(made: Fits, parts: Fits) -> float:
    """Log-likelihood of one fit's symbols, each with the amplitude of the part that is next to it."""
    each = made.take(np.zeros(len(parts), dtype=np.int64))
    nats = replace(each, amplitude=parts.amplitude).symbol_nats()
    place = made.edges()[0, :-1] + 0.5 * made.period
    beyond = np.maximum(parts.start[:, None] - place, place - parts.stop[:, None])
    return float(nats[np.argmin(beyond, axis=0), np.arange(place.size)].sum())


def _one_fit(parts: Fits, meeting: Fits, *, held: bool) -> Fits:
    """All of the parts as one transmission, from the likeliest of the fits through the places where they meet."""
    best = meeting.take(np.array([int(np.argmax(meeting.nats))]))
    before = np.rint((best.start[0] - parts.start.min()) / best.period[0])
    count = np.rint((parts.stop.max() - parts.start.min()) / best.period[0])
    weight = parts.count / parts.count.sum()
    one = replace(
        best,
        start=best.start - before * best.period,
        count=np.array([int(count)]),
        amplitude=np.array([float(weight @ parts.amplitude)]),
        low=np.array([float(parts.low.min())]),
        high=np.array([float(parts.high.max())]),
    )
    return settle(one, hold_carrier=held and int(count) <= LONG, ends=False)


def _windows(fit: Fits) -> Fits:
    """A fit as half-overlapping windows; windows stay as they are."""
    count = int(fit.count[0])
    if count <= WINDOW or len(fit) > 1:
        return fit
    at = np.append(np.arange(0, count - WINDOW, WINDOW // 2), count - WINDOW)
    many = fit.take(np.zeros(at.size, dtype=np.int64))
    # each with what its own symbols tell
    return scored(replace(many, start=many.start + at * many.period, count=np.full(at.size, WINDOW)))


def _across(one: Fits, other: Fits, whole: Fits) -> Fits:
    """Windows where two meet: through both, or, where their amplitudes differ, one short one on either side."""
    strength = float(np.log(other.amplitude[0] / one.amplitude[-1]))
    if abs(strength) < _ALIKE:
        return whole
    count = int(whole.count[0])
    meet = int(np.clip(np.rint((other.start[0] - whole.start[0]) / whole.period[0]), 1, count - 1))
    sides = (
        (max(0, meet - _STEP), min(meet, _STEP), one.amplitude[-1]),
        (meet, min(_STEP, count - meet), other.amplitude[0]),
    )
    return join(
        [
            replace(
                whole,
                start=whole.start + at * whole.period,
                count=np.array([size]),
                amplitude=np.array([float(amplitude)]),
            )
            for at, size, amplitude in sides
        ]
    )
