"""From a rough fit of transmissions to the maximum of the likelihood: timing, ends and carrier in turn."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from dsp.correlate import SymbolSums
from dsp.fits import (
    BESIDE,
    Fits,
    carry,
    in_groups,
    join,
    mean_start,
    reach,
    retime,
    scored,
    timing_nats,
)
from dsp.point_timing import likeliest_step
from dsp.points import REACH_SAMPLES, are_points, likeliest_start
from dsp.strong import STRONG_GAIN, are_strong, strong_timing

# symbols by which a first edge may be off for all signs to be right even so
_SIGNS_SURE = 0.15
# samples a symbol from which on its sign does not depend on where an edge falls among them
_MANY_SAMPLES = 24.0
# samples a symbol above which one of them on the wrong side of an edge changes no strong symbol's sign
_SIGNS_HOLD = 6.0


def settle(
    fits: Fits, *, hold_carrier: bool = False, ends: bool = True, width: float = 0.09, points: bool = False
) -> Fits:
    """Bring rough fits to the maximum of the likelihood, the period held.

    Start, ends, phase, amplitude and (unless held) carrier are improved in turn, the first edge within
    ``width`` symbols at first. ``ends`` False keeps the number of symbols; ``points`` tries every place among samples
    that are ideal points.
    """

    def work(rows: Fits) -> Fits:
        # the same sums show the symbols and, if they are strong, where these end
        around = rows.sums(BESIDE) if ends and are_strong(rows) else None
        inner = None if around is None else _inner(around)
        rows = carry(rows, hold_carrier=hold_carrier, rounds=3, sums=inner)
        fine = _finest(rows)
        strong = (rows.gain > STRONG_GAIN) & (rows.period > _MANY_SAMPLES) & (width < _SIGNS_SURE)
        if strong.all():
            return finished(_timed_strong(rows, width, fine, ends=ends, around=around))
        slow = finished(_timed(rows.take(~strong), width, fine, hold_carrier=hold_carrier, ends=ends))
        if not strong.any():
            return slow
        quick = finished(_timed_strong(rows.take(strong), width, fine, ends=ends))
        order = np.concatenate((np.flatnonzero(strong), np.flatnonzero(~strong)))
        return join([quick, slow]).take(np.argsort(order, kind="stable"))

    def finished(rows: Fits) -> Fits:
        around = rows.sums(BESIDE if ends else 0)
        inner: SymbolSums | None = _inner(around) if ends else around
        timed = rows = carry(rows, hold_carrier=hold_carrier, rounds=2, sums=inner)
        if ends:
            rows = reach(rows, sums=around)
        if points and are_points(rows.turned, rows.gain, rows.period):
            rows = _at_points(rows, ends=ends)
        if not _have_same_edges(rows, timed):
            inner = rows.sums()
        return scored(carry(rows, hold_carrier=hold_carrier, rounds=1, sums=inner), inner)

    return in_groups(fits, work)


def _inner(around: SymbolSums) -> SymbolSums:
    """Sums of the symbols alone, of those with more on either side."""
    cut = slice(BESIDE, -BESIDE)
    return SymbolSums(
        around.z[:, cut], around.length[:, cut], around.double_re[:, cut], around.double_im[:, cut]
    )


def _have_same_edges(one: Fits, other: Fits) -> bool:
    return np.array_equal(one.count, other.count) and np.array_equal(one.start, other.start)


def _finest(rows: Fits) -> float:
    """Symbols to within which timing is looked for: the likelihood falls by up to 2 g^2 for each that a flip is off."""
    gain = float(np.median(rows.gain))
    return max(0.02 / (1.0 + gain * gain), 0.15 / float(rows.period.max()))


def _timed(rows: Fits, width: float, fine: float, *, hold_carrier: bool, ends: bool) -> Fits:
    """Start, ends and carrier in turn, the first edge within ever less; the carrier is left as it was before the last."""
    turn = 0
    while True:
        rows = retime(rows, np.maximum(width * rows.period, 0.3))
        if ends and turn < 2:
            rows = reach(rows)
        if width < 2.0 * fine:
            return rows
        rows = carry(rows, hold_carrier=hold_carrier, rounds=2)
        width /= 2.5
        turn += 1
        if (turn == 2 or not ends) and are_strong(rows):
            return _retimed_strong(rows, width, fine)


def _timed_strong(
    rows: Fits, width: float, fine: float, *, ends: bool, around: SymbolSums | None = None
) -> Fits:
    """The same where symbols are in no doubt and long, so that their signs need not be told anew at each step.

    ``around`` are the sums of the symbols with more on either side, where they are known already.
    """
    if ends:
        rows = reach(rows, sums=around)
    return _retimed_strong(rows, width, fine)


def _retimed_strong(fits: Fits, reached: float, fine: float) -> Fits:
    """`retime` to within ever less, the symbols being in no doubt, and so phase and carrier as they are."""
    timing = strong_timing(fits)
    while True:
        width = np.maximum(reached * fits.period, 0.3)
        fits = mean_start(fits, width, 2, timing.of_starts)
        # within half a sample the sum runs straight
        if reached < 2.0 * fine or float(width.max()) < 0.5:
            return fits
        reached /= 2.5


def _at_points(fits: Fits, *, ends: bool) -> Fits:
    """The likeliest first edge among sample points, with a symbol more at either end where that is then likelier.

    An edge that lies on the wrong side of a sample costs the symbol beside it so much that it looks like silence.
    """

    def timed(rows: Fits) -> Fits:
        if are_strong(rows) and float(rows.period.min()) > _SIGNS_HOLD:
            return scored(replace(rows, start=likeliest_step(rows, REACH_SAMPLES)))
        most = int(rows.count.max(initial=0))
        return scored(
            replace(rows, start=likeliest_start(rows.start, rows.period, most, partial(timing_nats, rows)))
        )

    best = timed(fits)
    rows = np.arange(len(fits))
    for before in (1, 0) if ends else ():
        more = timed(replace(best, start=best.start - before * best.period, count=best.count + 1))
        inside = (more.start > more.low - 0.6 * more.period) & (more.stop < more.high + 0.6 * more.period)
        best = join([best, more]).take(np.where((more.nats > best.nats) & inside, rows + len(fits), rows))
    return best
