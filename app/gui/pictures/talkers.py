"""Amplitude and carrier of each burst: talkers stand out as groups."""

from __future__ import annotations

import numpy as np

from app.gui.pictures.api import (
    NoPictureError,
    Picture,
    PictureKind,
    PictureRequest,
    Place,
    Points,
    count_text,
    nearest,
)


def make_talkers(request: PictureRequest) -> Picture:
    known = [(n, one.basis) for n, one in request.bursts if np.isfinite(one.basis.amplitude)]
    by_time = request.choice == "time"
    if not by_time:
        known = [(n, burst) for n, burst in known if burst.carrier_hz]
    if not known:
        raise NoPictureError(f"No burst with {'an amplitude' if by_time else 'a carrier'} {request.where}.")
    x = np.array([burst.start_s if by_time else burst.carrier_hz for _, burst in known], float)
    y = np.array([burst.amplitude for _, burst in known])
    std = np.array([burst.amplitude_std or 0.0 for _, burst in known])
    talker = np.array([-1 if burst.talker is None else burst.talker for _, burst in known])
    layers = []
    for one in np.unique(talker):
        mine = talker == one
        name = "talker unknown" if one < 0 else f"talker {one}"
        layers.append(Points(x[mine], y[mine], name, int(max(one, 0)), std[mine]))
    return Picture(
        "Amplitude and carrier of bursts",
        "Start" if by_time else "Carrier",
        "s" if by_time else "Hz",
        "Amplitude",
        request.unit,
        tuple(layers),
        (
            ("burst", np.array([n for n, _ in known], float)),
            ("start_s", np.array([burst.start_s for _, burst in known])),
            ("carrier_hz", np.array([burst.carrier_hz or np.nan for _, burst in known])),
            ("amplitude", y),
            ("amplitude_std", std),
            ("talker", talker.astype(float)),
        ),
        f"{count_text(len(known), 'burst')}; bars are standard uncertainties. A click selects the burst.",
        nearest(x, y, [Place(n) for n, _ in known]),
    )


TALKERS = PictureKind(
    "talkers",
    "Amplitude and carrier",
    "One point a burst: those of one transmitter stand together",
    make_talkers,
    (("carrier", "against carrier"), ("time", "against time")),
    "&Amplitude",
)
