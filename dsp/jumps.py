"""Abrupt changes of the level: loads that are switched, square and saw waves, far larger than what is sent.

A jump spreads over all frequencies, so that no filter separates it from a transmission; but between two jumps the
level moves slowly. Its course there is fitted (least squares of a polynomial of few terms) and taken off, with the few
samples that an edge takes. A phase reversal is no jump: the level is the same before and after it.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from dsp.source import Floats, Record, Stretch

Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

# samples over which means before and after are compared: noise asks for many, short stays at a level for few
_LAGS = (1, 4)
# cells of four such lengths around a jump, most of which change by less than half as much: all but so many
_AROUND = 16
_RANK = 5
_STANDS_OUT = 2.0
# share of a change that must be left as a change of the level
_LASTS = 0.5
# samples next to a jump that tell nothing of the level, as the edge is no sharper than the probe lets it be
_EDGE = 2
# samples of a stay from which on its course is a line, a parabola, a cubic; and so many as tell a level at a jump
_TERMS = (128, 512, 2048)
_WINDOW = 1024
_LONGEST = 4 * _WINDOW
# stays that tell how fast the level follows a jump, and the share of the squares that is left if that is worth telling
_STAYS_FOR_LAG = 24
_WORTH = 0.8
# samples after a jump, the share of its height that is left there at most, and times what is left elsewhere
_NEAR = 32
_LEFT = 0.15
_LEFT_TIMES = 1.5
# times what is left of the record by which a jump is higher if it is worth taking off
_WORTH_TAKING = 2.0
# samples of a place in which jumps are looked for first, and how many places
_PLACE = 1 << 11
_PLACES = 16
# samples of the shortest stretch that has as many cells as a jump is held against
_SHORTEST = 4 * (_AROUND + 1) * max(_LAGS)
# jumps of a stretch: more would take longer than all the rest
_MOST = 1 << 14
# samples that are looked through at a time
_BLOCK = 1 << 19


@dataclass(frozen=True, eq=False)
class Stays:
    """The course of the level in stays between jumps: stay k (s,) covers samples ``edges[k]`` to ``edges[k + 1]``.

    Its level is ``terms[k]`` (5,) times 1, u, u^2, u^3 and ``exp(-n / lag)``, u running from -1 to 1 over it and n counted
    from its first sample. ``blanks`` (b,) are samples within edges, and ``values`` (b,) what is taken off them instead.
    """

    edges: Ints
    terms: Floats
    lag: float
    blanks: Ints
    values: Floats

    def take_off(self, values: Singles, start: int) -> None:
        """Subtract the level in place from samples (n,) of the record, the first of which is number ``start``."""
        low, high = max(start, int(self.edges[0])), min(start + values.size, int(self.edges[-1]))
        if high <= low:
            return
        mine = (self.blanks >= low) & (self.blanks < high)
        at = self.blanks[mine] - start
        left = values[at] - self.values[mine].astype(np.float32)
        first = int(np.searchsorted(self.edges, low, "right")) - 1
        last = int(np.searchsorted(self.edges, high, "left"))
        for k in range(first, last):
            begin, end = int(self.edges[k]), int(self.edges[k + 1])
            a, b = max(low, begin), min(high, end)
            n = np.arange(a - begin, b - begin)
            values[a - start : b - start] -= (_basis(n, end - begin, self.lag) @ self.terms[k]).astype(
                np.float32
            )
        values[at] = left


def _basis(n: Ints, length: int, lag: float) -> Floats:
    """What a level's course is made of (n, 5), at samples n of a stay of so many."""
    u = (2.0 * n - (length - 1)) / max(length, 1)
    slow = np.exp(-n / lag) if lag > 0.0 else np.zeros(n.size)
    return np.stack((np.ones(n.size), u, u * u, u**3, slow), axis=1)


def without_jumps(record: Record) -> Record:
    """The record less the level between jumps; as it was if there are none in some places spread over it."""
    if not any(_shows(record, stretch) for stretch in record.stretches):
        return record
    return record.less(_of_stretch(record, stretch) for stretch in record.stretches)


