"""Spectrum, and spectrum of the square."""

from __future__ import annotations

from typing import TYPE_CHECKING

from app.gui.pictures.api import Curve, Marker, Picture, PictureKind, PictureRequest, count_text
from app.model.quantity import format_quantity, format_value

if TYPE_CHECKING:
    from dsp.picture_spectrum import Spectrum


def _note(found: Spectrum) -> str:
    used = count_text(found.used, "sample")
    among = (
        ""
        if found.used == found.among
        else f" of {count_text(found.among, 'sample')}, in pieces spread evenly"
    )
    return f"{used}{among}; lines closer than {format_value(found.resolution_hz, 'Hz', 3)} run together."


def _carrier(request: PictureRequest) -> tuple[Marker, ...]:
    for _, one in request.bursts:
        burst = one.basis
        if burst.carrier_hz:
            words = f"carrier {format_quantity(burst.carrier_hz, burst.carrier_std_hz, 'Hz')}"
            return (Marker(burst.carrier_hz, words, short=True),)
    return ()


def make_spectrum(request: PictureRequest) -> Picture:
    from dsp.picture_spectrum import spectrum

    found = spectrum(request.record(), *request.samples())
    unit = f"dB re 1 {request.unit}²/Hz"
    return Picture(
        "Spectrum",
        "Frequency",
        "Hz",
        "Density",
        unit,
        (Curve(found.frequency_hz, found.density_db, "density"), *_carrier(request)),
        (("frequency_hz", found.frequency_hz), ("density_db", found.density_db)),
        _note(found),
    )


def make_squared(request: PictureRequest) -> Picture:
    from dsp.picture_spectrum import squared_spectrum

    found = squared_spectrum(request.record(), *request.samples(), carrier_hz=request.carrier_hz)
    unit = f"dB re 1 {request.unit}⁴/Hz"
    told = (
        "what is not near the carrier was left out before squaring"
        if request.carrier_hz
        else "nothing left out"
    )
    return Picture(
        "Spectrum of the square",
        "Half the frequency of the square",
        "Hz",
        "Density",
        unit,
        (Curve(found.frequency_hz, found.density_db, "density"), *_carrier(request)),
        (("half_frequency_hz", found.frequency_hz), ("density_db", found.density_db)),
        f"{_note(found)} A carrier turned over by 180° has a line here that it has not in the spectrum; {told}.",
    )


SPECTRUM = PictureKind(
    "spectrum", "Spectrum", "Where in frequency the power is; the carrier's line is marked", make_spectrum
)
SQUARED = PictureKind(
    "squared",
    "Spectrum of the square",
    "The square of a carrier that is turned over has one sharp line, at the carrier once halved",
    make_squared,
)
