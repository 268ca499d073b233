"""Which cuts of the active symbols into transmissions are right: each part is fitted, and each whole.

Lengths alone cannot tell: smooth pulses are short wherever the phase turns at every symbol, weak symbols look
like silence, and a short silence between weak transmissions does not stand out. A whole is kept if one carrier,
phase and timing explain it as well as its parts do with theirs: of all ways to join neighbouring parts the
likeliest is taken (dynamic programming).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.coast import coasted, tells_time, tracked
from dsp.detect import LONG, PHASES, Grid, Parts, acquire, picked_energy, windows_of
from dsp.fits import Fits, Flags, Ints, carry, in_groups, join, scored
from dsp.on_off import own_nats
from dsp.one_clock import on_one_clock
from dsp.parting import FEWEST
from dsp.pauses import LONE_SHARE, LONE_SYMBOLS, parted_at, paused_at
from dsp.runs import assemble, breaks
from dsp.settling import settle
from dsp.source import Floats

# parts with at least so many silent symbols between them are not tried as one; of weak ones more look silent
_APART = 6
_APART_WEAK = 14
_WEAK = 2.15
# and no more of them than so many
_TOGETHER = 6
# samples a symbol below which timing may settle half a symbol off
_FEW_SAMPLES = 8.0
# share of its likelihood that half a symbol later, fitted roughly, must be left to be tried
_HALF_HOPEFUL = 0.5
# share of the likelihood asked for that a rough fit may reach at the most; of 2700 transmissions drawn at 3 to 14 dB that
# got there, none had less than all of it
_HOPEFUL = 0.9
# so few symbols that those missing to be a transmission would have been seen beside them, being as long
_TOO_FEW, _SEEN_GAIN = FEWEST - 2, 3.0
# times that a part is cut: of several short transmissions that follow closely one is parted from the others at a time
_CUTS = 3
# symbols on either side of the middles of two windows between which a break is looked for
_SEARCH = 12


@dataclass(frozen=True, eq=False)
class Candidates:
    """Transmissions that one fit covers, and the windows of longer ones with the number of each's transmission."""

    fits: Fits
    windows: Fits
    owner: Ints

    def extent(self) -> tuple[Floats, Floats]:
        """Starts and stops of all that is covered."""
        return (
            np.concatenate((self.fits.start, self.windows.start)),
            np.concatenate((self.fits.stop, self.windows.stop)),
        )


def settle_parts(
    grid: Grid,
    parts: Parts,
    accept: float,
    *,
    again: int = _CUTS,
) -> Candidates:
    """Fit the parts and what they may be parts of, and keep the better reading of each group.

    ``accept`` is the log-likelihood ratio against silence that a transmission must reach. A long part that is no
    single transmission is cut where its timing or phase breaks off, and looked at ``again`` so many times.
    """
    known = parts.column is not None
    first, last = _joins(parts, _APART_WEAK if grid.weakest < _WEAK and not known else _APART)
    everything = Parts(
        parts.first[first], parts.last[last], parts.low[first], parts.high[last], _of(parts.column, first)
    )
    long = everything.last - everything.first > LONG
    short_rows, long_rows = np.flatnonzero(~long), np.flatnonzero(long)
    fits = acquire(grid, _some(everything, short_rows))
    # what cannot get there is not fitted: mostly a few loud symbols of noise
    hopeful = (fits.nats > _HOPEFUL * accept) & ((fits.count > _TOO_FEW) | (fits.gain < _SEEN_GAIN))
    short_rows, fits = short_rows[hopeful], fits.take(hopeful)
    fits = settle(fits, hold_carrier=known, points=grid.points)
    if grid.period < _FEW_SAMPLES:
        fits = _better_by_half(grid, fits, hold_carrier=known)
    cut, owner = windows_of(_some(everything, long_rows), grid)
    windows = acquire(grid, cut)
    if len(windows):
        told = tells_time(windows)
        windows = settle(tracked(windows, owner, told), ends=False, width=0.12)
        windows = on_one_clock(coasted(windows, owner, told), owner)
    nats, start, stop = (np.zeros(len(everything)) for _ in range(3))
    nats[short_rows] = np.where(fits.count >= FEWEST, fits.nats, 0.0)
    start[short_rows], stop[short_rows] = fits.start, fits.stop
    for number, row in enumerate(long_rows.tolist()):
        run = assemble(windows.take(owner == number), owner[owner == number])
        if len(run):
            nats[row], start[row], stop[row] = run.nats[0], run.first[0], run.last[0]
    nats[nats < accept] = 0.0
    broken: list[tuple[int, Parts]] = []
    at = np.zeros(len(fits))
    if again and not known:
        at[:] = parted_at(fits)
    # what is left of parts together when one of them goes is not one either
    nats[short_rows[(at > 0.0) & (short_rows >= len(parts))]] = 0.0
    for i in np.flatnonzero((at > 0.0) & (short_rows < len(parts))).tolist():
        row = int(short_rows[i])
        wall = float(fits.start[i] + at[i] * fits.period[i])
        whole = _some(parts, np.array([row]))
        pieces = _cut_at_wall(grid, whole, wall)
        if pieces is not whole:
            broken.append((row, pieces))
    for number, row in enumerate(long_rows.tolist()):
        if again and row < len(parts):
            one, own = _some(parts, long_rows[number : number + 1]), windows.take(owner == number)
            if nats[row] > 0.0:
                pieces = _cut_at(grid, parts, row, start[row], stop[row])
                pieces = pieces if len(pieces) > 1 else _cut_at_pause(grid, one, own)
            else:
                pieces = _pieces(grid, one, own)
            if len(pieces) > 1:
                broken.append((row, pieces))
    keep = _likeliest(nats, first, last, start, stop, grid.period, len(parts))
    # what is to be cut stands against wholes it is part of as it is: its pieces are worth no less
    keep[[row for row, _ in broken]] = False
    picked = np.flatnonzero(keep[long_rows])
    mine = np.isin(owner, picked)
    kept = Candidates(fits.take(keep[short_rows]), windows.take(mine), np.searchsorted(picked, owner[mine]))
    # what a whole that is kept covers is not looked for once more
    held = np.zeros(len(parts), dtype=np.bool_)
    for i in np.flatnonzero(keep).tolist():
        held[first[i] : last[i] + 1] = True
    left = [pieces for row, pieces in broken if not held[row]]
    if not left:
        return kept
    other = settle_parts(grid, _joined(left), accept, again=again - 1)
    return Candidates(
        join([kept.fits, other.fits]),
        join([kept.windows, other.windows]),
        np.concatenate((kept.owner, other.owner + int(kept.owner.max(initial=-1)) + 1)),
    )


