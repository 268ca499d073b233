"""All transmissions of a link over a whole record, some at a time, so that any length fits into memory."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from dsp.condition import Conditioner
from dsp.extract import Found, Model, extract, going_on
from dsp.fits import Fits, Flags
from dsp.halves import in_halves
from dsp.period import Period, compact
from dsp.shared_period import of_shared_clock, shared_period
from dsp.source import Floats, Watch
from dsp.strip import Spans, Strip
from dsp.talkers import Talker, believable, talkers_of

# transmissions over which the symbol period is pooled
_BURSTS_FOR_PERIOD = 110
# samples that are worked on at a time, at least and at most
_LOT_LEAST = 1 << 20
_LOT_MOST = 1 << 21
# symbols by which neighbouring lots overlap: what is longer and cut by both is looked at in one piece
_OVERLAP_SYMBOLS = 160.0
# symbols from the end of a lot within which something is cut off by it
_CUT_SYMBOLS = 3.0


@dataclass(frozen=True)
class _Lot:
    """Spans of the record; transmissions whose middle lies in ``[low, high)`` are this lot's."""

    spans: tuple[tuple[int, int], ...]
    low: float
    high: float

    def with_next(self, other: _Lot) -> _Lot:
        """Both in one; where they overlap, their spans are joined."""
        spans = list(self.spans)
        for start, stop in other.spans:
            if start <= spans[-1][1]:
                spans[-1] = (spans[-1][0], max(stop, spans[-1][1]))
            else:
                spans.append((start, stop))
        return _Lot(tuple(spans), self.low, other.high)


@dataclass(frozen=True, eq=False)
class _Done:
    """What a lot gave, with its ``best`` fits by themselves; ``cut`` tells that a transmission goes on beyond its end.

    ``mixed`` tells that some had clocks of their own, whose fits are left out.
    """

    talkers: tuple[Talker, ...]
    best: Fits | None
    cut: bool
    mixed: bool


@dataclass(frozen=True, eq=False)
class Everything:
    """All talkers of a link, and the ``best`` of the transmissions that share one clock; ``mixed`` if others do not."""

    talkers: list[Talker]
    best: Fits | None
    mixed: bool

    def period(self, known: Period) -> Period:
        """The symbol period as they show it."""
        return known if self.best is None else shared_period(self.best, known, mixed=self.mixed)


def everywhere(
    conditioner: Conditioner,
    spans: list[tuple[int, int]],
    variance: float,
    model: Model,
    covered: Spans,
    watch: Watch,
) -> Everything:
    """All talkers of a link over all spans."""
    lots = list(_lots(spans, int(_OVERLAP_SYMBOLS * model.period)))
    omega = 2.0 * np.pi * model.carrier_hz / conditioner.record.rate_hz
    quota = -(-_BURSTS_FOR_PERIOD // max(1, len(lots)))

    def work(lot: _Lot) -> _Done:
        strip = conditioner.strip(list(lot.spans)).with_variance(variance)
        found, _ = believable(extract(strip, omega, model, covered=covered))
        found = going_on(found, strip)
        mine = _of_lot(found, strip, lot)
        cut = _goes_on(found, strip, model.period)
        talkers = [] if cut else talkers_of(strip, mine)
        fits = of_shared_clock(mine.fits, talkers)
        best = fits.take(np.argsort(-fits.nats, kind="stable")[:quota])
        mixed = len(fits) < len(mine.fits)
        # alone, its sums can stay as they are
        kept = best if len(lots) == 1 else compact([best])
        return _Done(tuple(t.released() for t in talkers), kept, cut, mixed)

    plain = isinstance(conditioner.record.source, np.ndarray)
    kept: list[Fits] = []
    mixed = False
    out: list[Talker] = []
    while lots:
        again: list[_Lot] = []
        open_lot: _Lot | None = None
        results = in_halves(work, lots, plain, watch)
        for lot, done in zip(lots, results, strict=True):
            if open_lot is not None:
                open_lot = open_lot.with_next(lot)
            elif done.cut:
                open_lot = lot
            else:
                out.extend(done.talkers)
                kept.extend([] if done.best is None else [done.best])
                mixed = mixed or done.mixed
            if open_lot is not None and not done.cut:
                again.append(open_lot)
                open_lot = None
        if open_lot is not None:
            again.append(open_lot)
        if len(again) == len(lots):
            break
        lots = again
    return Everything(out, kept[0] if len(kept) == 1 else compact(kept), mixed)


def _lots(spans: list[tuple[int, int]], overlap: int) -> Iterator[_Lot]:
    """Spans in lots of about as many samples as are worked on at a time; a long span is cut with overlap."""
    total = sum(stop - start for start, stop in spans)
    # an even number, so that neither of two processors waits for the other
    pairs = max(1, -(-total // (2 * _LOT_MOST)))
    size = max(total // (2 * pairs), _LOT_LEAST, 4 * overlap)
    lot: list[tuple[int, int]] = []
    held, low = 0, -np.inf
    for start, stop in spans:
        begin = start
        while stop - begin + held > 1.5 * size:
            middle = begin + size - held
            yield _Lot((*lot, (begin, min(stop, middle + overlap))), low, float(middle))
            lot, held, low, begin = [], 0, float(middle), middle - overlap
        lot.append((begin, stop))
        held += stop - begin
        if held >= size:
            yield _Lot(tuple(lot), low, float(stop))
            lot, held, low = [], 0, float(stop)
    if lot:
        yield _Lot(tuple(lot), low, np.inf)


def _of_lot(found: Found, strip: Strip, lot: _Lot) -> Found:
    """What has its middle in the lot's own part."""

    def mine(middle: Floats) -> Flags:
        place = middle + strip.shift(middle)
        return np.asarray((place >= lot.low) & (place < lot.high))

    here = mine(found.fits.middle)
    if not here.all():
        runs = None if found.runs is None else found.runs.take(here)
        found = replace(found, fits=found.fits.take(here), runs=runs)
    if not len(found.windows):
        return found
    # a followed transmission's middle is that of its first and last window
    numbers, owner = np.unique(found.owner, return_inverse=True)
    first, last = np.full(numbers.size, np.inf), np.full(numbers.size, -np.inf)
    np.minimum.at(first, owner, found.windows.start)
    np.maximum.at(last, owner, found.windows.stop)
    held = mine(0.5 * (first + last))[owner]
    return replace(found, windows=found.windows.take(held), owner=found.owner[held])


def _goes_on(found: Found, strip: Strip, period: float) -> bool:
    """Whether a followed transmission reaches an end of the strip's last part that is not its stretch's."""
    if not len(found.windows) or strip.at_last[-1]:
        return False
    return bool(float(found.windows.stop.max()) > strip.size - _CUT_SYMBOLS * period)
