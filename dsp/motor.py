"""Lines of a motor whose speed wanders, found so that they can be taken off (`dsp.motor_lines`).

The commutation of a motor loads its supply at one rate and its multiples, the orders. All have one phase, which the
strongest of them tells best; with what is turned back by it, the others stand still and are measured like steady tones
(order tracking, Vold and Leuridan 1993, here by rows under a window). The phase is smoothed by third differences (Whittaker
1923): of the ridge it starts from by as much as cross-validation asks for (Craven and Wahba 1979), later by as much as leaves
least of it wrong (Mallows 1973), the noise in it being as large as that in the amplitude.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dsp.motor_ends import with_ends
from dsp.motor_lines import MotorLines, Turning, demodulated
from dsp.motor_ridge import Ridge, ridge_of, stands_out
from dsp.noise import NoiseFloor
from dsp.source import Record, Stretch
from dsp.steady import BESIDE, Rows, advance_of, fitted, row_window
from dsp.tones import Complexes, Floats, Tone

# samples of the longest stretch in which they are looked for: each order costs some passes
_LONGEST = 1 << 25
# orders at most, and parts of one turn of the strongest line that the others may be multiples of
_ORDERS = 128
_PARTS = (1, 2, 3)
# cycles of the lowest order in a row, for its neighbours to lie beyond the window's main lobe
_CYCLES = 9
_FEWEST_ROWS = 10
# share of its mean that a motor's speed may change by: what sweeps further is a chirp
_SWEEPS = 0.3
# radians by which a phase that turns evenly is left to `dsp.steady`
_EVEN = 0.7
# cosine by which a motor's line holds still against its phase: at less, a tenth of its power comes and goes with what is
# sent on it (at most 0.87 in transmissions without a pause)
_CALM = 0.95
# rounds in which the phase is bettered, by the strongest line alone and by all
_ALONE, _ALL = 4, 4
# radians off that an order may be if it is to tell the phase
_TELLS = 0.6
# times the median power beside a line from which on it is disturbed: means of 28 ordinates of noise never differ so much
_DISTURBED = 4.0
# standard deviations by which slow changes must exceed those from row to row to be any
_WANDERS = 5.0
_LOT = 1 << 16
# rows at most that a sample is in
_OVERLAP = 8
# cycles a sample of the highest order
_HIGHEST = 0.498
# rows in which lines are measured that stand still by then: long beside what is sent, which hardly pulls at them then
_ROWS_TO_MEASURE, _LONGEST_ROW = 48, 16384


def without_motor(record: Record, noise: NoiseFloor) -> Record:
    """The record less the lines of a motor whose speed wanders; as it was if there are none."""
    if noise.even or not stands_out(record):
        return record
    # the lowest order may be as slow as a level that wanders
    raw = replace(record, wanders=False)
    return record.less(_of_stretch(raw, stretch) for stretch in record.stretches)


def _of_stretch(record: Record, stretch: Stretch) -> MotorLines | None:
    if len(stretch) > _LONGEST:
        return None
    ridge = ridge_of(record, stretch)
    if ridge is None or np.ptp(ridge.cycles) > _SWEEPS * ridge.cycles.mean():
        return None
    length = max(ridge.length, 1 << int(np.ceil(np.log2(_CYCLES / ridge.cycles.min()))))
    if (len(stretch) - length) // (length // 2) + 1 < _FEWEST_ROWS:
        return None
    if _turns_evenly(_Look(record, stretch, ridge.length), ridge):
        return None
    look = _Look(record, stretch, length)
    highest = _HIGHEST / float(ridge.cycles.mean())
    turning = _alone(look, _started(ridge, stretch), highest)
    if turning is None:
        return None
    look, turning = _closely(look, turning, highest)
    turning, parts, orders = _with_others(look, turning, float(ridge.cycles.max()))
    lines = _measured(look, turning, parts, orders)
    if lines is None or _unevenness(turning, len(stretch)) * lines.lines[-1][0] / parts < _EVEN:
        return None
    return with_ends(record, lines, length)


@dataclass(frozen=True, eq=False)
class _Look:
    """A stretch of a record in rows of so many samples."""

    record: Record
    stretch: Stretch
    length: int
    overlap: int = 2

    def turned(self, turning: Turning, parts: int, orders: list[int], hop: int) -> NDArray[np.complex64]:
        """(orders, rows, 1 + 6): what is left of each order, and the bins beside it, lower ones first."""
        n = np.arange(self.length)
        bins = np.array([0, *(-b for b in BESIDE), *BESIDE])
        waves = np.exp(-2j * np.pi * np.outer(n, bins) / self.length)
        window = (row_window(self.length)[:, None] * waves).astype(np.complex64)
        count = (len(self.stretch) - self.length) // hop + 1
        lot = max(1, _LOT // hop)
        out = []
        for row in range(0, count, lot):
            rows = min(lot, count - row)
            start, stop = row * hop, (row + rows - 1) * hop + self.length
            values = self.record.read_centred(self.stretch.first + start, self.stretch.first + stop)
            base = turning.turn(start, stop, parts).astype(np.complex64)
            out.append(demodulated(values, base, orders, window, hop))
        return np.concatenate(out, axis=1)

    @property
    def hop(self) -> int:
        return self.length // self.overlap

    def centres(self, rows: int) -> Floats:
        return np.asarray(self.hop * np.arange(rows) + self.length / 2.0, dtype=np.float64)


def _started(ridge: Ridge, stretch: Stretch) -> Turning:
    """The phase whose slope is the frequency of the ridge, smoothed."""
    from scipy.interpolate import CubicSpline

    hop = ridge.length // 2
    cycles = smoothed(ridge.cycles, np.ones(ridge.cycles.size))
    at: Floats = np.asarray(hop * np.arange(cycles.size) + ridge.length / 2.0, dtype=np.float64)
    at, cycles = _to_ends(at, cycles, hop, len(stretch))
    return Turning(at, 2.0 * np.pi * np.asarray(CubicSpline(at, cycles).antiderivative()(at)))


def _turns_evenly(look: _Look, ridge: Ridge) -> bool:
    """Whether the ridge strays in disturbed rows only, and the line wanders by no more than its noise in the others: a steady
    tone, or the carrier of something that is seldom sent.

    Noise changes from row to row by as much as it does in the long run (von Neumann 1941).
    """
    telling = ridge.beside < _DISTURBED * np.median(ridge.beside)
    if telling.all():
        return False
    omega = 2.0 * np.pi * float(np.median(ridge.cycles[telling]))
    ends = np.array([-1.0, 1.0 + len(look.stretch)])
    value = look.turned(Turning(ends, omega * ends), 1, [1], look.length // 2)[0, :, 0].astype(np.complex128)
    rows = np.flatnonzero(telling)
    turned = (value * np.exp(-1j * advance_of(value * telling) * np.arange(value.size)))[rows]
    mean = turned.mean()
    if np.abs(mean) < _CALM * np.sqrt(np.mean(np.abs(turned) ** 2)):
        return False
    # rows may be reversed from end to end
    phase = 0.5 * np.angle((turned / mean) ** 2)
    phase -= np.polyval(np.polyfit(rows, phase, 1), rows)
    steps = np.mean(np.diff(phase) ** 2) / 2.0
    return bool(np.mean(phase**2) < (1.0 + _WANDERS / np.sqrt(rows.size)) * steps)


def _to_ends(at: Floats, values: Floats, hop: int, length: int) -> tuple[Floats, Floats]:
    """The same with values before the first and after the last, so that they cover the stretch: along parabolas, whose third
    differences are none."""
    before = np.arange(-np.ceil(at[0] / hop), 0) * hop + at[0]
    after = at[-1] + hop * np.arange(1, np.ceil((length - at[-1]) / hop) + 1)
    few = min(6, at.size)
    first = np.polyfit(at[:few] - at[0], values[:few] - values[0], 2)
    last = np.polyfit(at[-few:] - at[-1], values[-few:] - values[-1], 2)
    return (
        np.concatenate((before, at, after)),
        np.concatenate(
            (
                values[0] + np.polyval(first[:2], before - at[0]) * (before - at[0]),
                values,
                values[-1] + np.polyval(last[:2], after - at[-1]) * (after - at[-1]),
            )
        ),
    )


def _bettered(look: _Look, turning: Turning, off: Floats, aside: Floats, weight: Floats) -> Turning:
    """The phase that rows (r,) were found to be ``off`` from, smoothed; ``aside`` is what noise adds to that.

    What is added to a line changes its amplitude by as much as its phase, which a motor alone does not.
    """
    centres = look.centres(off.size)
    whole = turning.of(centres) + off
    at, phase = _to_ends(centres, smoothed(whole, weight, aside), look.hop, len(look.stretch))
    return Turning(at, phase)


def _alone(look: _Look, turning: Turning, highest: float) -> Turning | None:
    """The phase as the strongest line alone tells it; None if that line does not hold still against it, or turns so evenly
    that orders up to the ``highest`` do."""
    for number in range(_ALONE):
        bins = look.turned(turning, 1, [1], look.hop)[0].astype(np.complex128)
        value = bins[:, 0]
        beside = np.mean(np.abs(bins[:, 1:]) ** 2, axis=1)
        weight = 1.0 / np.maximum(beside, 0.3 * np.median(beside))
        height = np.abs(value)
        aside = height / np.median(height) - 1.0
        turning = _bettered(look, turning, np.unwrap(np.angle(value)), aside, weight)
        if not number and _unevenness(turning, len(look.stretch)) * highest < _EVEN:
            return None
    value = look.turned(turning, 1, [1], look.hop)[0, :, 0].astype(np.complex128)
    calm = float(np.mean(value.real) / np.sqrt(np.mean(np.abs(value) ** 2)))
    return turning if calm > _CALM else None


def _closely(look: _Look, turning: Turning, highest: float) -> tuple[_Look, Turning]:
    """The phase in rows that lie closer, where it wanders within a few of them: it needs many to be smooth."""
    while look.overlap < _OVERLAP and _is_left_behind(look, turning):
        closer = replace(look, overlap=2 * look.overlap)
        better = _alone(closer, turning, highest)
        if better is None:
            break
        look, turning = closer, better
    return look, turning


def _is_left_behind(look: _Look, turning: Turning) -> bool:
    """Whether the strongest line still turns against the phase, by more than its amplitude changes: noise alone does both."""
    value = look.turned(turning, 1, [1], look.hop)[0, :, 0].astype(np.complex128)
    off = np.angle(value * np.conj(value.mean()))
    aside = np.abs(value) / np.median(np.abs(value)) - 1.0
    return bool(np.mean(off**2) > (1.0 + _WANDERS / np.sqrt(value.size)) * np.mean(aside**2))


def _unevenness(turning: Turning, length: int) -> float:
    """Radians over which the phase departs from an even turn."""
    n = np.linspace(0, length - 1, 512)
    phase = np.interp(n, turning.at, turning.phase)
    return float(np.ptp(phase - np.polyval(np.polyfit(n / length, phase, 1), n / length)))


def _with_others(look: _Look, turning: Turning, cycles: float) -> tuple[Turning, int, list[int]]:
    """The phase as all orders tell it, parts of a turn, and the orders that may be there."""
    parts = 1
    for tried in _PARTS[1:]:
        some = [k for k in range(1, 2 * tried) if k % tried]
        bins = look.turned(turning, tried, some, look.hop)
        if any(_holds(bins[i]) for i in range(len(some))):
            parts = tried
            break
    orders = list(range(1, min(_ORDERS, int(_HIGHEST / (cycles / parts))) + 1))
    best, out = -np.inf, turning
    floor: Floats | None = None
    for _ in range(_ALL):
        held = look.turned(turning, parts, orders, look.hop).astype(np.complex128)
        if floor is None:
            floor = np.maximum(np.median(np.abs(held[:, :, 1:]) ** 2, axis=(1, 2)), 1e-300)
        # the phase against which most of all lines stands still
        still = float(np.sum(np.abs(held[:, :, 0].mean(axis=1)) ** 2 / floor))
        if still < best:
            break
        best, out = still, turning
        turning = _bettered(look, turning, *_off(held, np.array(orders, dtype=np.float64) / parts))
    return out, parts, orders


def _holds(bins: NDArray[np.complex64]) -> bool:
    """Whether a line stands still in rows (r, 7) and out of what is beside it."""
    power = np.mean(np.abs(bins[:, 1:]) ** 2)
    return bool(
        np.abs(bins[:, 0].mean()) ** 2 > 10.0 * power / len(bins) + 0.5 * np.mean(np.abs(bins[:, 0]) ** 2)
    )


def _off(bins: Complexes, orders: Floats) -> tuple[Floats, Floats, Floats]:
    """By how much the phase is off (rows,), from bins (orders, rows, 7), what noise adds to that, and the weight of it."""
    value = bins[:, :, 0]
    beside = np.mean(np.abs(bins[:, :, 1:]) ** 2, axis=2)
    restless = np.abs(np.diff(value, axis=1, prepend=value[:, :1])) ** 2 / 2.0
    from scipy.ndimage import uniform_filter1d

    noise = np.maximum(uniform_filter1d(np.maximum(beside, restless), 5, axis=1, mode="nearest"), 1e-300)
    weight = 1.0 / np.maximum(noise, 0.3 * np.median(noise, axis=1, keepdims=True))
    mean = np.sum(weight * value, axis=1) / np.sum(weight, axis=1)
    # an order that stands still tells; one whose phase runs away does not yet
    share = np.abs(mean) ** 2 / np.maximum(
        np.sum(weight * np.abs(value) ** 2, axis=1) / weight.sum(axis=1), 1e-300
    )
    tells = share > np.cos(_TELLS) ** 2
    if not tells.any():
        tells[int(np.argmax(share))] = True
    told = weight * (np.abs(mean) ** 2 * tells)[:, None]
    still = value / np.where(mean == 0.0, 1.0, mean)[:, None]
    total = np.maximum((told * orders[:, None] ** 2).sum(axis=0), 1e-300)
    off = (told * orders[:, None] * np.angle(still)).sum(axis=0) / total
    aside = (told * orders[:, None] * (np.abs(still) - 1.0)).sum(axis=0) / total
    return off, aside, total


def smoothed(values: Floats, weight: Floats, noise: Floats | None = None) -> Floats:
    """Values (n,) of so much weight each, smoothed by third differences.

    By how much: for the least squares off the truth, as ``noise`` (n,) like that of the values tells (an unbiased estimate,
    as Mallows 1973), or as cross-validation asks for.
    """
    from scipy.linalg import solveh_banded

    count = values.size
    if count < 8:
        return np.asarray(
            np.polyval(np.polyfit(np.arange(count), values, 2, w=np.sqrt(weight)), np.arange(count))
        )
    weight = weight / weight.mean()
    weight = np.maximum(weight, 1e-6)
    third = np.diff(np.eye(7), 3, axis=0)
    # bands of the product of the differences with themselves
    bands = np.zeros((4, count))
    for row in range(count - 3):
        for a in range(4):
            bands[3 - a, row + a : row + 4] += third[0, : 4 - a] * third[0, a:4]
    turn = (2.0 - 2.0 * np.cos(np.pi * (np.arange(count) + 0.5) / count)) ** 3
    best, out = np.inf, values
    for stiff in 10.0 ** np.arange(-2.0, 9.1, 0.5):
        system = stiff * bands
        system[3] += weight
        shown = np.asarray(solveh_banded(system, weight * values))
        free = 3.0 + float(np.sum(1.0 / (1.0 + stiff * turn[3:])))
        if free > 0.5 * count:
            continue
        left = float(np.mean(weight * (values - shown) ** 2))
        if noise is None:
            score = left / (1.0 - free / count) ** 2
        else:
            kept = np.asarray(solveh_banded(system, weight * noise))
            score = left + float(np.mean(weight * (kept**2 - (noise - kept) ** 2)))
        if score < best:
            best, out = score, shown
    return out


def _measured(look: _Look, turning: Turning, parts: int, orders: list[int]) -> MotorLines | None:
    """The lines that stand out at these orders."""
    longer = 1 << int(np.log2(len(look.stretch) / _ROWS_TO_MEASURE))
    look = replace(look, length=max(look.length, min(longer, _LONGEST_ROW)))
    bins = look.turned(turning, parts, orders, look.length).astype(np.complex128)
    window = row_window(look.length)
    lines: list[tuple[int, Tone]] = []
    for order, own in zip(orders, bins, strict=True):
        left, right = own[:, 1:4], own[:, 4:7]
        rows = Rows(
            own[:, 0],
            np.mean(np.abs(own[:, 1:]) ** 2, axis=1),
            np.mean(left * right, axis=1),
            0.0,
            0.0,
            look.length,
        )
        tone = fitted(rows, window)
        if tone is not None:
            lines.append((order, tone))
    if not lines:
        return None
    return MotorLines(look.stretch.first, look.stretch.last, turning, parts, tuple(lines))
