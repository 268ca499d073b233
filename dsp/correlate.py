"""Correlating symbols with a carrier, for any carrier, symbol period and start, at the cost of a lookup.

``Turned`` keeps the running sum of the samples turned back by the carrier; the correlation of any stretch
with that carrier is then a difference of two values. In white noise of variance ``v`` a correlation over
``n`` samples divided by ``sqrt(v n / 2)`` has unit variance in each of its two components, and a
symbol of amplitude ``A`` has there the length ``g = sqrt(A^2 n / (2 v)) = sqrt(2 Es/N0)``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.source import Floats

Complexes = NDArray[np.complexfloating[Any, Any]]

# samples that are summed up by one product, and rows of them at a time: so few that the library makes no threads of its
# own for it
_TOGETHER = 8
_ROWS = 1 << 11
# turns of a running sum that are worth no array calls
_FEW_TURNS = 160
# natural units that what a transmission has of its own gains it in noise
OWN_NATS = 12.0


@dataclass(frozen=True, eq=False)
class SymbolSums:
    """Sums over symbols, all of one shape (..., k).

    ``z`` is the correlation with the turned carrier, ``length`` the samples that count, and ``double_re``,
    ``double_im`` the sum of ``exp(2j omega m)``: what a symbol's energy depends on the phase it begins with,
    which is nothing to speak of where there are many carrier cycles a symbol.
    """

    z: Complexes
    length: Floats
    double_re: NDArray[np.float32]
    double_im: NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Turned:
    """Running sum of ``x[m] exp(-j omega m)``, ``m`` counted from the first sample of the stretch.

    ``sharp`` says how samples next to a symbol edge are shared out: sharp, each sample belongs to the symbol
    in which its instant lies (ideal point samples); else it is shared in proportion (a front end that
    averages over the sample interval).
    """

    sums: Complexes
    omega: float
    sharp: bool = False

    @property
    def length(self) -> int:
        return self.sums.size - 1

    @property
    def early(self) -> float:
        """Samples by which an instant lies before the place in the running sum that `at` reads for it."""
        return 0.0 if self.sharp else 0.5

    def at(self, edges: Floats) -> Complexes:
        """The running sum up to fractional sample positions, held constant outside the stretch."""
        if self.sharp:
            return np.asarray(self.sums.take(np.ceil(edges - 1e-9).astype(np.int64), mode="clip"))
        place = np.clip(edges + 0.5, 0.0, float(self.length))
        whole = np.minimum(place.astype(np.int64), self.length - 1)
        base = self.sums.take(whole)
        place -= whole
        whole += 1
        after = self.sums.take(whole)
        after -= base
        after *= place
        after += base
        return np.asarray(after)

    def sums_of(self, edges: Floats) -> SymbolSums:
        """Everything that a likelihood asks of the symbols between neighbouring ``edges`` (..., k + 1)."""
        place = np.ceil(edges - 1e-9) if self.sharp else edges + 0.5
        np.maximum(place, 0.0, out=place)
        np.minimum(place, float(self.length), out=place)
        whole = place.astype(np.int64)
        values = self.sums.take(whole)
        part: Floats | None = None
        if not self.sharp:
            part = place - whole
            # beyond the last sample there is no part of one
            after = self.sums.take(whole + 1, mode="clip")
            after -= values
            after *= part
            values += after
        re, im = self.doubles(whole, part)
        return SymbolSums(
            values[..., 1:] - values[..., :-1],
            place[..., 1:] - place[..., :-1],
            re[..., 1:] - re[..., :-1],
            im[..., 1:] - im[..., :-1],
        )

    def spans_of(self, edges: Floats) -> tuple[Floats, NDArray[np.float32], NDArray[np.float32]]:
        """Of `sums_of` what does not depend on the samples: length and doubles (..., k)."""
        place = np.ceil(edges - 1e-9) if self.sharp else edges + 0.5
        place = np.clip(place, 0.0, float(self.length))
        whole = place.astype(np.int64)
        re, im = self.doubles(whole, None if self.sharp else place - whole)
        return np.diff(place), np.diff(re), np.diff(im)

    def doubles(
        self, whole: NDArray[np.int64], part: Floats | None = None
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Running sum of ``exp(2j omega m)`` up to ``whole`` samples and a ``part`` of one more."""
        turn = np.exp(2j * self.omega) - 1.0
        if abs(turn) < 1e-6:
            zero = np.zeros(whole.shape, dtype=np.float32)
            return zero, zero
        cos, sin = _of_turns(whole * (self.omega / np.pi))
        # (1 + part turn) / turn: the sum up to a fraction of a sample runs straight
        inverse = 1.0 / turn
        re: NDArray[np.float32] | np.float32 = np.float32(inverse.real)
        if part is not None:
            re = part.astype(np.float32) + re
        im = np.float32(inverse.imag)
        across = sin * re
        sin *= im
        re = cos * re
        re -= sin
        cos *= im
        cos += across
        return np.asarray(re), np.asarray(cos)

    def between(self, edges: Floats) -> Complexes:
        """Correlations over neighbouring edges along the last axis."""
        values = self.at(edges)
        return values[..., 1:] - values[..., :-1]

    def energies(self, edges: Floats, phase: Floats | float, period: Floats | float) -> Floats:
        """Energy of the unit carrier in each symbol, over half the period.

        The samples that fall into a symbol are counted, and what their phase adds: with few cycles or few
        samples a symbol, symbols differ. ``phase`` is that of the turned carrier (0 at the first sample).
        """
        return self.templates(edges, phase, period).real

    def templates(self, edges: Floats, phase: Floats | float, period: Floats | float) -> Complexes:
        """What each symbol of unit length correlates to with the carrier turned back by ``phase``.

        The real part is its energy over half the period, the imaginary part what few cycles a symbol let
        through across the phase.
        """
        return self._shares(edges, phase, period)[0]

    def across(self, edges: Floats, phase: Floats | float, period: Floats | float) -> Floats:
        """Energy over half the period of the carrier a quarter turn on: the noise across the phase."""
        return self._shares(edges, phase, period)[1]

    def _shares(
        self, edges: Floats, phase: Floats | float, period: Floats | float
    ) -> tuple[Complexes, Floats]:
        place = np.ceil(edges - 1e-9) if self.sharp else edges + 0.5
        place = np.clip(place, 0.0, float(self.length))
        length = place[..., 1:] - place[..., :-1]
        turn = np.exp(2j * self.omega) - 1.0
        if abs(turn) < 1e-6:
            return np.asarray(length / period + 0j), np.asarray(length / period)
        whole = np.floor(place)
        values = np.exp(2j * self.omega * whole) / turn
        # a cut sample is shared out as `at` shares it: the sum up to a fraction of a sample runs straight
        values = values * (1.0 + (place - whole) * turn)
        double = (values[..., 1:] - values[..., :-1]) * np.exp(2j * np.asarray(phase))
        return np.asarray((length + np.conj(double)) / period), np.asarray((length - double.real) / period)

    def sharpened(self, sharp: bool) -> Turned:
        return Turned(self.sums, self.omega, sharp)


