"""Half-turn keyed bursts made the slow way: one sample after another, with ``math.sin`` and a running time.

Nothing is shared with ``dsp.synth``: bursts are described by cycles per symbol and start phase in turns,
noise comes from another random source, and every sample asks for itself which symbol it is in.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Sent:
    """What one burst really was."""

    start_s: float
    symbols: str
    carrier_hz: float
    symbol_rate_bd: float
    amplitude: float
    esn0_db: float

    @property
    def end_s(self) -> float:
        return self.start_s + len(self.symbols) / self.symbol_rate_bd

    @property
    def flips_s(self) -> list[float]:
        return [
            self.start_s + k / self.symbol_rate_bd
            for k in range(1, len(self.symbols))
            if self.symbols[k] != self.symbols[k - 1]
        ]


@dataclass(frozen=True)
class Line:
    """Samples of shape ``(n,)``, their rate, the bursts in them."""

    values: np.ndarray
    rate_hz: float
    sent: tuple[Sent, ...]


def add_burst(values: list[float], rate_hz: float, burst: Sent, start_turns: float) -> None:
    """Adds the burst sample by sample; ``start_turns`` is its phase at its start, in turns."""
    period = 1.0 / burst.symbol_rate_bd
    at = max(0, math.ceil(burst.start_s * rate_hz - 1e-9))
    edge, index = burst.start_s + period, 0
    while at < len(values):
        now = at / rate_hz
        while now >= edge - 1e-12 * period:
            index += 1
            edge = burst.start_s + (index + 1) * period
        if index >= len(burst.symbols):
            return
        turns = start_turns + burst.carrier_hz * (now - burst.start_s)
        wave = math.sin(2.0 * math.pi * (turns - math.floor(turns)))
        values[at] += burst.amplitude * (wave if burst.symbols[index] == "1" else -wave)
        at += 1


def talker_line(
    *,
    rate_hz: float,
    carrier_hz: float,
    cycles_per_symbol: float,
    lengths: list[int],
    esn0_db: float,
    draw: int,
    amplitude: float = 1.0,
    gap_symbols: tuple[float, float] = (4.0, 30.0),
    lead_symbols: float = 20.0,
) -> Line:
    """Bursts of one talker with random symbols, phases and gaps, in white noise of the stated density."""
    chance = random.Random(draw)
    symbol_rate = carrier_hz / cycles_per_symbol
    bursts, now = [], (lead_symbols + chance.random()) / symbol_rate
    for length in lengths:
        symbols = "".join(chance.choice("01") for _ in range(length))
        bursts.append(Sent(now, symbols, carrier_hz, symbol_rate, amplitude, esn0_db))
        now += (length + chance.uniform(*gap_symbols)) / symbol_rate
    count = math.ceil((now + lead_symbols / symbol_rate) * rate_hz)
    values = [0.0] * count
    for burst in bursts:
        add_burst(values, rate_hz, burst, chance.random())
    sigma = sigma_for(esn0_db, amplitude, symbol_rate, rate_hz)
    noisy = np.array(values) + np.random.RandomState(draw).standard_normal(count) * sigma
    return Line(noisy, rate_hz, tuple(bursts))


def sigma_for(esn0_db: float, amplitude: float, symbol_rate_bd: float, rate_hz: float) -> float:
    """Noise standard deviation: Es = A^2 T / 2 over N0 = 2 sigma^2 / rate."""
    energy = amplitude * amplitude / (2.0 * symbol_rate_bd)
    return math.sqrt(energy / 10.0 ** (esn0_db / 10.0) * rate_hz / 2.0)
