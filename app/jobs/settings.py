"""Decode settings that cannot be: found out before any sample is read. Light: imports nothing numeric."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from app.errors import UsageError
from app.model.quantity import format_value

if TYPE_CHECKING:
    from dsp.results import DecodeSettings

TELLABLE_KINDS = ("bpsk", "qpsk", "ook", "ask", "fsk", "baseband", "dominant-recessive", "pulses")
"""Kinds of signalling that carry symbols, so that telling one says how to read them."""

WITHOUT_CARRIER = ("baseband", "dominant-recessive", "pulses")


def check_settings(settings: DecodeSettings) -> None:
    """Refuse values that make no sense and values that contradict each other.

    Raises
    ------
    app.errors.UsageError : one sentence that names the values.
    """
    from dsp.results import LINE_CODES, POLARITIES

    _one_of("modulation", settings.modulation, TELLABLE_KINDS)
    _one_of("line code", settings.line_code, LINE_CODES)
    _one_of("polarity", settings.polarity, POLARITIES)
    carrier, rate = settings.carrier_hz, settings.symbol_rate_bd
    _positive("carrier", carrier, "Hz")
    _positive("symbol rate", rate, "Bd")
    if carrier is not None and settings.modulation in WITHOUT_CARRIER:
        raise UsageError(
            f"{settings.modulation} signalling has no carrier, but one of {format_value(carrier, 'Hz')} is "
            "told; leave out one of the two"
        )
    if carrier is not None and rate is not None and rate > 2 * carrier:
        raise UsageError(
            f"a symbol rate of {format_value(rate, 'Bd')} leaves less than half a cycle of a carrier of "
            f"{format_value(carrier, 'Hz')} to each symbol; leave out one of the two"
        )


def check_against_rate(settings: DecodeSettings, rate_hz: float) -> None:
    """Refuse what samples at ``rate_hz`` cannot show.

    Raises
    ------
    app.errors.UsageError : a carrier or a symbol rate of half the sample rate or more.
    """
    told = (
        ("carrier", settings.carrier_hz, "Hz", "it would be folded back to another frequency"),
        ("symbol rate", settings.symbol_rate_bd, "Bd", "fewer than two samples make a symbol"),
    )
    for name, value, unit, reason in told:
        if value is not None and value >= rate_hz / 2:
            raise UsageError(
                f"a {name} of {format_value(value, unit)} is not below half the sample rate of "
                f"{format_value(rate_hz, 'Hz')}, where {reason}; give a lower one or leave it out"
            )


def _one_of(name: str, value: str | None, choices: tuple[str, ...]) -> None:
    if value is not None and value not in choices:
        raise UsageError(f"{value!r} is no {name}; choose from {', '.join(choices)}")


def _positive(name: str, value: float | None, unit: str) -> None:
    if value is not None and not (math.isfinite(value) and value > 0):
        raise UsageError(f"a {name} of {value:g} {unit} makes no sense; give a positive number")
