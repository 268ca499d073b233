"""The carrier of what is sent about a place, in a small part of the time a decode takes."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.activity import find_activity
from dsp.carrier import CarrierLine, squared_lines
from dsp.errors import BadInputError
from dsp.leads import centre_hz, leads_of
from dsp.noise import estimate_noise
from dsp.segment import cut
from dsp.source import make_record

_WIDTHS = (0.25, 0.5, 1.0, 2.0)  # of the band of what is sent
_LEAST_CONTRAST = 25.0  # of the line over what surrounds it: white noise has it once in e^25 bins
_APART = 0.02  # of the carrier: lines of leads that are nearer are of one carrier


def nearby_carrier_hz(values: NDArray[Any], rate_hz: float) -> float | None:
    """Carrier of the phase-reversal transmissions in ``values``, shape (samples,), some thousands; None without one.

    The strongest transmissions are taken as the blind decode takes them (`dsp.leads`), and the line of the square of each
    (`dsp.carrier.squared_lines`) is a vote for its carrier with the line's contrast. Without silence in ``values``
    transmissions are not told from noise, and there is no answer.
    """
    if not np.ptp(values) > 0:  # silence has no noise to stand out of
        return None
    try:
        record = make_record(values, rate_hz=rate_hz)
    except BadInputError:
        return None
    noise = estimate_noise(record)
    if noise is None:
        return None
    pieces = [piece for stretch in find_activity(record, noise) for piece in cut(record, noise, stretch)]
    leads = leads_of(record, noise, pieces) if pieces else None
    if leads is None:
        return None
    lines: list[CarrierLine] = []
    for number, piece in enumerate(leads.pieces):
        half_hz = (piece.high_hz - piece.low_hz) / 2.0
        widths = tuple(half_hz * k for k in _WIDTHS)
        lines += squared_lines(leads.part(number).samples, rate_hz, centre_hz(piece), widths, 1)
    lines = [line for line in lines if line.contrast >= _LEAST_CONTRAST]
    votes = [
        sum(other.contrast for other in lines if abs(other.freq_hz - line.freq_hz) < _APART * line.freq_hz)
        for line in lines
    ]
    # of those that are of one carrier the clearest, which is the finest
    best = max(zip(votes, lines, strict=True), key=lambda one: (one[0], one[1].contrast), default=None)
    return best[1].freq_hz if best is not None else None
