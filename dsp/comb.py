"""A wave that repeats all through a record: switching, commutation, rectified mains, with all its harmonics at once.

Harmonics of a slow wave stand too close for each to be measured by itself, and a wave with edges looks like jumps of the
level; but all of them are multiples of one frequency. That frequency is the one of whose multiples more peaks of a spectrum
are than chance puts there. All harmonics are then fitted together over the whole stretch (weighted least squares, Aitken
1935, which is the average over the periods, McFadden 1987, where nothing else is sent): what is sent hardly pulls at them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dsp.noise import NoiseFloor
from dsp.source import Record, Stretch
from dsp.steady import row_window
from dsp.tones import Complexes, Floats, Tone, Tones, Wave

Flags = NDArray[np.bool_]
Orders = NDArray[np.int64]

# samples of the shortest and longest stretch that is looked at, and of the spectrum that peaks are found in
_SHORTEST, _LONGEST, _SPECTRUM = 1 << 11, 1 << 23, 1 << 20
# bins of a spectrum that tell its floor by a low quantile: main lobes of a wave's harmonics may fill half of them
_BINS, _QUANTILE = 64, 0.1
# times the floor by which a peak stands out: the highest of 2^19 exponential ordinates is 13 times their mean
_OUT = 40.0
# bins of the window's main lobe to either side, and between neighbours at least, for something to be seen beside them
_LOBE, _APART = 4, 10
_PEAKS = 256
# bins that a peak may stand beside its multiple: one that is 16 dB above the noise is known to a tenth
_BESIDE = 0.3
# strongest peaks that may be a harmonic, of this order at most
_STRONGEST, _HIGHEST = 12, 48
# peaks that are multiples at least, and natural units by which they must be more than chance: some hundred are tried
_FEWEST, _EVIDENCE = 5, 30.0
# lowest orders, and the share of the highest amplitude that one of them has: what is sent around a carrier has not
_LOW_ORDERS, _LOW_SHARE = 3, 0.25
# harmonics at most, and radians a sample of the highest: next to half the sample rate amplitude and phase are one
_ORDERS, _HIGHEST_TURN = 400, 0.998 * np.pi
# samples of a row that counts as a whole, rows at most, and of how many together the frequency is told at first
_ROW, _ROWS, _TOGETHER = 256, 4096, 256
# rounds in which what is left tells the weight of rows, and share of them that is taken to be quiet
_ROUNDS, _QUIET = 3, 0.15
# share of the power of the strongest that an order has at least if it tells the frequency
_TELLS = 1e-2
# natural units that a harmonic gains if it is taken off: noise alone gains one, and what is taken then is added elsewhere
_GAINED = 4.0
# share of a peak's power that may be left, and of all peaks those of which no more is
_LEFT, _MOST_PEAKS = 0.05, 0.8


def without_comb(record: Record, noise: NoiseFloor) -> Record:
    """The record less a wave that repeats all through it, in each stretch; as it was if there is none."""
    if not record.wanders and noise.lines.max(initial=1.0) <= 1.0:
        return record
    # the wave may be as slow as a level that wanders
    raw = replace(record, wanders=False)
    return record.less(comb_of(raw, stretch) for stretch in record.stretches)


def comb_of(record: Record, stretch: Stretch) -> Wave | None:
    """The harmonics of a wave that repeats all through the stretch."""
    if not _SHORTEST <= len(stretch) <= _LONGEST:
        return None
    values = record.read_centred(stretch.first, stretch.last)
    seen = _peaks(values)
    if seen is None:
        return None
    found = _fundamental(seen)
    if found is None:
        return None
    cycles, hits = found
    tones = _fitted(values, 2.0 * np.pi * cycles, seen)
    whole = Wave(Tones(stretch.first, stretch.last, tones))
    whole.take_off(values, stretch.first)
    return whole if _is_gone(seen, hits, values) else None


@dataclass(frozen=True, eq=False)
class _Seen:
    """Peaks (p,) of a spectrum in bins, their power, and the floor (bins,) of it; ``length`` samples were transformed."""

    length: int
    at: Floats
    power: Floats
    floor: Floats


def _spectrum(values: NDArray[np.float32]) -> Floats:
    """Power (bins,) of the middle of samples (n,)."""
    from scipy.fft import rfft

    length = min(values.size, _SPECTRUM)
    start = (values.size - length) // 2
    whole = rfft(values[start : start + length] * row_window(length).astype(np.float32))
    return np.asarray(whole.real.astype(np.float64) ** 2 + whole.imag.astype(np.float64) ** 2)


def _peaks(values: NDArray[np.float32]) -> _Seen | None:
    """What stands out of the spectrum; None if too little does."""
    from scipy.ndimage import maximum_filter1d

    power = _spectrum(values)
    blocks = power.size // _BINS
    rows = power[: blocks * _BINS].reshape(blocks, _BINS)
    low = np.quantile(rows, _QUANTILE, axis=1) / -np.log(1.0 - _QUANTILE)
    floor = np.interp(np.arange(power.size), _BINS * (np.arange(blocks) + 0.5), np.maximum(low, 1e-30))
    highest = power >= maximum_filter1d(power, 2 * _LOBE + 1)
    at = np.flatnonzero(highest & (power > _OUT * floor))
    at = at[(at >= _APART) & (at < power.size - 2)]
    at = np.sort(at[np.argsort(-power[at])[:_PEAKS]])
    if at.size < _FEWEST:
        return None
    left, middle, right = (np.log(np.maximum(power[at + k], 1e-30)) for k in (-1, 0, 1))
    bend = np.minimum(left - 2.0 * middle + right, -1e-9)
    return _Seen(min(values.size, _SPECTRUM), at + 0.5 * (left - right) / bend, power[at], floor)


def _fundamental(seen: _Seen) -> tuple[float, Flags] | None:
    """Cycles a sample of the wave, and which peaks (p,) are its harmonics; None if no wave's are."""
    strong = np.argsort(-seen.power)[:_STRONGEST]
    order = np.arange(1, _HIGHEST + 1)
    tried = (seen.at[strong][:, None] / order).ravel()
    limit = np.broadcast_to(order, (strong.size, order.size)).ravel().astype(np.float64)
    keep = tried >= _APART
    tried, limit = tried[keep], limit[keep]
    hits = np.zeros((tried.size, seen.at.size), dtype=np.bool_)
    # a frequency known from an order is known well enough to tell which twice that is
    while True:
        many = np.rint(seen.at / tried[:, None])
        off = np.abs(seen.at - many * tried[:, None])
        hits = (off < _BESIDE) & (many >= 1.0) & (many <= 2.0 * limit[:, None])
        told = np.where(hits, many, 0.0)
        squares = np.sum(told**2, axis=1)
        tried = np.where(squares > 0.0, told @ seen.at / np.maximum(squares, 1.0), tried)
        if np.all(2.0 * limit * tried > seen.at[-1]):
            break
        limit = 2.0 * limit
    share = np.minimum(2.0 * _BESIDE / tried, 0.5)
    count = hits.sum(axis=1)
    part = np.clip(count / seen.at.size, 1e-9, 1.0 - 1e-9)
    more = seen.at.size * (part * np.log(part / share) + (1.0 - part) * np.log((1.0 - part) / (1.0 - share)))
    more[(part <= share) | (count < _FEWEST) | (tried < _APART)] = 0.0
    best = int(np.argmax(more))
    if more[best] < _EVIDENCE:
        return None
    mine = hits[best]
    low = np.rint(seen.at / tried[best]) <= _LOW_ORDERS
    if seen.power[mine & low].max(initial=0.0) < _LOW_SHARE**2 * seen.power[mine].max():
        return None
    return float(tried[best]) / seen.length, mine


