"""The symbol period of those on a line whose clocks are one, where others have clocks of their own.

What all share is looked for first, and is a mixture where their clocks differ; once some have a period of their own
(`dsp.own_period`), what is left tells the shared one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from dsp.fits import Fits
from dsp.period import Period, final_period, pooled_period
from dsp.talkers import Talker, agree


def of_shared_clock(fits: Fits, talkers: Sequence[Talker]) -> Fits:
    """The transmissions of talkers without a symbol period of their own; all if none is left."""
    middle = fits.middle
    others = np.zeros(len(fits), dtype=np.bool_)
    for talker in talkers:
        if talker.period is not None:
            for first, last in zip(talker.runs.first.tolist(), talker.runs.last.tolist(), strict=True):
                others |= (middle > first) & (middle < last)
    return fits if others.all() else fits.take(~others)


def shared_period(fits: Fits, known: Period, *, mixed: bool) -> Period:
    """The period over all of the transmissions; ``mixed`` says that ``known`` was found with others among them."""
    return final_period(fits, pooled_period(fits, known.value, known.sharp) if mixed else known)


def of_one_clock(talkers: Sequence[Talker], shared: Period) -> tuple[Talker, ...]:
    """The same without periods of their own, where every talker has one and none differs from the ``shared`` one.

    Transmissions are found with a period that is known roughly; one that is farther off than the flips leave open looks
    like a clock of each talker's own. Of no other clock there is a trace then, and the shared period was told by all
    transmissions (`of_shared_clock`), each talker's own only by its strongest.
    """
    own = [talker.period for talker in talkers if talker.period is not None]
    values, std = (np.array([getattr(period, name) for period in own]) for name in ("value", "std"))
    if not own or len(own) < len(talkers) or not agree(values, shared.value, std):
        return tuple(talkers)
    return tuple(replace(talker, period=None) for talker in talkers)
