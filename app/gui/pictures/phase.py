"""Phase against time, once the carrier's own turning is taken away."""

from __future__ import annotations

import numpy as np

from app.gui.pictures.api import Curve, Marker, Picture, PictureKind, PictureRequest, at_time
from app.model.quantity import format_quantity, format_value

_POINTS = 4000
_SPREAD = 2.5  # cycles between points, beyond which flips are missed


def make_phase(request: PictureRequest) -> Picture:
    from dsp.picture_phase import phase_track

    carrier_hz = request.carrier()
    track = phase_track(request.record(), request.span_s, carrier_hz, points=_POINTS)
    apart_s = float(track.times_s[1] - track.times_s[0])
    note = (
        f"{_POINTS} instants, {format_value(apart_s, 's', 3)} apart, each over two cycles; "
        f"{format_quantity(carrier_hz, None, 'Hz')} taken off. Drawn where the carrier is strong."
    )
    if apart_s * carrier_hz > _SPREAD:
        note += " Too far apart to see every flip: zoom in."
    return Picture(
        "Phase against time",
        "Time",
        "s",
        "Phase",
        "°",
        (Curve(track.times_s, track.phase_deg, "phase"), Marker(0, "0°", False), Marker(180, "180°", False)),
        (("time_s", track.times_s), ("phase_deg", track.phase_deg), ("amplitude", np.abs(track.amplitude))),
        note,
        at_time,
    )


PHASE = PictureKind(
    "phase",
    "Phase against time",
    "Flips are steps of half a turn; a slope is a carrier that is a little off",
    make_phase,
)
