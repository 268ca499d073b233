"""Quantities as text: value, standard uncertainty and unit out, numbers with SI prefixes in.

Written form after JCGM 100:2008 (the GUM) 7.2.2, second example: the digits in parentheses are the standard
uncertainty in units of the last digits of the value, ``412.37(4) kHz``. Qt-free and light: imports nothing
numeric, so that the parser of the command line may use it.
"""

from __future__ import annotations

import math
import re
from decimal import ROUND_HALF_EVEN, Decimal

_PREFIXES = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T"}
# which prefixes are customary: (lowest, highest) power of ten
_RANGES = {
    "s": (-12, 0),
    "Hz": (-3, 12),
    "Bd": (0, 12),
    "Sa/s": (0, 12),
    "V": (-9, 6),
    "A": (-12, 6),
    "W": (-12, 9),
    "Ω": (-3, 9),
}
_POWERS = {
    "p": -12,
    "n": -9,
    "u": -6,
    "µ": -6,  # U+00B5 micro sign
    "μ": -6,  # U+03BC Greek letter mu
    "m": -3,
    "": 0,
    "k": 3,
    "K": 3,
    "M": 6,
    "G": 9,
    "T": 12,
}
_NUMBER = re.compile(r"([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*)", re.ASCII)
_UNKNOWN = "unknown"
_DIGITS_WITHOUT_STD = 6


def format_quantity(value: float | None, std: float | None, unit: str) -> str:
    """Value with its standard uncertainty in the concise notation: ``format_quantity(412370, 40, "Hz")``
    is ``412.37(4) kHz``.

    The uncertainty is rounded to two digits if its three leading ones are 100 to 354, to one digit from 355
    to 949, and up to the next power of ten from 950: the rule of the Particle Data Group (Review of Particle
    Physics, "Rounding"; from memory), within the at most two digits of JCGM 100 7.2.6. The value follows to
    the same place. Without a standard uncertainty (None, not finite) the value has six digits; with 0 it is
    exact and written in full. A value that is None or not finite is ``unknown``.
    """
    if value is None or not math.isfinite(value):
        return _UNKNOWN
    exact = Decimal(repr(float(value)))
    if std is None or not math.isfinite(std) or std < 0:
        return _plain(_to_digits(exact, _DIGITS_WITHOUT_STD), unit)
    if std == 0:
        return _plain(exact, unit)
    rounded_std = _round_std(Decimal(repr(float(std))))
    quoted = exact.quantize(_place(rounded_std), rounding=ROUND_HALF_EVEN)
    return _concise(quoted, rounded_std, unit)


def format_value(value: float | None, unit: str, digits: int = _DIGITS_WITHOUT_STD) -> str:
    """A value that has no uncertainty of its own, such as a length in samples or a setting."""
    if value is None or not math.isfinite(value):
        return _UNKNOWN
    return _plain(_to_digits(Decimal(repr(float(value))), digits), unit)


def format_stretch(start: float, end: float, unit: str) -> str:
    """Start, end and length of a stretch, with so many digits that its ends can be told apart."""
    length, largest = end - start, max(abs(start), abs(end))
    ratio = largest / length if length > 0.0 else 1.0
    digits = min(max(_DIGITS_WITHOUT_STD, math.ceil(math.log10(max(ratio, 1.0))) + 4), 15)
    ends = f"{format_value(start, unit, digits)} to {format_value(end, unit, digits)}"
    return f"{ends} ({format_value(length, unit, 3)})"


def parse_quantity(text: str, *units: str) -> float:
    """Number with an optional SI prefix and unit: ``2.5M``, ``412k``, ``1.2MHz`` with ``units=("Hz",)``.

    Raises
    ------
    ValueError : no finite number, or something after it that is neither prefix nor one of ``units``.
    """
    match = _NUMBER.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"{text!r} is not a number")
    number, tail = match.groups()
    for unit in (*units, ""):
        prefix = tail.removesuffix(unit).rstrip() if tail.endswith(unit) else None
        if prefix in _POWERS:
            result = float(Decimal(number).scaleb(_POWERS[prefix]))
            if not math.isfinite(result):
                raise ValueError(f"{text!r} is too large a number")
            return result
    known = " or ".join(repr(unit) for unit in units) or "no unit"
    raise ValueError(f"{text!r}: {tail!r} is no SI prefix with {known} after the number")


def _round_std(std: Decimal) -> Decimal:
    """One or two significant digits; the exponent of the result is the place it is quoted to."""
    exponent = std.adjusted()
    leading = std.scaleb(2 - exponent)
    digits = 2 if leading < Decimal("354.5") else 1
    rounded = std.quantize(Decimal(1).scaleb(exponent + 1 - digits), rounding=ROUND_HALF_EVEN)
    if rounded.adjusted() > exponent:
        # 0.996 became 1.0: two digits again, at the same place
        return Decimal(10).scaleb(exponent)
    return rounded


def _place(rounded: Decimal) -> Decimal:
    return Decimal(1).scaleb(int(rounded.as_tuple().exponent))


def _to_digits(value: Decimal, digits: int) -> Decimal:
    if value == 0:
        return Decimal(0)
    return value.quantize(Decimal(1).scaleb(value.adjusted() + 1 - digits), rounding=ROUND_HALF_EVEN)


def _power(size: Decimal, unit: str) -> int:
    """Power of ten of the prefix that leaves 1 to 999 before the point, as far as the unit allows."""
    low, high = _RANGES.get(unit, (0, 0))
    if size == 0:
        return 0
    return max(low, min(high, 3 * (size.adjusted() // 3)))


def _tail(power: int, unit: str) -> str:
    return f" {_PREFIXES[power]}{unit}" if unit else ""


def _plain(value: Decimal, unit: str) -> str:
    power = _power(abs(value), unit)
    scaled = value.scaleb(-power)
    if scaled != 0 and not -4 <= scaled.adjusted() < 15:
        return f"{float(scaled):.12g}{_tail(power, unit)}"
    text = f"{scaled:f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return f"{'0' if text == '-0' else text}{_tail(power, unit)}"


def _concise(value: Decimal, std: Decimal, unit: str) -> str:
    size = max(abs(value), std)
    power = _power(size, unit)
    scaled, scaled_std = value.scaleb(-power), std.scaleb(-power)
    exponent = 0
    if not -4 <= size.scaleb(-power).adjusted() < 15:
        # a unit without prefixes, such as full scale
        exponent = size.adjusted()
        scaled, scaled_std = scaled.scaleb(-exponent), scaled_std.scaleb(-exponent)
    place = int(scaled_std.as_tuple().exponent)
    if place < 0:
        number = f"{scaled:.{-place}f}"
        digits = str(int(scaled_std.scaleb(-place)))
    else:
        number, digits = f"{int(scaled)}", f"{int(scaled_std)}"
    if scaled == 0:
        number = number.removeprefix("-")
    shown = f"{number}({digits})" + (f"e{exponent}" if exponent else "")
    return shown + _tail(power, unit)
