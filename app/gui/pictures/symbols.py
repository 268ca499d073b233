"""Eye and constellation: all symbols over one another."""

from __future__ import annotations

import numpy as np

from app.gui.pictures.api import (
    Curve,
    Marker,
    Picture,
    PictureKind,
    PictureRequest,
    Place,
    Points,
    count_text,
    nearest,
)

_EYES = 240
_SYMBOLS = 4000


def make_eye(request: PictureRequest) -> Picture:
    from dsp.picture_phase import eye

    grids, _ = request.grids()
    carrier_hz = request.carrier_hz
    places, rows = eye(request.record(), grids, carrier_hz, symbols=_EYES)
    # one curve with gaps is drawn far faster than hundreds
    gap = np.full((len(rows), 1), np.nan)
    x = np.hstack([np.broadcast_to(places, rows.shape), gap]).ravel()
    y = np.hstack([rows, gap]).ravel()
    total = sum(grid.count for grid in grids)
    what = "carrier's projection on its phase" if carrier_hz else "value"
    note = f"{count_text(len(rows), 'symbol')} of {count_text(total, 'symbol')}; {what}"
    columns = (("time_symbols", places), *((f"symbol_{k}", row) for k, row in enumerate(rows)))
    return Picture(
        "Eye",
        "Time, in symbols",
        "",
        "In-phase part" if carrier_hz else "Value",
        request.unit,
        (Curve(x, y, "symbols", faint=True), Marker(0, "edge"), Marker(1, "edge"), Marker(0.5, "middle")),
        columns,
        f"{note}. What stays open in the middle can be told apart.",
    )


def make_constellation(request: PictureRequest) -> Picture:
    from dsp.picture_phase import constellation

    grids, numbers = request.grids()
    z, owner, number = constellation(request.record(), grids, request.carrier(), symbols=_SYMBOLS)
    where = [
        Place(numbers[g], grids[g].first_s + (k + 0.5) * grids[g].period_s)
        for g, k in zip(owner, number, strict=True)
    ]
    talkers = {n: one.basis.talker for n, one in request.bursts}
    of = np.array([-1 if talkers[numbers[g]] is None else talkers[numbers[g]] for g in owner])
    layers = []
    for talker in np.unique(of):
        mine = of == talker
        name = "talker unknown" if talker < 0 else f"talker {talker}"
        layers.append(Points(z.real[mine], z.imag[mine], name, int(max(talker, 0))))
    total = sum(grid.count for grid in grids)
    columns = (
        ("burst", np.array([numbers[g] for g in owner], float)),
        ("symbol", number.astype(float)),
        ("in_phase", z.real),
        ("quadrature", z.imag),
    )
    return Picture(
        "Constellation",
        "In phase",
        request.unit,
        "In quadrature",
        request.unit,
        (*layers, Marker(0, ""), Marker(0, "", False)),
        columns,
        f"{count_text(z.size, 'symbol')} of {count_text(total, 'symbol')}, each the mean over one symbol; the phase of each "
        "burst's line is taken off. A click shows that symbol.",
        nearest(z.real, z.imag, where),
        square=True,
    )


EYE = PictureKind(
    "eye", "Eye", "All symbols over one another, from the one before to the one after", make_eye
)
CONSTELLATION = PictureKind(
    "constellation", "Constellation", "One point a symbol: how strong, and at which phase", make_constellation
)
