"""What the caller knows already, held against what the samples show: used where it fits, contradicted where not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from dsp.results import DecodeSettings, Notice

# what was found is what was told if it is off by no more than this part, as ceramic resonators are (common practice, no
# published source), or by so many of its standard uncertainties
_NOMINAL = 0.005
_STDS = 4.0
# a symbol rate told is a multiple of the one found if no further off than this
_SAME_RATE = 0.02
_MULTIPLES = range(2, 17)
# distances of flips that tell their common measure, and the share of them that may be wrong
_TELLING = 12
_WRONG = 0.03
# share of broken cells that wrong symbols do not make of a Manchester code; of other symbols half are broken
_BROKEN = 0.2
# different values that are named
_LISTED = 4
# line codes of which every cell changes in its middle
CELL_CODES = ("manchester", "differential-manchester")


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


@dataclass(frozen=True)
class Shown:
    """What a burst, or several that share it, has, with standard uncertainties."""

    carrier_hz: float
    symbol_rate_bd: float
    carrier_std_hz: float = 0.0
    symbol_rate_std_bd: float = 0.0


def contradictions(
    settings: DecodeSettings, found: Sequence[Shown], multiple: int, texts: Sequence[str] = ()
) -> tuple[Notice, ...]:
    """What was told and is not so, as warnings.

    ``found`` is what was found of each burst, ``multiple`` that of `told_multiple`, ``texts`` the bursts' symbols.
    """
    out: list[Notice] = []
    carrier, rate = settings.carrier_hz, settings.symbol_rate_bd
    if carrier is not None and not any(_same(carrier, f.carrier_hz, f.carrier_std_hz) for f in found):
        shown = _listed([f.carrier_hz for f in found], "Hz")
        text = f"a carrier of {carrier:g} Hz was told, but the samples show {shown}; what they show was used"
        out.append(Notice("told-carrier-contradicted", text, len(found)))
    if rate is not None and not any(_same(rate, f.symbol_rate_bd, f.symbol_rate_std_bd) for f in found):
        shown = _listed([f.symbol_rate_bd for f in found], "Bd")
        text = f"a symbol rate of {rate:g} Bd was told, but the samples show {shown}; what they show was used"
        out.append(Notice("told-symbol-rate-contradicted", text, len(found)))
    if multiple > 1:
        text = (
            f"all flips fall on every {_ordinal(multiple)} symbol of the symbol rate told, {rate:g} Bd: what was told "
            f"was used, and {(rate or 0.0) / multiple:.6g} Bd explains the samples as well"
        )
        out.append(Notice("told-symbol-rate-multiple", text))
    broken = sum(broken_cells(text, settings.line_code or "plain") for text in texts)
    if broken and are_no_cells(broken, sum(len(text) // 2 for text in texts)):
        text = (
            f"the line code told is {settings.line_code}, of which every cell changes in its middle, but {broken} of "
            f"{sum(len(text) // 2 for text in texts)} do not; the bits are made as told, the symbols are as found"
        )
        out.append(Notice("told-line-code-contradicted", text, broken))
    return tuple(out)


def _same(told: float, found: float, std: float) -> bool:
    return abs(found - told) <= max(_NOMINAL * told, _STDS * std)


def _listed(values: Sequence[float], unit: str) -> str:
    """The values that differ, a few of many."""
    different: list[float] = []
    for value in sorted(values):
        if not different or value > different[-1] * (1.0 + _NOMINAL):
            different.append(value)
    shown = ", ".join(f"{value:.6g} {unit}" for value in different[:_LISTED])
    return shown if len(different) <= _LISTED else f"{shown} and others up to {different[-1]:.6g} {unit}"


def _ordinal(number: int) -> str:
    return {2: "second", 3: "third"}.get(number, f"{number}th")


def broken_cells(symbols: str, line_code: str) -> int:
    """Cells of a Manchester code told that do not change in the middle, in the phase in which fewest do not."""
    if line_code not in CELL_CODES:
        return 0
    options = [
        sum(symbols[i] == symbols[i + 1] for i in range(first, len(symbols) - 1, 2)) for first in (0, 1)
    ]
    return min(options, default=0)


def are_no_cells(broken: int, cells: int) -> bool:
    """Whether so many of the cells are broken that it is no Manchester code, rather than a few symbols wrong."""
    return broken > _BROKEN * cells
