"""Signals with known truth: what a line carries, made from stated parameters.

Every signal is a function of continuous time that is sampled at points, so a flip lies between samples
where it happens to fall. Energies follow the usual definitions: a white-noise sequence of standard
deviation ``sigma`` at ``rate_hz`` has the one-sided density ``N0 = 2 sigma^2 / rate_hz``, and a carrier of
peak ``A`` has the energy ``Es = A^2 T / 2`` in a symbol of duration ``T`` (Proakis, Digital
Communications).

A capture is a sum: `transmissions` gives the bursts and their truth, `dsp.synth_line` what the line adds
(supply, ripple, noise, converter) and the signals that are no transmission at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float64]

MODULATIONS = ("bpsk", "ook", "fsk", "baseband")
PULSES = ("rectangular", "soft", "root-raised-cosine")


@dataclass(frozen=True)
class BurstSpec:
    """One transmission, as sent.

    ``symbols`` are ``"0"`` and ``"1"``. ``phase_rad`` is the phase of ``A sin(...)`` at ``start_s`` in a
    symbol written ``1``; a ``0`` is turned over by half a turn. ``drift_hz_per_s`` is the carrier's slope.
    ``pulse`` shapes the edges: ``rectangular``; ``soft``, raised-cosine edges of ``rolloff`` symbols in time;
    ``root-raised-cosine`` with excess bandwidth ``rolloff``. ``shift_hz`` is half the distance of the two
    tones of frequency shift keying. Baseband sends ``+A`` and ``-A`` and has no carrier.
    """

    start_s: float
    symbols: str
    symbol_rate_bd: float
    carrier_hz: float = 0.0
    amplitude: float = 1.0
    phase_rad: float = 0.0
    drift_hz_per_s: float = 0.0
    modulation: str = "bpsk"
    pulse: str = "rectangular"
    rolloff: float = 0.35
    shift_hz: float = 0.0
    talker: int = 0

    @property
    def end_s(self) -> float:
        """Trailing edge of the last symbol."""
        return self.start_s + len(self.symbols) / self.symbol_rate_bd

    @property
    def flips_s(self) -> tuple[float, ...]:
        """Instants at which one symbol gives way to a different one."""
        pairs = zip(self.symbols, self.symbols[1:], strict=False)
        return tuple(self.start_s + k / self.symbol_rate_bd for k, (a, b) in enumerate(pairs, 1) if a != b)

    @property
    def relative_symbols(self) -> str:
        """The symbols with the first one written ``1``, which is all that a blind receiver can know."""
        return self.symbols if self.symbols[0] == "1" else invert(self.symbols)


@dataclass(frozen=True, eq=False)
class Synthetic:
    """Samples of shape ``(n,)``, their rate, and the bursts that are in them."""

    samples: Samples
    rate_hz: float
    bursts: tuple[BurstSpec, ...] = ()

    def __add__(self, other: Synthetic | Samples) -> Synthetic:
        if isinstance(other, Synthetic):
            return Synthetic(self.samples + other.samples, self.rate_hz, self.bursts + other.bursts)
        return replace(self, samples=self.samples + other)


def invert(symbols: str) -> str:
    """Every ``0`` made ``1`` and the other way round."""
    return symbols.translate(str.maketrans("01", "10"))


def random_symbols(count: int, rng: np.random.Generator, *, longest_run: int = 0) -> str:
    """Independent equally likely symbols; ``longest_run`` above 0 forbids longer runs of equal ones."""
    out: list[int] = []
    for value in rng.integers(0, 2, count).tolist():
        tail = out[-longest_run:] if longest_run else []
        out.append(1 - value if len(tail) == longest_run > 0 and set(tail) == {value} else value)
    return "".join(map(str, out))


def amplitude_for(esn0_db: float, sigma: float, rate_hz: float, symbol_rate_bd: float) -> float:
    """Peak of the carrier that gives ``esn0_db`` in white noise of standard deviation ``sigma``."""
    density = 2.0 * sigma**2 / rate_hz
    return float(np.sqrt(2.0 * symbol_rate_bd * density * 10.0 ** (esn0_db / 10.0)))


def transmissions(specs: Sequence[BurstSpec], rate_hz: float, count: int) -> Synthetic:
    """``count`` samples from time 0 with all of ``specs`` in them and nothing else.

    Raises
    ------
    ValueError : unknown modulation or pulse, no symbols, or symbols other than ``0`` and ``1``.
    """
    samples = np.zeros(count)
    for spec in specs:
        _check(spec)
        margin = _tail_symbols(spec) / spec.symbol_rate_bd
        first = max(0, int(np.ceil((spec.start_s - margin) * rate_hz)))
        last = min(count, int(np.ceil((spec.end_s + margin) * rate_hz)))
        if first < last:
            times = np.arange(first, last) / rate_hz - spec.start_s
            samples[first:last] += waveform(spec, times)
    return Synthetic(samples, rate_hz, tuple(specs))


def waveform(spec: BurstSpec, times_s: Samples) -> Samples:
    """The burst at the instants ``times_s`` counted from its own start, shape ``(n,)``."""
    if spec.modulation == "baseband":
        return spec.amplitude * _keying(spec, times_s)
    turns = spec.carrier_hz * times_s + 0.5 * spec.drift_hz_per_s * times_s**2
    if spec.modulation == "fsk":
        inside = (times_s >= 0) & (times_s < spec.end_s - spec.start_s)
        turns = turns + spec.shift_hz * _integral_of_levels(spec, times_s)
        envelope = inside.astype(np.float64)
    elif spec.modulation == "ook":
        envelope = _keying(spec, times_s, off=0.0)
    else:
        envelope = _keying(spec, times_s)
    return spec.amplitude * envelope * np.sin(2 * np.pi * turns + spec.phase_rad)


def manchester(bits: str) -> str:
    """Two symbols a bit: ``1`` is ``10`` and ``0`` is ``01``."""
    return "".join("10" if bit == "1" else "01" for bit in bits)


def differential(bits: str, first: str = "1") -> str:
    """Symbols that change where a bit is ``1``; one more than there are bits."""
    out = [first]
    for bit in bits:
        out.append(invert(out[-1]) if bit == "1" else out[-1])
    return "".join(out)


def _check(spec: BurstSpec) -> None:
    if spec.modulation not in MODULATIONS or spec.pulse not in PULSES:
        raise ValueError(f"unknown modulation or pulse: {spec.modulation!r}, {spec.pulse!r}")
    if not spec.symbols or set(spec.symbols) - {"0", "1"}:
        raise ValueError("symbols must be a non-empty text of 0 and 1")


def _tail_symbols(spec: BurstSpec) -> float:
    """How far the pulses reach beyond the first and the last symbol."""
    return {"rectangular": 0.0, "soft": spec.rolloff, "root-raised-cosine": 8.0}[spec.pulse]


def _levels(spec: BurstSpec, off: float) -> Samples:
    return np.where(np.frombuffer(spec.symbols.encode(), np.uint8) == ord("1"), 1.0, off)


def _keying(spec: BurstSpec, times_s: Samples, off: float = -1.0) -> Samples:
    """What multiplies the carrier: the level of each symbol through the pulse, 0 outside the burst."""
    levels = _levels(spec, off)
    place = times_s * spec.symbol_rate_bd
    if spec.pulse == "rectangular":
        # a sample on the very edge belongs to the symbol that begins there, also after rounding
        index = np.floor(place + 1e-9).astype(np.int64)
        inside = (index >= 0) & (index < len(levels))
        return np.where(inside, levels[np.clip(index, 0, len(levels) - 1)], 0.0)
    if spec.pulse == "soft":
        steps = np.diff(np.concatenate(([0.0], levels, [0.0])))
        out = np.zeros(len(times_s))
        for edge in np.flatnonzero(steps):
            ramp = np.clip((place - edge) / spec.rolloff + 0.5, 0.0, 1.0)
            out += steps[edge] * 0.5 * (1.0 - np.cos(np.pi * ramp))
        return out
    out = np.zeros(len(times_s))
    reach = _tail_symbols(spec)
    for k, level in enumerate(levels):
        near = slice(*np.searchsorted(place, (k + 0.5 - reach, k + 0.5 + reach)))
        out[near] += level * root_raised_cosine(place[near] - k - 0.5, spec.rolloff)
    return out


def _integral_of_levels(spec: BurstSpec, times_s: Samples) -> Samples:
    """Time integral of the levels, in seconds: continuous phase for frequency shift keying."""
    levels = _levels(spec, -1.0)
    ends = np.concatenate(([0.0], np.cumsum(levels))) / spec.symbol_rate_bd
    grid = np.arange(len(levels) + 1) / spec.symbol_rate_bd
    return np.interp(times_s, grid, ends)


def root_raised_cosine(place: Samples, rolloff: float) -> Samples:
    """The pulse at ``place`` symbols from its centre, of unit energy per symbol (Proakis, section 9.2)."""
    x = np.asarray(place, np.float64)
    if rolloff == 0:
        return np.sinc(x)
    denominator = np.pi * x * (1 - (4 * rolloff * x) ** 2)
    singular = np.abs(denominator) < 1e-9
    safe = np.where(singular, 1.0, denominator)
    numerator = np.sin(np.pi * x * (1 - rolloff)) + 4 * rolloff * x * np.cos(np.pi * x * (1 + rolloff))
    out = numerator / safe
    quarter = np.pi / (4 * rolloff)
    at_quarter = (1 + 2 / np.pi) * np.sin(quarter) + (1 - 2 / np.pi) * np.cos(quarter)
    out = np.where(singular, rolloff / np.sqrt(2) * at_quarter, out)
    return np.where(np.abs(x) < 1e-9, 1 - rolloff + 4 * rolloff / np.pi, out)
