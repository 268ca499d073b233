"""Where what one fit explains is two transmissions: the phase turns, or there is a pause, and nothing else tells."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dsp.correlate import Complexes, SymbolSums, cos_sin
from dsp.fits import Fits, Ints, groups_of, join
from dsp.on_off import OWN_NATS, own_nats
from dsp.parting import FEWEST
from dsp.runs import turned_symbols
from dsp.source import Floats

# standard deviation of normal deviates over the median of their sizes
_DEVIATION = 1.4826
# probability below which what is there is no noise
_CHANCE = 1e-4
# what a pause within strong symbols must say: it begins at one of some hundred, has one of some ten lengths, and what
# follows is in step by chance (``e^9`` is 8000); within weak ones noise alone says as much too often
_RESTS, _WEAK_GAIN = 9.0, 4.5
# relative deviation of a variance told so from one value (Rousseeuw and Croux 1993: an efficiency of 37 %)
_SCATTER = 2.33
# what a pause of less than so many symbols is less likely by, in symbols' nats
LONE_SHARE, LONE_SYMBOLS = 2.0, 1.5
# natural units by which a stretch within a transmission speaks against being sent, above which it may as well be a pause:
# it may begin at any of some hundred symbols, ``e^5`` being 150
_DOUBTED = 5.0


def sure_pieces(fits: Fits) -> Fits:
    """The same in as many rows as there are pieces that no pause parts, as far as their strength tells, in no order.

    Two transmissions in step by chance are told from one by nothing but the pause between them. Taken for one they seem to
    tell the carrier by eight times what either does, and tell what chance made of it; taken for two, one tells a little
    less than it could. Where its phase seems to jump none is cut: noise makes the most of such a place, and the carriers of
    both sides would lean against it.
    """
    pieces = [fits.take(fits.count == 0)]
    for rows in groups_of(fits.count):
        some = fits.take(rows)
        if not int(some.count.max()):
            continue
        nats = np.where(some.inside(), some.symbol_nats(), 0.0)
        lost, first, last = _falls(nats)
        cut = lost > _DOUBTED + _lone(nats.sum(axis=1) / np.maximum(some.count, 1), last - first)
        cut &= np.maximum(first + 1, some.count - last - 1) >= FEWEST
        ends, begins = np.where(cut, (first + 1, last + 1), some.count)
        after = replace(some, start=some.start + begins * some.period, count=some.count - begins)
        before = replace(some, count=ends)
        pieces += [before.take((ends == some.count) | (ends >= FEWEST)), after.take(after.count >= FEWEST)]
    out = join(pieces)
    return replace(out, phase=out.phase + out.detune * (out.middle - out.centre), centre=out.middle)


def paused_at(fits: Fits) -> Floats:
    """After how many symbols the middle of a pause lies that each fit (b,) reaches across; 0 where there is none."""
    at = np.zeros(len(fits))
    for rows in groups_of(fits.count):
        some = fits.take(rows)
        if int(some.count.max()):
            at[rows] = _paused(some, some.sums())
    return at


def parted_at(fits: Fits) -> Floats:
    """After how many symbols each fit (b,) is another transmission: its phase is another from there on, or the middle of
    a pause lies there; 0 where it is one."""
    at = np.zeros(len(fits))
    usual = float(np.median(fits.detune)) if len(fits) else 0.0
    for rows in groups_of(fits.count):
        some = fits.take(rows)
        if int(some.count.max()):
            sums = some.sums()
            turned = _turned(some, usual, sums.z * some.normal())
            at[rows] = np.where(turned > 0, turned, _paused(some, sums))
    return at


def _turned(fits: Fits, usual: float, y: Complexes) -> Ints:
    """After how many symbols ``y`` (b, k) each fit's phase is another from there on; 0 where one phase is likelier.

    The most that squares ``z`` of symbols make them likelier by is ``(sum |z| + |sum z|) / 4``, the phase free. The one
    phase has the carrier that was fitted to all, the two of them that or the ``usual`` one (radians a sample beyond the
    turned one), from which a fit to both leans.
    """
    edges, count = fits.edges(), fits.count[:, None]
    first = np.arange(FEWEST, edges.shape[1] - FEWEST)
    if not first.size:
        return np.zeros(len(fits), dtype=np.int64)
    upright = replace(fits, detune=np.full(len(fits), usual))
    square = np.where(fits.inside(), y * y, 0.0).astype(np.complex64)
    one, two = (_sums_turned(square, 2.0 * way.angles(edges)) for way in (fits, upright))
    whole = np.abs(one[:, -1:])
    parts = [np.abs(sums[:, first - 1]) + np.abs(sums[:, -1:] - sums[:, first - 1]) for sums in (one, two)]
    told = np.where(count - first >= FEWEST, 0.25 * (np.maximum(*parts) - whole), 0.0)
    best = np.argmax(told, axis=1)
    sure = told[np.arange(len(fits)), best] > own_nats(0.5 * fits.gain**2)
    return np.where(sure, first[best], 0)


def _sums_turned(values: Complexes, angles: Floats) -> Complexes:
    """Running sums of rows of ``values`` (b, k) turned back by ``angles`` (b, k) or (b, 1)."""
    cos, sin = cos_sin(angles)
    return np.cumsum(values * (cos - np.complex64(1j) * sin), axis=1)


def _paused(fits: Fits, sums: SymbolSums) -> Floats:
    """After how many symbols the middle of a pause lies that each fit reaches across; 0 where there is none.

    Another transmission after a pause may have the same timing and nearly the same phase; then one fit holds for both, and
    it is two if the symbols of the pause, whose ``sums`` these are, speak against the one by more than chance.
    """
    at = np.zeros(len(fits))
    nats = np.where(fits.inside(), fits.nats_between(fits.edges(), sums), 0.0)
    lost, first, last = _falls(nats)
    least = np.where(fits.gain < _WEAK_GAIN, OWN_NATS, _RESTS)
    rows = np.flatnonzero((lost > least) & (fits.count > 0))
    if not rows.size:
        return at
    some, far = fits.take(rows), int(fits.count[rows].max())
    angle = np.broadcast_to(some.angles(some.edges()), (rows.size, far))
    y, due, _ = turned_symbols(_some(sums, rows, far), angle, some.normal(), some.period[:, None])
    for number, i in enumerate(rows.tolist()):
        size = np.abs(y[number, : fits.count[i]])
        if last[i] - first[i] < LONE_SYMBOLS:
            # nobody pauses for a single one
            lost[i], first[i], last[i] = _with_one_beside(nats[i], int(last[i]))
        # of few samples or cycles a symbol, those of rectangles are unlike, too
        uneven = _unevenness(size - fits.gain[i] * np.abs(due[number, : size.size]))
        silent = size[first[i] + 1 : last[i] + 1]
        if _is_silent(silent) and lost[i] > least[i] * uneven:
            at[i] = 0.5 * (first[i] + last[i]) + 1.0
    return at


def _some(sums: SymbolSums, rows: Ints, count: int) -> SymbolSums:
    return SymbolSums(
        sums.z[rows, :count],
        sums.length[rows, :count],
        sums.double_re[rows, :count],
        sums.double_im[rows, :count],
    )


def _falls(nats: Floats) -> tuple[Floats, Ints, Ints]:
    """By how much the sum of rows of symbols' ``nats`` (b, k) falls and rises again, and (b,) after which symbols it begins
    to fall and to rise."""
    total = np.cumsum(nats, axis=1)
    highest = np.maximum.accumulate(total, axis=1)
    later = np.maximum.accumulate(total[:, ::-1], axis=1)[:, ::-1]
    lost = np.minimum(highest - total, later - total)
    row, last = np.arange(len(nats)), np.argmax(lost, axis=1)
    return lost[row, last], np.argmax(total >= highest[row, last][:, None], axis=1), last


def _with_one_beside(nats: Floats, at: int) -> tuple[float, int, int]:
    """The same as `_falls` of the symbol ``at`` that falls by itself and its neighbour, of ``nats`` (k,), that is less
    likely sent; since the sum falls and rises there, it has two."""
    first = at - 1 if nats[at - 1] < nats[at + 1] else at
    return -float(nats[first] + nats[first + 1]), first - 1, first + 1


def _lone(each: Floats, symbols: Ints) -> Floats:
    """What a pause of so many symbols (b,) is less likely by: nobody pauses for a single one."""
    return np.where(symbols < LONE_SYMBOLS, LONE_SHARE * each, 0.0)


def _is_silent(size: Floats) -> bool:
    """Whether symbols of such lengths (k,) may all be noise: those of smooth pulses, or of another rate, are short only."""
    from scipy.special import chdtrc

    return bool(chdtrc(2.0 * size.size, float(size @ size)) > _CHANCE)


def _unevenness(size: Floats) -> float:
    """By how much the lengths of symbols differ more than noise makes them: smooth pulses are short here and there, and
    say less of a pause."""
    off = float(np.median(np.abs(size - np.median(size))))
    # the variance as the median of so few tells it, less its own deviation
    return max(1.0, (_DEVIATION * off) ** 2 / (1.0 + _SCATTER / float(np.sqrt(size.size))))
