"""The period tool: each cycle's or symbol's deviation from the mean period, with period and jitter."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from app.gui.pictures.api import (
    Curve,
    Marker,
    NoPictureError,
    Picture,
    PictureKind,
    PictureRequest,
    Place,
    Points,
    nearest,
)
from app.model.expressions import channel_source
from app.model.quantity import format_quantity
from app.model.tolerance import tolerance_of

if TYPE_CHECKING:
    from dsp.measure_period import PeriodReadings


def _cycles(request: PictureRequest) -> PeriodReadings:
    # what measures is imported with the first picture
    from app.gui.readings_tools import MOST_SAMPLES, cycles_in
    from dsp.measure import noise_std

    first, last = request.samples()
    if last - first > MOST_SAMPLES:
        raise NoPictureError(
            f"Single cycles are measured of {MOST_SAMPLES:,} samples at most: select a shorter span.".replace(
                ",", " "
            )
        )
    source = channel_source(request.capture, request.channel)
    noise = noise_std(np.asarray(source[first : min(last, first + (1 << 16))], np.float64))
    found = cycles_in(request.capture, source, request.span_s, noise, request.carrier_hz)
    if found is None:
        raise NoPictureError("There are no three cycles of one period here, within one segment.")
    return found


def _symbols(request: PictureRequest) -> PeriodReadings:
    from app.gui.readings_tools import symbols_in

    rates = [one.basis.symbol_rate_bd for _, one in request.bursts if one.basis.symbol_rate_bd]
    start_s, end_s = request.span_s
    flips = sorted(
        flip.time_s for _, one in request.bursts for flip in one.flips if start_s <= flip.time_s <= end_s
    )
    found = symbols_in(request.capture, flips, rates[0]) if rates else None
    if found is None:
        raise NoPictureError("There are no four flips of one symbol clock here: decode, or show one burst.")
    return found


def make_periods(request: PictureRequest) -> Picture:
    by_symbol = request.choice == "symbols"
    found = _symbols(request) if by_symbol else _cycles(request)
    what = "symbol" if by_symbol else "cycle"
    known = tolerance_of(request.capture)
    period = format_quantity(found.period.value, known.time_std(found.period.value, found.period.std), "s")
    rate = format_quantity(
        found.frequency.value,
        known.time_std(found.frequency.value, found.frequency.std),
        "Bd" if by_symbol else "Hz",
    )
    jitter = format_quantity(found.jitter.value, found.jitter.std, "s")
    middle = found.starts_s + found.steps * found.period.value / 2
    note = f"{found.periods:g} {what}s; period {period}, {rate}; jitter {jitter} root mean square"
    if found.period_jitter is not None:
        note += (
            f"; {what} to {what} {format_quantity(found.period_jitter.value, found.period_jitter.std, 's')}"
        )
    note += f"; {found.left_out} off the grid left out" if found.left_out else ""
    return Picture(
        "Period and jitter",
        "Time",
        "s",
        "Deviation",
        "s",
        (
            Curve(middle, found.deviations_s, "", faint=True),
            Points(middle, found.deviations_s, "intervals"),
            Marker(0.0, "mean", False),
        ),
        (
            ("start_s", found.starts_s),
            (f"{what}s", found.steps),
            ("interval_s", found.steps * found.period.value + found.deviations_s),
            ("deviation_s", found.deviations_s),
        ),
        f"{note}. A click moves a cursor to the interval.",
        nearest(middle, found.deviations_s, [Place(time_s=float(one)) for one in found.starts_s]),
    )


PERIODS = PictureKind(
    "periods",
    "Period and jitter",
    "Mark the first and the last cycle with the cursors, or select a span: the period, and how far each interval is off it",
    make_periods,
    (("cycles", "cycles"), ("symbols", "symbols")),
    "&Intervals of",
)
