"""A symbol period with which one symbol more, or one less, was counted into the transmissions: a top of their likelihood
next to the right one.

Symbols that are a little too short still cover most of the right ones in the middle of a transmission, and what they miss
towards its ends is left over as noise. Where more noise than was told is met, periods all about are weighed once more, over
the whole transmissions that were found (`dsp.rate`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dsp.correlate import turn_back
from dsp.detect import LONG
from dsp.extract import Model
from dsp.link import Learned, learn
from dsp.on_off import OWN_NATS
from dsp.quality import fitness
from dsp.rate import period_grid, search_period
from dsp.results import DecodeSettings
from dsp.runs import Runs, nats_in
from dsp.source import Floats, Record
from dsp.strip import Spans

# noise over the one told from which on something may be amiss
_LEFT = 1.3
# transmissions that tell, and symbols by which a period may have them miscounted
_MOST, _SLIPS = 6, 2.5
# symbols that edges move by from one period to the next, and those between two tops
_STEP, _APART = 0.125, 0.5


def unslipped(record: Record, learned: Learned, settings: DecodeSettings, covered: Spans) -> Learned:
    """What was learned, or what is learned in the same samples with a likelier period next to the one it has."""
    runs = learned.runs
    if settings.symbol_rate_bd is not None or not len(runs) or fitness(runs).noise < _LEFT:
        return learned
    period = likelier_period(learned.strip.samples, runs, learned.model)
    if period is None:
        return learned
    again = learn(
        record, learned.strip, replace(learned.model, period=period), settings, covered, merges=False
    )
    return again if nats_in(again.runs, runs.variance) > nats_in(runs, runs.variance) else learned


def likelier_period(samples: Floats, runs: Runs, model: Model) -> float | None:
    """A period in samples that the strongest runs are likelier with, some symbols more or less being in them, if any.

    ``samples`` (n,) are those of the strip that the runs are found in.
    """
    rows = np.flatnonzero(runs.count <= LONG)
    rows = rows[np.argsort(-runs.nats[rows], kind="stable")][:_MOST]
    if not rows.size:
        return None
    most, usual = int(runs.count[rows].max()), float(np.median(runs.count[rows]))
    reach = min(0.25, _SLIPS / usual)
    periods = period_grid(
        model.period * (1.0 - reach), model.period * (1.0 + reach), most * model.period, _STEP
    )
    total = np.zeros(periods.size)
    for row in rows.tolist():
        first, last = (int(np.rint(place)) for place in (runs.first[row], runs.last[row]))
        room = int(np.ceil(model.period))
        part = samples[max(0, first - room) : last + room]
        turned = turn_back(part, float(runs.omega[row]), model.sharp)
        total += search_period(turned, periods, runs.variance, float(runs.amplitude[row])).nats
    best = int(np.argmax(total))
    now = float(total[int(np.argmin(np.abs(periods - model.period)))])
    moved = abs(periods[best] / model.period - 1.0) * most
    return float(periods[best]) if moved > _APART and total[best] > now + OWN_NATS * rows.size else None
