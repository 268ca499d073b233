"""How many carrier cycles lie from one flip to the next."""

from __future__ import annotations

import numpy as np

from app.gui.pictures.api import (
    Bars,
    Marker,
    NoPictureError,
    Picture,
    PictureKind,
    PictureRequest,
    count_text,
)
from app.model.quantity import format_value

_MARKED = 12


def make_intervals(request: PictureRequest) -> Picture:
    from dsp.picture_fold import flip_intervals, interval_bins

    carrier_hz = request.carrier()
    with_carrier = [one for _, one in request.bursts if one.basis.carrier_hz]
    intervals = flip_intervals([[flip.time_s for flip in one.flips] for one in with_carrier], carrier_hz)
    if not intervals.size:
        raise NoPictureError(
            f"No two flips of one burst {'are selected' if request.whole_burst else 'are in view'}."
        )
    rates = [one.basis.symbol_rate_bd for one in with_carrier if one.basis.symbol_rate_bd]
    symbol = carrier_hz / float(np.median(rates)) if rates else None
    edges, counts = interval_bins(intervals, symbol_cycles=symbol)
    markers: tuple[Marker, ...] = ()
    note = count_text(intervals.size, "interval")
    if symbol:
        most = min(int(intervals.max() / symbol + 0.5), _MARKED)
        words = ("1 symbol", *(f"{k}" for k in range(2, most + 1)))
        markers = tuple(Marker((k + 1) * symbol, word) for k, word in enumerate(words))
        whole = np.maximum(np.round(intervals / symbol), 1)
        off = float(np.sqrt(np.mean((intervals / symbol - whole) ** 2)))
        note += f"; fitted symbol period {format_value(symbol, '', 5)} cycles; intervals lie {off * 100:.2g} % of a symbol"
        note += " from whole symbols (root mean square)"
    return Picture(
        "Flip intervals",
        "From flip to flip, in carrier cycles",
        "",
        "Intervals",
        "",
        (Bars(edges, counts), *markers),
        (("from_cycles", edges[:-1]), ("to_cycles", edges[1:]), ("count", counts)),
        f"{note}. Flips as corrected by hand.",
    )


INTERVALS = PictureKind(
    "intervals",
    "Flip intervals",
    "Flips of one symbol clock lie whole symbols apart: bars stand at multiples",
    make_intervals,
)
