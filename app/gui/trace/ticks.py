"""Where the marks of a scale stand and what is written at them."""

from __future__ import annotations

import math
from dataclasses import dataclass

_PREFIXES = {-15: "f", -12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}
_DIGITS = 5  # with more digits than these before the last that changes, time is told from a base


@dataclass(frozen=True)
class Ticks:
    """``texts`` at ``values``; ``caption`` says what they count."""

    values: tuple[float, ...]
    texts: tuple[str, ...]
    caption: str


def nice_step(span: float, most: int) -> float:
    """The least of 1, 2, 5 times a power of ten that goes into ``span`` at most ``most`` times."""
    least = span / max(most, 1)
    power = 10.0 ** math.floor(math.log10(least))
    return next(power * factor for factor in (1, 2, 5, 10) if power * factor >= least * (1 - 1e-9))


def time_ticks(start_s: float, end_s: float, most: int) -> Ticks:
    """Ticks of a time axis in s, ms, µs, …; from a base where the times have many digits in common."""
    step = nice_step(end_s - start_s, most)
    size = max(abs(start_s), abs(end_s))
    if size < step * 10**_DIGITS:
        return _ticks(start_s, end_s, step, 0.0, size, "time in {}s")
    block = step * 10 ** (_DIGITS - 2)
    base = math.floor(start_s / block) * block
    return _ticks(start_s, end_s, step, base, end_s - base, "time in {}s after " + time_text(base, block))


def value_ticks(low: float, high: float, most: int, unit: str) -> Ticks:
    """Ticks of a value axis with an SI prefix before the unit, if the unit is one that takes prefixes."""
    step = nice_step(high - low, most)
    size = max(abs(low), abs(high)) if unit in ("V", "A", "W", "Hz", "Ω") else 1.0
    return _ticks(low, high, step, 0.0, size, "{}" + unit)


def time_text(time_s: float, resolution_s: float) -> str:
    """A time with the digits that ``resolution_s`` is worth: ``12.345 ms``."""
    exponent = _exponent(max(abs(time_s), resolution_s))
    decimals = max(0, -math.floor(math.log10(resolution_s) - exponent + 1e-9)) if resolution_s > 0 else 6
    return f"{time_s / 10.0**exponent:.{decimals}f} {_PREFIXES[exponent]}s".replace("-", "−")


def _ticks(low: float, high: float, step: float, base: float, size: float, caption: str) -> Ticks:
    exponent = _exponent(size)
    unit = 10.0**exponent
    first, last = math.ceil((low - base) / step - 1e-9), math.floor((high - base) / step + 1e-9)
    decimals = max(0, -math.floor(math.log10(step / unit) + 1e-9))
    counts = range(first, last + 1)
    texts = (f"{k * step / unit:.{decimals}f}" for k in counts)
    return Ticks(
        tuple(base + k * step for k in counts),
        tuple(text.replace("-", "−") if float(text) else text.lstrip("-") for text in texts),
        caption.format(_PREFIXES[exponent]),
    )


def _exponent(size: float) -> int:
    """Power of ten of the prefix that leaves 1 to 999 before the point."""
    if size <= 0:
        return 0
    return max(-15, min(9, 3 * math.floor(math.log10(size) / 3 + 1e-9)))
