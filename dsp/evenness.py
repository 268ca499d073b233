"""The symbol period of smooth pulses where reversals leave several open: at their own rhythm symbols are equally strong.

A pulse that passes on from symbol to symbol (Nyquist's criterion; Proakis, Digital Communications, section 9.2) has its
full height once a symbol and at no other rhythm, so that every other period has strong symbols and weak ones. Of
rectangular symbols parts are as strong as the whole, and nothing is told.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dsp.link import Learned, learn
from dsp.quality import fitness
from dsp.results import DecodeSettings
from dsp.source import Record
from dsp.strip import Spans
from dsp.thin import FEWEST_CYCLES, reversals_of, weigh_periods

# share by which the lengths of symbols vary (of their square): root-raised-cosine pulses of excess bandwidth 0.2 to 0.5
# come to 0.01 to 0.03 at their own rhythm and to 0.1 and more at others
_UNEVEN = 0.08
_EVEN = 0.06
# share of the power that lies across the phase, at the most
_ACROSS = 0.05
# by how much less than at any other, and the difference of periods that are the same
_LESS = 0.6
_SAME = 0.02
# periods that are tried beside the likeliest
_OTHERS = 2


def by_evenness(record: Record, learned: Learned, settings: DecodeSettings, covered: Spans) -> Learned | None:
    """The same with the only period, of those that the reversals leave open, whose symbols are equally strong.

    None where the symbols are even already, or no period or several make them so.
    """
    runs, model = learned.runs, learned.model
    if not len(runs):
        return None
    judged = fitness(runs)
    # what lies across the phase is of another kind, at any rhythm
    if judged.spread < _UNEVEN or judged.excess > _ACROSS:
        return None
    shortest = max(2.0, FEWEST_CYCLES * record.rate_hz / model.carrier_hz)
    said = weigh_periods(reversals_of(runs), shortest, float(np.max(runs.last - runs.first)), model.period)
    if said is None:
        return None
    tried: list[tuple[float, Learned]] = []
    for period in (said.period, *said.others[:_OTHERS]):
        gain = model.gain * float(np.sqrt(period / model.period))
        better = replace(model, period=period, gain=gain, spread=None)
        other = learn(record, learned.strip, better, settings, covered, merges=False)
        if len(other.runs):
            tried.append((fitness(other.runs).spread, other))
    spread, best = min(tried, key=lambda pair: pair[0], default=(1.0, learned))
    rest = (one for one, other in tried if abs(other.model.period / best.model.period - 1.0) > _SAME)
    return best if spread < min(_EVEN, _LESS * min(rest, default=1.0)) else None