def _better_by_half(grid: Grid, fits: Fits, *, hold_carrier: bool) -> Fits:
    """Each transmission as it is, or half a symbol later where that is likelier.

    Of few samples a symbol, those of one may collect nearly as much energy where they lie across its edges.
    """
    later = replace(fits, start=fits.start + 0.5 * fits.period)
    # half a symbol off the right timing every reversal falls amid a symbol, and next to nothing is left
    rough = in_groups(later, lambda some: scored(carry(some, hold_carrier=hold_carrier, rounds=2)))
    tried = np.flatnonzero(rough.nats > _HALF_HOPEFUL * fits.nats)
    later = settle(later.take(tried), hold_carrier=hold_carrier, points=grid.points)
    rows = np.arange(len(fits))
    rows[tried] = np.where(later.nats > fits.nats[tried], len(fits) + np.arange(tried.size), tried)
    return join([fits, later]).take(rows)


def retimed(fits: Fits, some: Flags) -> Fits:
    """The same, ``some`` (b,) of them with the likeliest of timings all over a symbol.

    Of few symbols that are no rectangles, those that lie across the edges may have more energy than those that do not.
    """
    rows = np.flatnonzero(some)
    if not rows.size:
        return fits
    places = np.arange(1 - PHASES // 2, PHASES // 2 + 1) / PHASES
    many = fits.take(np.repeat(rows, PHASES))
    many = settle(replace(many, start=many.start + np.tile(places, rows.size) * many.period))
    best = many.nats.reshape(-1, PHASES).argmax(axis=1) + PHASES * np.arange(rows.size)
    order = np.arange(len(fits))
    order[rows] = len(fits) + np.where(
        many.nats[best] > fits.nats[rows], np.arange(rows.size), rows - len(fits)
    )
    return join([fits, many.take(best)]).take(order)


def _joined(parts: list[Parts]) -> Parts:
    return Parts(*(np.concatenate([getattr(p, n) for p in parts]) for n in ("first", "last", "low", "high")))


def _pieces(grid: Grid, part: Parts, windows: Fits) -> Parts:
    """A part cut between windows that do not go on from each other, where least energy is."""
    energy = picked_energy(grid)
    middle = (windows.middle - grid.begin) / grid.period
    a, b = int(part.first[0]), int(part.last[0])
    cuts = [a]
    for i in np.flatnonzero(breaks(windows)).tolist():
        low, high = max(cuts[-1] + 2, int(middle[i]) - _SEARCH), min(b - 2, int(middle[i + 1]) + _SEARCH)
        if high - low > 3:
            smooth = np.convolve(energy[low:high], np.ones(3), "valid")
            cuts.append(low + 1 + int(np.argmin(smooth)))
    return _between_cuts(grid, part, [*cuts, b])


def _cut_at_pause(grid: Grid, part: Parts, windows: Fits) -> Parts:
    """A part cut at the first pause that windows on one clock reach across."""
    paused = windows.take(paused_at(windows) > 0.0)
    if not len(paused):
        return part
    # of few samples a symbol, one on the wrong side of either edge makes each of a row of reversals look like silence
    paused = settle(paused, hold_carrier=True, ends=False, points=True)
    at = paused_at(paused)
    for i in np.flatnonzero(at)[:1].tolist():
        return _cut_at_wall(grid, part, float(paused.start[i] + at[i] * paused.period[i]))
    return part


def _cut_at(grid: Grid, parts: Parts, row: int, start: float, stop: float) -> Parts:
    """A part cut where what was found in it starts and stops, if enough is left over for another transmission."""
    a, b = int(parts.first[row]), int(parts.last[row])
    first, last = (round((place - grid.begin) / grid.period) for place in (start, stop))
    cuts = [a, *(c for c in (first, last) if min(c - a, b - c) >= FEWEST), b]
    return _between_cuts(grid, _some(parts, np.array([row])), cuts)


def _cut_at_wall(grid: Grid, part: Parts, wall: float) -> Parts:
    """A part cut at a place that neither piece may reach over, without what is not enough for a transmission; the part
    itself if neither is."""
    place = round((wall - grid.begin) / grid.period)
    a, b = int(part.first[0]), int(part.last[0])
    cut = _between_cuts(grid, part, [a, place, b])
    # neighbours in another phase look like symbols in part
    cut = replace(cut, low=np.array([cut.low[0], wall]), high=np.array([wall, cut.high[1]]))
    enough = np.array([place - a, b - place]) >= FEWEST - 1
    return _some(cut, np.flatnonzero(enough)) if enough.any() else part


def _between_cuts(grid: Grid, part: Parts, cuts: list[int]) -> Parts:
    first, last = np.array(cuts[:-1]), np.array(cuts[1:])
    low_at = np.maximum(part.low[0], grid.begin + (first - 2.0) * grid.period)
    high_at = np.minimum(part.high[0], grid.begin + (last + 3.0) * grid.period)
    return Parts(first, last, low_at, high_at)


def _some(parts: Parts, rows: Ints) -> Parts:
    return Parts(
        parts.first[rows], parts.last[rows], parts.low[rows], parts.high[rows], _of(parts.column, rows)
    )


def _of(column: Ints | None, rows: Ints) -> Ints | None:
    return None if column is None else column[rows]


def _joins(parts: Parts, distance: int) -> tuple[Ints, Ints]:
    """First and last part of every way to take neighbouring parts as one, each by itself first.

    Of a longer row of parts that follow each other closely there is the whole row, too.
    """
    # where the room of one ends before that of the next begins, there is a border
    apart = (parts.first[1:] - parts.last[:-1] >= distance) | (parts.high[:-1] <= parts.low[1:])
    group = np.concatenate(([0], np.cumsum(apart)))[: len(parts)]
    one = np.arange(len(parts))
    first, last = [one], [one]
    for more in range(1, _TOGETHER):
        same = np.flatnonzero(group[:-more] == group[more:]) if len(parts) > more else one[:0]
        first.append(same)
        last.append(same + more)
    begins = np.searchsorted(group, np.arange(int(group[-1]) + 1 if len(parts) else 0))
    ends = np.concatenate((begins[1:], [len(parts)])) - 1
    wide = ends - begins >= _TOGETHER
    return np.concatenate((*first, begins[wide])), np.concatenate((*last, ends[wide]))


def _likeliest(
    nats: Floats, first: Ints, last: Ints, start: Floats, stop: Floats, period: float, count: int
) -> Flags:
    """Which candidates to keep so that no part is in two and the most is explained.

    What two neighbours both claim counts once.
    """
    keep = np.zeros(nats.size, dtype=np.bool_)
    # the mean of a symbol's nats is close to half its squared length
    each = nats * period / np.maximum(stop - start, period)
    own = own_nats(each)
    useful = np.flatnonzero(nats > own)
    if np.array_equal(np.unique(first[useful]), first[useful]) and (first[useful] == last[useful]).all():
        keep[useful] = True
        return keep
    by_last: dict[int, list[int]] = {}
    for i in useful.tolist():
        by_last.setdefault(int(last[i]), []).append(i)
    best = [0.0] * (count + 1)
    choice = [-1] * (count + 1)
    # the last transmission of the best reading up to each part
    latest = [-1] * (count + 1)
    for part in range(count):
        best[part + 1], latest[part + 1] = best[part], latest[part]
        for i in by_last.get(part, ()):
            before = latest[int(first[i])]
            shared = float(stop[before] - start[i]) if before >= 0 else 0.0
            # nobody pauses for a single symbol: a short one is likelier, and short ones of smooth pulses come in pairs
            lone = LONE_SHARE * each[i] if before >= 0 and shared > -LONE_SYMBOLS * period else 0.0
            told = float(nats[i]) * (1.0 - max(0.0, shared) / float(stop[i] - start[i])) - own[i] - lone
            value = best[int(first[i])] + told
            if value > best[part + 1]:
                best[part + 1], choice[part + 1], latest[part + 1] = value, i, i
    at = count
    while at > 0:
        i = choice[at]
        if i < 0:
            at -= 1
        else:
            keep[i] = True
            at = int(first[i])
    return keep
