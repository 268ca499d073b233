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
        place, re, im = self.upto(edges)
        return np.diff(place), np.diff(re), np.diff(im)

    def upto(self, edges: Floats) -> tuple[Floats, NDArray[np.float32], NDArray[np.float32]]:
        """Samples before each of the ``edges`` (..., k), and the running doubles there."""
        place = np.ceil(edges - 1e-9) if self.sharp else edges + 0.5
        place = np.clip(place, 0.0, float(self.length))
        whole = place.astype(np.int64)
        return place, *self.doubles(whole, None if self.sharp else place - whole)

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
    y = np.asarray(np.abs(x))
    if y.dtype != np.float32:
        return np.asarray(y + np.log1p(np.exp(-2.0 * y)) - np.log(2.0))
    value = y * np.float32(-2.0)
    np.exp(value, out=value)
    # single precision has no quick `log1p`; what is lost without is less than the rounding of the ln 2 that comes off
    value += np.float32(1.0)
    np.log(value, out=value)
    value += y
    value -= np.float32(np.log(2.0))
    return value