def turn_back(samples: Floats, omega: float, sharp: bool = False) -> Turned:
    """Multiply by ``exp(-j omega m)`` and sum up, a block at a time.

    A running sum goes one value after the other, each waiting for the one before. Sums over up to eight samples are
    therefore a product with a small matrix; those rows are turned by where they begin, and only their totals run.
    ``samples`` has shape (n,), ``omega`` is in radians a sample.
    """
    sums = np.empty(samples.size + 1, dtype=np.complex128)
    sums[0] = total = 0.0
    # term (i, j): sample i of a row in the sum of its first j + 1
    upto = np.triu(np.ones((_TOGETHER, _TOGETHER))) * np.exp(-1j * omega * np.arange(_TOGETHER))[:, None]
    most = min(_ROWS, samples.size // _TOGETHER)
    turn = np.exp(-1j * (omega * _TOGETHER * np.arange(most) % (2.0 * np.pi))).repeat(_TOGETHER)
    before = np.empty(most + 1, dtype=np.complex128)
    whole = samples.size // _TOGETHER * _TOGETHER
    for start in range(0, whole, _ROWS * _TOGETHER):
        rows = (
            samples[start : min(start + _ROWS * _TOGETHER, whole)].astype(np.float64).reshape(-1, _TOGETHER)
        )
        here = sums[start + 1 : start + 1 + rows.size]
        matrix = (upto * np.exp(-1j * (omega * start % (2.0 * np.pi)))).view(np.float64)
        np.matmul(rows, matrix, out=here.view(np.float64).reshape(len(rows), -1))
        here *= turn[: here.size]
        begins = before[: len(rows) + 1]
        begins[0], begins[1:] = total, here[_TOGETHER - 1 :: _TOGETHER]
        np.cumsum(begins, out=begins)
        here += begins[:-1].repeat(_TOGETHER)
        total = begins[-1]
    rest = np.arange(whole, samples.size)
    sums[whole + 1 :] = total + np.cumsum(samples[whole:] * np.exp(-1j * (omega * rest % (2.0 * np.pi))))
    return Turned(sums, omega, sharp)


def cos_sin(angle: Floats) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Cosine and sine to seven digits: whole turns come off first, the rest is quick in single precision."""
    return _of_turns(angle * (0.5 / np.pi))


def _of_turns(turns: Floats) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """The same of angles in turns, which are spent."""
    turns -= np.rint(turns)
    rest = turns.astype(np.float32)
    rest *= np.float32(2.0 * np.pi)
    return np.cos(rest), np.sin(rest)


def log_cosh(x: Floats) -> Floats:
    """``ln cosh x`` without overflow."""
    y = np.abs(x)
    return np.asarray(y + np.log1p(np.exp(-2.0 * y)) - y.dtype.type(np.log(2.0)))


def best_run(score: Floats) -> tuple[Floats, NDArray[np.int64], NDArray[np.int64]]:
    """Largest sum over contiguous columns of each row, with its half-open column range.

    ``score`` has shape (rows, columns).
    """
    total = np.zeros((score.shape[0], score.shape[1] + 1), dtype=score.dtype)
    np.cumsum(score, axis=1, out=total[:, 1:])
    lowest = np.minimum.accumulate(total, axis=1)
    gain = total - lowest
    stop = np.argmax(gain, axis=1)
    rows = np.arange(score.shape[0])
    value = gain[rows, stop]
    # the start is the last column before the stop at which the lowest total was reached
    hit = (total == lowest[rows, stop][:, None]) & (np.arange(total.shape[1])[None, :] <= stop[:, None])
    start = total.shape[1] - 1 - np.argmax(hit[:, ::-1], axis=1)
    return value, start, stop


def on_runs(on_nats: Floats, change_nats: float) -> list[tuple[int, int]]:
    """Half-open index runs that are on along the best path; ``on_nats`` is ln(on / off) of each frame.

    The best path of a two-state chain switches on where the running sum has risen by the cost of two
    changes from its minimum, and off where it has fallen so from its maximum (Page 1954).
    """
    # only the ends of stretches of one sign can be where the running sum turns
    places = turns_of(on_nats > 0.0)
    return path_through(places, np.concatenate(([0.0], np.cumsum(on_nats)))[places], change_nats)


def on_runs_within(
    on_nats: Floats, offset: NDArray[np.integer[Any]], change_nats: Floats
) -> NDArray[np.int64]:
    """`on_runs` of rows that lie one after the other, all at once: runs (n, 2), none across the end of a row.

    ``offset`` (rows + 1,) is where each row begins, ``change_nats`` (rows,) what a change costs in it.
    """
    if not on_nats.size:
        return np.zeros((0, 2), dtype=np.int64)
    cost = np.repeat(2.0 * change_nats, np.diff(offset))
    sign = on_nats > 0.0
    begins = np.zeros(on_nats.size, dtype=np.bool_)
    begins[offset[:-1]] = True
    before = np.concatenate(([False], sign[:-1])) & ~begins
    # a row begins where it first rises and ends where it last does: between rows the sum falls as far as it takes
    rise = np.flatnonzero(sign & ~before)
    last = np.append(begins[1:], True)
    fall = np.flatnonzero(sign & (last | ~np.append(sign[1:], False))) + 1
    if not rise.size:
        return np.zeros((0, 2), dtype=np.int64)
    # in units of the cost, which differs from row to row
    total = np.concatenate(([0.0], np.cumsum(on_nats / cost)))
    row = np.searchsorted(offset, rise, "right") - 1
    step = 2.0 + 2.0 * float(np.abs(total).max())
    places, sums = np.stack((rise, fall), axis=1), np.stack((total[rise], total[fall]), axis=1)
    sums -= (step * row)[:, None]
    return np.array(path_through(places.ravel(), sums.ravel(), 0.5), dtype=np.int64).reshape(-1, 2)


def turns_of(sign: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Both ends of a row (n,) of signs, and where the sign changes."""
    turns = np.flatnonzero(sign[1:] != sign[:-1]) + 1
    return np.concatenate(([0], turns, [sign.size]))


def path_through(places: NDArray[np.int64], total: Floats, change_nats: float) -> list[tuple[int, int]]:
    """`on_runs` by the running sum ``total`` (t,) at the ``places`` (t,) where it turns, and at both ends."""
    cost = 2.0 * change_nats
    places, total = _without_ripple(places, total, cost)
    runs: list[tuple[int, int]] = []
    on = False
    begin = low_at = high_at = 0
    low = high = 0.0
    for at, value in zip(places.tolist(), total.tolist(), strict=True):
        if on:
            if value > high:
                high, high_at = value, at
            elif high - value > cost:
                runs.append((begin, high_at))
                on, low, low_at = False, value, at
        elif value <= low:
            low, low_at = value, at
        elif value - low > cost:
            on, begin, high, high_at = True, low_at, value, at
    if on:
        runs.append((begin, high_at))
    return runs


def _without_ripple(
    places: NDArray[np.int64], total: Floats, cost: float
) -> tuple[NDArray[np.int64], Floats]:
    """Turns of a running sum without those that no path of least cost turns at.

    A step back that is smaller than ``cost`` and than the steps on either side of it reaches beyond neither the
    turn before nor the one after: switching there gains nothing. Each round leaves about a third.
    """
    while total.size > _FEW_TURNS:
        step = np.abs(np.diff(total))
        inner = step[1:-1]
        small = (inner < step[:-2]) & (inner < step[2:]) & (inner < cost)
        first = np.flatnonzero(small) + 1
        if not first.size:
            break
        keep = np.ones(total.size, dtype=np.bool_)
        keep[first] = keep[first + 1] = False
        places, total = places[keep], total[keep]
    return places, total


def strongest_runs(nats: Floats, change: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats]:
    """The likeliest of the runs of `on_runs` in each row: first, last (half-open) and value, each (rows,).

    ``nats`` has shape (rows, columns), ``change`` (rows,).
    """
    value, first, last = best_run(nats)
    # only a run that falls far in between may be two, and none falls farther than by all that is negative in it
    column = np.arange(nats.shape[1])
    within = (column >= first[:, None]) & (column < last[:, None])
    lost = -np.sum(np.minimum(nats, 0.0), axis=1, where=within)
    rows = np.flatnonzero(lost > 2.0 * change)
    for row in rows[_falls(np.where(within[rows], nats[rows], 0.0)) > 2.0 * change[rows]].tolist():
        runs = on_runs(nats[row], float(change[row]))
        if runs:
            sums = [float(nats[row, a:b].sum()) for a, b in runs]
            most = int(np.argmax(sums))
            first[row], last[row], value[row] = *runs[most], sums[most]
    return first, last, value


def _falls(nats: Floats) -> Floats:
    """How far the running sum of each row (b, n) falls from the highest it has been, the nothing before it included."""
    total = np.cumsum(nats, axis=1)
    return np.asarray(
        (np.maximum.accumulate(np.maximum(total, 0.0), axis=1) - total).max(axis=1, initial=0.0)
    )


def change_nats(gain: Floats) -> Floats:
    """Cost of switching on or off, for symbols of length ``gain`` correlated in phase.

    Only the odds of a rare event are asked: a silence begins once in some fifty symbols, is one of some twenty
    lengths, and what follows it has a timing and a phase of its own. A little more of strong symbols, whose
    lengths differ by more than noise.
    """
    return np.where(np.asarray(gain) < 4.5, 5.5, 7.0)


def change_nats_unphased(gain: float, cycles: float) -> float:
    """The same for symbol lengths whose timing and phase are only roughly known.

    With few carrier ``cycles`` a symbol its length depends on the phase it begins with.
    """
    return max(4.0, (0.225 if cycles > 1.6 else 0.4) * gain * gain)


def split_nats(gain: Floats, cycles: float) -> Floats:
    """The same where a run is cut for trial, and a fit to the whole then tells whether it must be."""
    return np.clip((0.225 if cycles > 1.6 else 0.4) * gain * gain, 1.5, 6.0 if cycles > 1.6 else 12.0)


def own_nats(each: Floats) -> Floats:
    """What a transmission must be worth to be one of its own, its symbols being worth ``each`` nats.

    Timing, phase, carrier, amplitude and ends of its own gain as much in noise, and one must begin at just this symbol;
    of strong ones more, since no pulse and no period is just as it is taken to be.
    """
    return np.asarray(OWN_NATS + 0.35 * np.maximum(0.0, each - 6.0))
