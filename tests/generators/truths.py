"""Short captures whose truth is known exactly, and the decoder's own types filled in with that truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.correlate import turn_back
from dsp.extract import Model
from dsp.fits import Fits
from dsp.noise import NoiseFloor
from dsp.source import Record, make_record
from dsp.strip import Strip, strip_of
from dsp.synth import BurstSpec, random_symbols, transmissions

RATE_HZ = 1e6


@dataclass(frozen=True, eq=False)
class Capture:
    """Samples of shape (n,) at `RATE_HZ`, the bursts in them, the standard deviation of the white noise."""

    samples: np.ndarray
    bursts: tuple[BurstSpec, ...]
    sigma: float

    @property
    def record(self) -> Record:
        return record_of(self.samples)


def record_of(samples: np.ndarray, rate_hz: float = RATE_HZ, segments: tuple | None = None) -> Record:
    return make_record(samples, rate_hz, 0.0, 1.0, 0.0, segments)


def sigma_for(esn0_db: float, symbol_rate_bd: float, amplitude: float = 1.0) -> float:
    """Es = A^2 T / 2 over the one-sided N0 = 2 sigma^2 / rate (Proakis)."""
    return amplitude * float(np.sqrt(RATE_HZ / (4.0 * symbol_rate_bd) / 10.0 ** (esn0_db / 10.0)))


def capture(
    lengths: tuple[int, ...],
    draw: int,
    *,
    carrier_hz: float = 173_011.0,
    cycles: float = 6.3,
    esn0_db: float = 16.0,
    gap_symbols: float = 14.0,
    lead_symbols: float = 40.0,
    amplitudes: tuple[float, ...] = (),
) -> Capture:
    """Bursts of random symbols, one after another, in white noise; the Es/N0 is that of amplitude 1."""
    rng = np.random.default_rng(draw)
    symbol_rate = carrier_hz / cycles
    now, bursts = (lead_symbols + rng.uniform()) / symbol_rate, []
    for k, length in enumerate(lengths):
        text = random_symbols(length, rng, longest_run=6)
        amplitude = amplitudes[k] if amplitudes else 1.0
        bursts.append(BurstSpec(now, text, symbol_rate, carrier_hz, amplitude, rng.uniform(0, 2 * np.pi)))
        now = bursts[-1].end_s + (gap_symbols + rng.uniform()) / symbol_rate
    count = int((bursts[-1].end_s + lead_symbols / symbol_rate) * RATE_HZ)
    sigma = sigma_for(esn0_db, symbol_rate)
    clean = transmissions(bursts, RATE_HZ, count).samples
    return Capture(clean + rng.normal(0.0, sigma, count), tuple(bursts), sigma)


def flat_floor(sigma: float, rate_hz: float = RATE_HZ) -> NoiseFloor:
    """What is to be found of white noise alone."""
    hz = np.linspace(0.0, rate_hz / 2.0, 65)
    return NoiseFloor(rate_hz, hz, np.full(65, 2.0 * sigma**2 / rate_hz), hz, np.ones(65))


def strip_from(made: Capture) -> Strip:
    """The whole capture as one strip whose noise is known."""
    return strip_of(made.samples, made.sigma**2)


def model_of(made: Capture, *, sharp: bool = False) -> Model:
    """What the first burst and those like it share."""
    burst = made.bursts[0]
    gain = burst.amplitude * float(np.sqrt(RATE_HZ / burst.symbol_rate_bd / (2.0 * made.sigma**2)))
    return Model(burst.carrier_hz, RATE_HZ / burst.symbol_rate_bd, sharp, gain=gain)


def true_fits(made: Capture, *which: int, sharp: bool = True) -> Fits:
    """What a perfect fit of these bursts says, or of all. `dsp.synth` counts a sine's phase from a burst's start."""
    bursts = [made.bursts[k] for k in which] if which else list(made.bursts)
    omega = 2.0 * np.pi * bursts[0].carrier_hz / RATE_HZ
    start = np.array([b.start_s * RATE_HZ for b in bursts])
    period = np.array([RATE_HZ / b.symbol_rate_bd for b in bursts])
    count = np.array([len(b.symbols) for b in bursts])
    sent = np.array([b.phase_rad for b in bursts])
    none = np.zeros(len(bursts))
    return Fits(
        turn_back(made.samples, omega, sharp),
        made.sigma**2,
        none,
        np.angle(np.exp(1j * (sent - np.pi / 2.0 - omega * start))),
        start + 0.5 * count * period,
        np.array([b.amplitude for b in bursts]),
        period,
        start,
        count,
        none,
        np.full(len(bursts), float(made.samples.size)),
        none,
    )


def signs_of(symbols: str) -> np.ndarray:
    """1 and -1, shape (n,)."""
    return np.where(np.frombuffer(symbols.encode(), np.uint8) == ord("1"), 1.0, -1.0)


def same_or_opposite(found: np.ndarray, sent: str) -> bool:
    """Whether real values (n,) have the signs of the symbols sent, all of them or none: polarity is free."""
    product = np.sign(found) * signs_of(sent)
    return bool(np.all(product == product[0]) and product[0] != 0)
