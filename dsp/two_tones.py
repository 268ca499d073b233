"""Two tones that look like reversals of one of them.

A tone half a symbol rate beside the carrier turns over against it once a symbol. Frequency shift keying by an index of
two or more so passes for reversals at a multiple of its own rate: constant for a while, alternating for a while. What
alternates is a half-wave in each symbol, of which a correlation sees 2 / pi (any textbook, e.g. Proakis: the spectrum
of a rectangular pulse half a symbol rate off).
"""

from __future__ import annotations

import numpy as np

from dsp.runs import Runs

# pairs of steps that tell, and the share of them in which random symbols change between steady and alternating is one
# half; of those that each last four symbols or more one eighth
_FEWEST = 48
_SELDOM = 0.3
# share of steps, at least, that are of either kind
_EITHER = 0.15
# between one and 2 / pi
_LOWER = 0.8


def are_two_tones(runs: Runs) -> bool:
    """Whether symbols go on as they do, or turn over each time, for long, and those that turn over are weaker."""
    y = runs.symbols.real / np.maximum(runs.gains, 1e-9)
    turns = y[1:] * y[:-1] < 0.0
    # steps within one transmission, and pairs of them
    inside = np.ones(max(0, y.size - 1), dtype=np.bool_)
    inside[runs.offset[1:-1] - 1] = False
    pairs = inside[1:] & inside[:-1]
    if int(pairs.sum()) < _FEWEST:
        return False
    changes = float(np.mean((turns[1:] != turns[:-1])[pairs]))
    share = float(np.mean(turns[inside]))
    if changes > _SELDOM or not _EITHER < share < 1.0 - _EITHER:
        return False
    steady, alternating = (
        float(np.mean(np.abs(y[1:-1])[pairs & (turns[1:] == kind) & (turns[:-1] == kind)]))
        for kind in (False, True)
    )
    return alternating < _LOWER * steady
