"""Phase against time, eye and constellation: what the carrier does once its own turning is taken away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.probe import Complexes, Floats, carrier_at, values_at
from dsp.source import Record

_WEAK = 0.35
"""Of the usual amplitude: below it there is no carrier whose phase could be told."""


@dataclass(frozen=True)
class SymbolGrid:
    """Symbols ``k`` from 0 to ``count`` begin at ``first_s + k period_s``."""

    first_s: float
    period_s: float
    count: int


@dataclass(frozen=True, eq=False)
class PhaseTrack:
    """``phase_deg`` from -90 to 270 about the phase of the line, nan where the carrier is weak; shape (instants,)."""

    times_s: Floats
    phase_deg: Floats
    amplitude: Floats


def phase_track(
    record: Record, span_s: tuple[float, float], carrier_hz: float, *, points: int = 4000
) -> PhaseTrack:
    """Phase of the carrier at instants spread evenly over a span; flips are steps of 180 degrees."""
    times = np.linspace(span_s[0], span_s[1], points)
    z = carrier_at(record, times, carrier_hz)
    size = np.abs(z)
    usual = float(np.nanpercentile(size, 90)) if np.isfinite(size).any() else 0.0
    clear = size >= _WEAK * usual
    degrees = np.degrees(np.angle(z * np.exp(-1j * line_phase(z[clear]))))
    phase = np.where(clear, np.where(degrees < -90, degrees + 360, degrees), np.nan)
    return PhaseTrack(times, phase, size)


def line_phase(z: Complexes) -> float:
    """Phase, in radians, of the line through the origin that ``z``, any shape, lie about: half that of the mean of
    the squares, in which a turn by 180 degrees is gone (A. J. Viterbi, A. M. Viterbi, "Nonlinear estimation of
    PSK-modulated carrier phase", IEEE Trans. Inf. Theory 29 (1983), with M = 2)."""
    finite = z[np.isfinite(z)]
    return float(np.angle(np.sum(finite**2)) / 2) if finite.size else 0.0


def eye(
    record: Record,
    grids: Sequence[SymbolGrid],
    carrier_hz: float | None,
    *,
    symbols: int = 200,
    points: int = 96,
) -> tuple[Floats, Floats]:
    """Time in symbols, shape (points,), from half a symbol before to half a symbol after one, and what is there,
    shape (symbols, points): the carrier's projection on the line of its phase, or without a carrier the value.

    The symbols are spread evenly over all those of ``grids``.
    """
    places = np.linspace(-0.5, 1.5, points)
    owner, number = _spread(grids, symbols)
    start = np.array([grids[g].first_s + k * grids[g].period_s for g, k in zip(owner, number, strict=True)])
    period = np.array([grids[g].period_s for g in owner])
    times = start[:, None] + places * period[:, None]
    if carrier_hz is None:
        return places, values_at(record, times)
    return places, _projected(carrier_at(record, times, carrier_hz), owner)


def constellation(
    record: Record, grids: Sequence[SymbolGrid], carrier_hz: float, *, symbols: int = 4000
) -> tuple[Complexes, NDArray[np.int64], NDArray[np.int64]]:
    """The carrier over each symbol, which grid it is of, and its number there; each of shape (symbols,).

    Each is the mean over the symbol after the carrier is turned back, which is the matched filter of a rectangular
    symbol (J. G. Proakis, Digital Communications, section on the correlation demodulator; from memory). The phase of
    each grid's line is taken off, so that two phases come to lie left and right.
    """
    owner, number = _spread(grids, symbols)
    z = np.full(owner.size, np.nan, np.complex128)
    for g in np.unique(owner):
        mine = owner == g
        grid = grids[g]
        middle = grid.first_s + (number[mine] + 0.5) * grid.period_s
        turned = carrier_at(record, middle, carrier_hz, width_s=grid.period_s)
        z[mine] = turned * np.exp(-1j * line_phase(turned))
    return z, owner, number


def _projected(z: Complexes, owner: NDArray[np.int64]) -> Floats:
    out = np.full(z.shape, np.nan)
    for g in np.unique(owner):
        mine = owner == g
        turned = z[mine] * np.exp(-1j * line_phase(z[mine]))
        out[mine] = turned.real
    return out


def _spread(grids: Sequence[SymbolGrid], most: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Grid and number of at most ``most`` symbols."""
    counts = np.array([grid.count for grid in grids], np.int64)
    total = int(counts.sum())
    chosen = (
        np.unique(np.linspace(0, total - 1, min(most, total)).astype(np.int64))
        if total
        else np.zeros(0, np.int64)
    )
    ends = np.cumsum(counts)
    owner = np.searchsorted(ends, chosen, side="right").astype(np.int64)
    return owner, chosen - (ends - counts)[owner] if total else chosen
