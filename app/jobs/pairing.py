"""What two channels of a capture share, and the expressions in which it cancels or stays."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from app.errors import UsageError
from app.jobs.spans import SpanLimits, select
from app.model.capture import Capture
from app.model.expressions import channel_source
from app.model.quantity import format_quantity
from dsp.errors import BadInputError
from dsp.pair import PairFit, fit_pair

# samples that are looked at; more would hardly tell the match better than its own drift
_MOST = 1 << 20
# a delay below this part of its uncertainty, or of a sample, is none
_NO_DELAY_SAMPLES = 1e-3


@dataclass(frozen=True)
class PairOutcome:
    """The fit, and the two derived channels as expressions."""

    fit: PairFit
    delay_s: float
    difference: str
    common: str
    sentence: str


def fit_channels(
    capture: Capture,
    first: str,
    second: str,
    span_s: SpanLimits | None = None,
    progress: Callable[[float], None] | None = None,
) -> PairOutcome:
    """Match ``second`` to ``first``, by the longest contiguous part of the span, or the middle of it if it is long.

    Raises
    ------
    app.errors.UsageError : a channel that does not exist, the same twice, a span outside the capture, or channels
        of which nothing can be told.
    """
    if first == second:
        raise UsageError("a pair is of two different channels")
    sources = channel_source(capture, first), channel_source(capture, second)
    longest = max(select(capture, span_s).segments, key=lambda part: part.last - part.first)
    count = min(_MOST, longest.last - longest.first)
    start = longest.first + (longest.last - longest.first - count) // 2
    one, two = (np.asarray(source[start : start + count], dtype=np.float64) for source in sources)
    if progress is not None:
        progress(0.2)
    if not (np.isfinite(one).all() and np.isfinite(two).all()):
        raise UsageError("samples are missing there; select a span without gaps")
    try:
        fit = fit_pair(one, two)
    except BadInputError as error:
        raise UsageError(str(error)) from error
    return _outcome(capture, first, second, fit)


def _outcome(capture: Capture, first: str, second: str, fit: PairFit) -> PairOutcome:
    delay_s = fit.delay_samples / capture.rate_hz
    a, b = _quoted(capture, first), _quoted(capture, second)
    if abs(fit.delay_samples) >= _NO_DELAY_SAMPLES:
        b = f"delay({b}, {_seconds(delay_s, fit.delay_std_samples, capture.rate_hz)})"
    gain = _digits(abs(fit.gain), fit.gain_std, 1.0)
    minus, plus = ("-", "+") if fit.gain >= 0 else ("+", "-")
    delay_std_s = None if fit.delay_std_samples is None else fit.delay_std_samples / capture.rate_hz
    later = "later" if delay_s >= 0 else "earlier"
    sentence = (
        f"{first} is {format_quantity(fit.gain, fit.gain_std, '')} times {second}, "
        f"{format_quantity(abs(delay_s), delay_std_s, 's')} {later}; what they share has {fit.shared_db:.1f} dB more "
        "power than what they do not."
    )
    if fit.gain < 0:
        sentence += " They share it with opposite signs: if one probe is not the wrong way round, it is the signal itself."
    return PairOutcome(fit, delay_s, f"{a} {minus} {gain} * {b}", f"({a} {plus} {gain} * {b}) / 2", sentence)


def _digits(value: float, std: float | None, per: float) -> str:
    """Plainly, to a hundredth of the uncertainty or eight digits."""
    digits = 8
    if std and value:
        digits = int(min(12, max(4, 3 + math.ceil(math.log10(abs(value) * per / std))))) if std > 0 else 8
    text = f"{value:.{digits}g}"
    return f"{value:.{digits}e}" if "e" in text else text


def _seconds(value_s: float, std_samples: float | None, rate_hz: float) -> str:
    """As `_digits`, with the SI prefix that leaves one to three digits before the point."""
    for prefix, power in (("", 0), ("m", 3), ("u", 6), ("n", 9), ("p", 12)):
        scaled = value_s * 10.0**power
        if abs(scaled) >= 1.0:
            return _digits(scaled, std_samples, rate_hz / 10.0**power) + prefix
    return _digits(value_s, std_samples, rate_hz)


def _quoted(capture: Capture, name: str) -> str:
    """A name as it may stand in an expression."""
    if name.isidentifier() or name not in {channel.name for channel in capture.channels}:
        return name if name.isidentifier() else f"({name})"
    return f"`{name}`" if "`" not in name else f'"{name}"'