def _shows(record: Record, stretch: Stretch) -> bool:
    """Whether there are jumps in places spread over the stretch, none of which stands beside another."""
    place = min(_PLACE, len(stretch))
    if place < _SHORTEST:
        return False
    every = max(1, len(stretch) // _PLACE // _PLACES) * _PLACE
    starts = np.arange(stretch.first, stretch.last - place + 1, every)
    sums = _running_sums(np.stack([record.read_left(start, start + place) for start in starts.tolist()]))
    suspect = np.stack([_alone(_tops(sums, lag)[1]).any(axis=1) for lag in _LAGS]).any(axis=0)
    for start in starts[suspect].tolist():
        found = _of_stretch(record, Stretch(start, start + place, 0.0))
        # the first samples of a place tell too little of the level before
        if found is not None and np.any(np.minimum(found.edges - start, start + place - found.edges) > _NEAR):
            return True
    return False


def _alone(tops: Floats) -> Flags:
    """Cells (r, c) that stand out of all those around, but for the next ones."""
    from scipy.ndimage import maximum_filter1d

    half = _AROUND // 2
    padded = np.pad(tops, ((0, 0), (half + 1, half + 1)))
    # run[k] is the largest of padded cells k to k + half - 1, which are half + 1 before those of tops
    run = maximum_filter1d(padded, half, axis=1, mode="constant", origin=-(half // 2))
    count = tops.shape[1]
    beside = np.maximum(run[:, :count], run[:, half + 3 : half + 3 + count])
    return np.asarray(tops > _STANDS_OUT * beside)


def _running_sums(rows: Floats) -> Floats:
    """Sums (r, n + 1) of rows of samples (r, n) less their means."""
    sums = np.zeros((rows.shape[0], rows.shape[1] + 1))
    np.cumsum(rows - rows.mean(axis=1, keepdims=True), axis=1, out=sums[:, 1:])
    return sums


def jumps_in(values: Floats) -> Ints:
    """Samples (j,) from which on the level of values (n,) may be another one, in rising order."""
    if not values.size:
        return np.zeros(0, dtype=np.int64)
    sums = _running_sums(values[None, :])
    found = _changes(values, sums, _LAGS[0])
    for lag in _LAGS[1:]:
        more = _changes(values, sums, lag)
        if found.size:
            next_one = np.searchsorted(found, more)
            nearest = np.minimum(
                np.abs(more - found[np.maximum(next_one - 1, 0)]),
                np.abs(more - found[np.minimum(next_one, found.size - 1)]),
            )
            more = more[nearest > 2 * lag + 1]
        found = np.sort(np.concatenate((found, more)))
    return _lasting(values, sums[0], found)


def _tops(sums: Floats, lag: int) -> tuple[Floats, Floats]:
    """Changes (r, n) of the mean over so many samples, and the largest in each cell (r, c) of ``4 lag`` of them."""
    change = np.abs(sums[:, 2 * lag :] - 2.0 * sums[:, lag:-lag] + sums[:, : -2 * lag])
    count = change.shape[1] // (4 * lag)
    return change, change[:, : count * 4 * lag].reshape(-1, count, 4 * lag).max(axis=2)


def _changes(values: Floats, sums: Floats, lag: int) -> Ints:
    """Where the mean changes by far more than around, over so many samples; the sample of the steepest change."""
    change, tops = _tops(sums, lag)
    if tops.shape[1] < _AROUND:
        return np.zeros(0, dtype=np.int64)
    # it shows over twice the lag, so perhaps in two cells, and two may stand close: one of the lower cells around is
    # what it is held against
    around = sliding_window_view(np.pad(tops[0], _AROUND // 2), _AROUND + 1)
    beside = np.partition(around, -_RANK, axis=1)[:, -_RANK]
    highest = sliding_window_view(np.pad(tops[0], 1), 3).max(axis=1)
    out = []
    for number in np.flatnonzero((tops[0] > _STANDS_OUT * beside) & (tops[0] >= highest)).tolist():
        cell = change[0, number * 4 * lag : (number + 1) * 4 * lag]
        near = lag + number * 4 * lag + int(np.argmax(cell))
        low, high = max(1, near - lag), min(values.size, near + lag + 1)
        out.append(low + int(np.argmax(np.abs(np.diff(values[low - 1 : high])))))
    return np.unique(np.array(out, dtype=np.int64))


def _lasting(values: Floats, sums: Floats, edges: Ints) -> Ints:
    """Those of possible jumps at which the level, as straight lines on either side tell it, is another one."""
    while edges.size:
        bounds = np.concatenate(([0], edges, [values.size]))
        before = np.maximum(bounds[:-2], edges - _WINDOW)
        after = np.minimum(bounds[2:], edges + _WINDOW)
        near = np.maximum(1, np.minimum(8, np.minimum(edges - before, after - edges)))
        jump = (sums[edges + near] - 2.0 * sums[edges] + sums[edges - near]) / near
        spans = zip(before.tolist(), edges.tolist(), after.tolist(), strict=True)
        steps = np.array([_level_at(values[e:b], 0) - _level_at(values[a:e], -1) for a, e, b in spans])
        lasts = steps * np.sign(jump) > _LASTS * np.abs(jump)
        if lasts.all():
            break
        edges = edges[lasts]
    return edges


def _level_at(values: Floats, end: int) -> float:
    """The level at the first or last of values (n,), by a straight line through them."""
    mean = float(values.mean())
    if values.size < 4 * _EDGE:
        return mean
    u = np.linspace(-1.0, 1.0, values.size)
    slope = float(u @ values) / float(u @ u)
    return mean + slope * (1.0 if end else -1.0)


@dataclass(frozen=True, eq=False)
class _Stay:
    """Samples of a stay or, of a long one, those next to its ends, by number; and where it was read."""

    begin: int
    end: int
    n: Ints
    values: Floats

    def fitted(self, lag: float) -> tuple[Floats, float, int]:
        """Terms (5,), the squares they leave, and over how many samples."""
        length = self.end - self.begin
        order = int(np.searchsorted(_TERMS, length, "right")) if length <= _LONGEST else 1
        used = [*range(order + 1), *([4] if lag > 0.0 and length > 4 * _EDGE else [])]
        basis = _basis(self.n, length, lag)[:, used]
        found = np.linalg.lstsq(basis, self.values, rcond=None)[0]
        terms = np.zeros(5)
        terms[used] = found
        return terms, float(np.sum((self.values - basis @ found) ** 2)), self.n.size


def _of_stretch(record: Record, stretch: Stretch) -> Stays | None:
    edges: list[int] = []
    for start in range(stretch.first, stretch.last, _BLOCK):
        low, high = max(stretch.first, start - _PLACE), min(stretch.last, start + _BLOCK + _PLACE)
        found = jumps_in(record.read_left(low, high)) + low
        edges.extend(found[(found >= start) & (found < start + _BLOCK)].tolist())
        if len(edges) > _MOST:
            return None
    if not edges:
        return None
    told = False
    while edges:
        bounds = [stretch.first, *edges, stretch.last]
        stays = [_read(record, begin, end) for begin, end in pairwise(bounds)]
        lag = _shared_lag(stays) if told else 0.0
        terms = np.array([stay.fitted(lag)[0] for stay in stays])
        typical, near_jumps = _left(stays, terms, lag)
        heights = np.abs(_heights(stays, terms, lag))
        # what is lower than what else there is hides nothing
        worth = heights > _WORTH_TAKING * typical
        if worth.all() and told:
            break
        told = bool(worth.all())
        edges = np.array(edges)[worth].tolist()
    if not edges or near_jumps > max(_LEFT_TIMES * typical, _LEFT * float(np.sqrt(np.mean(heights**2)))):
        return None
    near = np.arange(-_EDGE, _EDGE)
    blanks = np.unique(np.array(edges)[:, None] + near)
    blanks = blanks[(blanks >= stretch.first) & (blanks < stretch.last)]
    values = np.concatenate(
        [record.read_left(max(stretch.first, e - _EDGE), min(stretch.last, e + _EDGE)) for e in edges]
    )
    at = np.concatenate(
        [np.arange(max(stretch.first, e - _EDGE), min(stretch.last, e + _EDGE)) for e in edges]
    )
    pick = np.unique(at, return_index=True)[1]
    return Stays(np.array(bounds, dtype=np.int64), terms, lag, blanks, values[pick])


def _read(record: Record, begin: int, end: int) -> _Stay:
    length = end - begin
    inner = _EDGE if length > 4 * _EDGE else 0
    if length <= _LONGEST:
        n = np.arange(inner, length - inner)
        return _Stay(begin, end, n, record.read_left(begin + inner, end - inner))
    n = np.concatenate((np.arange(inner, _WINDOW), np.arange(length - _WINDOW, length - inner)))
    ends = (record.read_left(begin + inner, begin + _WINDOW), record.read_left(end - _WINDOW, end - inner))
    return _Stay(begin, end, n, np.concatenate(ends))


def _shared_lag(stays: list[_Stay]) -> float:
    """Samples in which the level comes near its course after a jump, the same for all stays; 0 if at once."""
    from scipy.optimize import minimize_scalar

    some = stays[1:][:: max(1, len(stays) // _STAYS_FOR_LAG)]

    def left(log_lag: float) -> float:
        return sum(stay.fitted(float(np.exp(log_lag)))[1] for stay in some)

    plain = sum(stay.fitted(0.0)[1] for stay in some)
    longest = max(stay.end - stay.begin for stay in some)
    tried = np.log(np.geomspace(1.0, max(2.0, min(longest / 2.0, _WINDOW)), 16))
    squares = [left(lag) for lag in tried.tolist()]
    best = int(np.argmin(squares))
    bounds = (tried[max(0, best - 1)], tried[min(tried.size - 1, best + 1)])
    found = minimize_scalar(left, bounds=bounds, method="bounded", options={"xatol": 1e-3})
    return float(np.exp(found.x)) if float(found.fun) < _WORTH * plain else 0.0


def _left(stays: list[_Stay], terms: Floats, lag: float) -> tuple[float, float]:
    """Root mean squares of what the courses leave: of all, and of the samples next to the jumps."""
    near, everywhere = [], []
    for stay, own in zip(stays, terms, strict=True):
        left = stay.values - _basis(stay.n, stay.end - stay.begin, lag) @ own
        near.append(left[: max(1, min(_NEAR, left.size // 4))])
        everywhere.append(left)
    squares = [float(np.mean(np.concatenate(parts) ** 2)) for parts in (everywhere, near[1:])]
    return float(np.sqrt(squares[0])), float(np.sqrt(squares[1]))


def _heights(stays: list[_Stay], terms: Floats, lag: float) -> Floats:
    """By how much each stay begins above the end of the one before."""
    lengths = [stay.end - stay.begin for stay in stays]
    begins = np.array([_basis(np.array([0]), n, lag)[0] @ t for n, t in zip(lengths, terms, strict=True)])
    ends = np.array([_basis(np.array([n - 1]), n, lag)[0] @ t for n, t in zip(lengths, terms, strict=True)])
    return np.asarray(begins[1:] - ends[:-1])