def _fitted(values: NDArray[np.float32], omega: float, seen: _Seen) -> tuple[Tone, ...]:
    """Harmonics of a wave of about ``omega`` radians a sample, those that stand out of the floor."""
    floor = seen.floor / np.sum(row_window(seen.length) ** 2)
    orders = np.arange(1, min(_ORDERS, int(_HIGHEST_TURN / omega)) + 1)
    length = _ROW * max(1, -(-values.size // (_ROW * _ROWS)))
    cut = _cut(values, length)
    taper = np.hanning(len(cut) + 2)[1:-1]
    # before other harmonics are known, what leaks between them is kept small by the taper alone
    omega = _gathered(
        _sums(cut, omega, orders) * taper[:, None], omega, orders, _at(floor, omega, orders), length
    )
    weight, found = taper, Tones(0, values.size, ())
    for number in range(_ROUNDS):
        sums = _sums(cut, omega, orders)
        amplitudes = _solved(sums, weight, omega, orders, length)
        # noise of this density leaves of an amplitude so much, in which power one natural unit is
        free = 4.0 * np.sum(weight**2) / (length * np.sum(weight) ** 2) * _at(floor, omega, orders)
        stays = np.abs(amplitudes) ** 2 > _GAINED * free
        if not stays.any():
            return ()
        orders = orders[stays]
        amplitudes = _solved(sums[:, stays], weight, omega, orders, length)
        found = _tones(amplitudes, omega, orders, values.size)
        if number == _ROUNDS - 1:
            break
        left = values.copy()
        found.take_off(left, 0)
        weight = taper * _quietness(_cut(left, length))
    return found.tones


def _cut(values: NDArray[np.float32], length: int) -> NDArray[np.float32]:
    """Samples (n,) in rows of so many."""
    return values[: values.size // length * length].reshape(-1, length)


def _quietness(rest: NDArray[np.float32]) -> Floats:
    """One over the power of what is left in rows (r, n), but for quiet ones, in which it is known no better."""
    power = np.mean(rest.astype(np.float64) ** 2, axis=1)
    quiet = max(float(np.quantile(power, _QUIET)), 1e-300)
    return np.asarray(quiet / np.maximum(power, 0.5 * quiet))


def _at(floor: Floats, omega: float, orders: Orders) -> Floats:
    """The floor (bins,) at orders of radians a sample."""
    at = np.rint(orders * (omega / np.pi * (floor.size - 1))).astype(np.int64)
    return np.asarray(floor[np.minimum(at, floor.size - 1)])


def _tones(amplitudes: Complexes, omega: float, orders: Orders, length: int) -> Tones:
    pairs = zip(amplitudes, orders.tolist(), strict=True)
    return Tones(0, length, tuple(Tone(order * omega, length, np.array([a, a])) for a, order in pairs))


def _sums(cut: NDArray[np.float32], omega: float, orders: Orders) -> Complexes:
    """Rows of samples (r, n) against turns of each order (m,): (r, m)."""
    turns = np.exp(-1j * omega * np.outer(np.arange(cut.shape[1]), orders))
    both = cut @ np.concatenate((turns.real, turns.imag), axis=1).astype(np.float32)
    sums = both[:, : orders.size] + 1j * both[:, orders.size :]
    sums *= np.exp(-1j * omega * np.outer(cut.shape[1] * np.arange(cut.shape[0]), orders))
    return np.asarray(sums, dtype=np.complex128)


def _gathered(sums: Complexes, omega: float, orders: Orders, floor: Floats, length: int) -> float:
    """The frequency against which weighted sums of rows (r, m) of all orders gather most, over the floor (m,)."""
    together = -(-sums.shape[0] // _TOGETHER)
    starts = np.arange(0, sums.shape[0], together)
    whole = np.add.reduceat(sums, starts, axis=0) / np.sqrt(floor)
    middle = length * (starts + 0.5 * together)
    strong = np.abs(whole.sum(axis=0)) ** 2
    # nearer than a turn of the highest order that tells there is one top
    telling = orders[strong > _TELLS * strong.max()]
    reach = 2.0 * np.pi / (float(telling.max()) * middle[-1])
    for _ in range(3):
        tried = reach * np.linspace(-1.0, 1.0, 17)
        shifts = [np.exp(-1j * shift * np.outer(middle, orders)) for shift in tried]
        power = np.array([np.sum(np.abs(np.sum(whole * shift, axis=0)) ** 2) for shift in shifts])
        top = int(np.clip(np.argmax(power), 1, tried.size - 2))
        a, b, c = power[top - 1 : top + 2]
        bend = a - 2.0 * b + c
        shift = tried[top] + (0.5 * (a - c) / bend * (tried[1] - tried[0]) if bend < 0.0 else 0.0)
        omega += float(shift)
        whole = whole * np.exp(-1j * shift * np.outer(middle, orders))
        reach /= 6.0
    return omega


def _solved(sums: Complexes, weight: Floats, omega: float, orders: Orders, length: int) -> Complexes:
    """Amplitudes (m,) of the orders, by least squares of all together, from sums of rows (r, m) of so much weight each."""
    reach = np.arange(2 * int(orders[-1]) + 1) * omega
    inner = np.exp(-1j * np.outer(np.arange(length), reach)).sum(axis=0)
    outer = weight @ np.exp(-1j * np.outer(length * np.arange(weight.size), reach))
    of_weight = inner * outer
    apart = orders[:, None] - orders[None, :]
    near = np.where(apart >= 0, of_weight[np.abs(apart)], np.conj(of_weight[np.abs(apart)]))
    far = of_weight[orders[:, None] + orders[None, :]]
    real, imaginary = 0.5 * (near + far), 0.5j * (near - far)
    system = np.block([[real.real, imaginary.real], [real.imag, imaginary.imag]])
    right = weight @ sums
    found = np.linalg.lstsq(system, np.concatenate((right.real, right.imag)), rcond=1e-9)[0]
    return np.asarray(found[: orders.size] + 1j * found[orders.size :])


def _is_gone(seen: _Seen, hits: Flags, left: NDArray[np.float32]) -> bool:
    """Whether hardly anything is left of the peaks that were taken to be harmonics: what comes and goes leaves more."""
    from scipy.ndimage import maximum_filter1d

    power = maximum_filter1d(_spectrum(left), 2 * _LOBE + 1)
    at = np.rint(seen.at[hits]).astype(np.int64)
    before = seen.power[hits]
    gone = power[at] < np.maximum(_LEFT * before, _OUT * seen.floor[at])
    return bool(np.mean(gone) > _MOST_PEAKS and np.sum(before[gone]) > _MOST_PEAKS * np.sum(before))
