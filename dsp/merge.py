"""Whether several symbols of a period that was found make one: no flip need fall between them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dsp.correlate import best_run
from dsp.detect import FEWEST
from dsp.fits import Fits

_FACTORS = (2, 3, 5, 7)


def climb(fit: Fits) -> Fits:
    """Take several symbols for one as long as the likelihood grows and enough are left; one transmission."""
    while True:
        options = [merged for merged in (_best_merge(fit, many) for many in _FACTORS) if merged is not None]
        kept = [merged for merged in options if merged.nats[0] > fit.nats[0] and merged.count[0] >= FEWEST]
        if not kept:
            return fit
        fit = max(kept, key=lambda merged: float(merged.nats[0]))


def climb_together(fits: list[Fits]) -> int:
    """How many symbols of the fits' period make one, judged over all of them; 1 if none do."""
    whole = 1
    while True:
        now = sum(float(f.nats[0]) for f in fits)
        best: tuple[float, int, list[Fits]] | None = None
        for many in _FACTORS:
            merged = [m for m in (_best_merge(f, many) for f in fits) if m is not None]
            total = sum(float(m.nats[0]) for m in merged)
            enough = max((int(m.count[0]) for m in merged), default=0) >= FEWEST
            if len(merged) == len(fits) and enough and total > now and (best is None or total > best[0]):
                best = (total, many, merged)
        if best is None:
            return whole
        whole *= best[1]
        fits = best[2]


def _best_merge(fit: Fits, many: int) -> Fits | None:
    count = int(fit.count[0])
    if count < 2 * many:
        return None
    shifts = np.arange(many)
    rows = fit.take(np.zeros(many, dtype=np.int64))
    start = rows.start - shifts * rows.period
    longer = -(-(count + shifts) // many)
    # noise per symbol changes with its length; the amplitude stays
    merged = replace(rows, period=rows.period * many, start=start, count=longer)
    nats = np.where(merged.inside(), merged.symbol_nats(), -1e9)
    value, first, last = best_run(nats)
    value = np.where(last - first >= 2, value, -np.inf)
    top = int(np.argmax(value))
    if not np.isfinite(value[top]):
        return None
    best = merged.take(np.array([top]))
    return replace(
        best,
        start=best.start + first[top] * best.period,
        count=(last - first)[top : top + 1],
        nats=value[top : top + 1],
    )
