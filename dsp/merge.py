"""Whether several symbols of a period that was found make one: no flip need fall between them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dsp.fits import Fits
from dsp.on_off import best_run
from dsp.parting import FEWEST

_FACTORS = (2, 3, 5, 7)


def climb(fit: Fits) -> Fits:
    """Take several symbols for one as long as the likelihood grows and enough are left; one transmission."""
    while True:
        options = [_best_merge(fit, many) for many in _FACTORS]
        kept = [merged for merged in options if merged.nats[0] > fit.nats[0] and merged.count[0] >= FEWEST]
        if not kept:
            return fit
        fit = max(kept, key=lambda merged: float(merged.nats[0]))


def climb_together(fits: Fits) -> int:
    """How many symbols of the fits' period make one, judged over all of them; 1 if none do."""
    whole = 1
    while True:
        options = [(many, _best_merge(fits, many)) for many in _FACTORS]
        now = float(fits.nats.sum())
        kept = [(many, m) for many, m in options if m.nats.sum() > now and m.count.max(initial=0) >= FEWEST]
        if not kept:
            return whole
        many, fits = max(kept, key=lambda option: float(option[1].nats.sum()))
        whole *= many


def _best_merge(fits: Fits, many: int) -> Fits:
    """Each transmission with ``many`` symbols taken for one, where they group best; minus infinite nats of too few."""
    shifts = np.tile(np.arange(many), len(fits))
    rows = fits.take(np.repeat(np.arange(len(fits)), many))
    start = rows.start - shifts * rows.period
    longer = -(-(rows.count + shifts) // many)
    # noise per symbol changes with its length; the amplitude stays
    merged = replace(rows, period=rows.period * many, start=start, count=longer)
    nats = np.where(merged.inside(), merged.symbol_nats(), -1e9)
    value, first, last = best_run(nats)
    value = np.where((last - first >= 2) & (rows.count >= 2 * many), value, -np.inf)
    top = np.argmax(value.reshape(-1, many), axis=1) + many * np.arange(len(fits))
    best = merged.take(top)
    return replace(
        best,
        start=best.start + first[top] * best.period,
        count=(last - first)[top],
        nats=value[top],
    )
