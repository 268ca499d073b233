"""What the caller knows already, held against what the samples show: used where it fits, contradicted where not."""

from __future__ import annotations

from itertools import pairwise

from dsp.results import DecodeSettings, Notice

# a carrier is the one told if it is off by no more than this part of itself or of the symbol rate, a symbol rate if
# by this part of itself: nominal values are not exact
_SAME_CARRIER = 0.005
_SAME_CARRIER_RATE = 0.05
_SAME_RATE = 0.02
_MULTIPLES = range(2, 17)
# distances of flips that tell their common measure, and the share of them that may be wrong
_TELLING = 12
_WRONG = 0.03


def told_multiple(settings: DecodeSettings, found_bd: float) -> int:
    """How many symbols as told one of those found holds: flips that fall on every n-th symbol do not contradict."""
    told = settings.symbol_rate_bd
    if told is None:
        return 1
    return next((n for n in _MULTIPLES if abs(told / (found_bd * n) - 1.0) < _SAME_RATE / n), 1)


def common_measure(texts: list[str]) -> int:
    """Largest number of symbols of which the distances of all flips in ``texts`` are multiples; 1 of too few.

    A few may differ, where a symbol is wrong.
    """
    flips = [[i for i in range(1, len(text)) if text[i] != text[i - 1]] for text in texts]
    gaps = [b - a for one in flips for a, b in pairwise(one)]
    if len(gaps) < _TELLING:
        return 1
    return max((n for n in _MULTIPLES if sum(gap % n != 0 for gap in gaps) <= _WRONG * len(gaps)), default=1)


def contradictions(
    settings: DecodeSettings, found: list[tuple[float, float]], multiple: int
) -> tuple[Notice, ...]:
    """What was told and is not so, as warnings.

    ``found`` has the carrier in hertz and symbol rate in baud of each link; ``multiple`` is that of `told_multiple`.
    """
    out: list[Notice] = []
    carrier, rate = settings.carrier_hz, settings.symbol_rate_bd
    if carrier is not None and not any(_same_carrier(carrier, hz, bd) for hz, bd in found):
        shown = ", ".join(f"{hz:.6g} Hz" for hz, _ in found)
        text = f"a carrier of {carrier:g} Hz was told, but the samples show {shown}; what they show was used"
        out.append(Notice("told-carrier-contradicted", text, len(found)))
    if rate is not None and not any(abs(bd / rate - 1.0) < _SAME_RATE for _, bd in found):
        shown = ", ".join(f"{bd:.6g} Bd" for _, bd in found)
        text = f"a symbol rate of {rate:g} Bd was told, but the samples show {shown}; what they show was used"
        out.append(Notice("told-symbol-rate-contradicted", text, len(found)))
    if multiple > 1:
        text = (
            f"all flips fall on every {_ordinal(multiple)} symbol of the symbol rate told, {rate:g} Bd: what was told "
            f"was used, and {(rate or 0.0) / multiple:.6g} Bd explains the samples as well"
        )
        out.append(Notice("told-symbol-rate-multiple", text))
    return tuple(out)


def _same_carrier(told_hz: float, found_hz: float, symbol_rate_bd: float) -> bool:
    return abs(found_hz - told_hz) < max(_SAME_CARRIER * told_hz, _SAME_CARRIER_RATE * symbol_rate_bd)


def _ordinal(number: int) -> str:
    return {2: "second", 3: "third"}.get(number, f"{number}th")


def broken_cells(symbols: str, line_code: str) -> int:
    """Cells of a Manchester code told that do not change in the middle, in the phase in which fewest do not."""
    if line_code != "manchester":
        return 0
    options = [
        sum(symbols[i] == symbols[i + 1] for i in range(first, len(symbols) - 1, 2)) for first in (0, 1)
    ]
    return min(options, default=0)
