"""Captures of one talker for the Monte-Carlo sections, and the count of what came out of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from generators.running import decoded
from generators.scoring import Score, score

from dsp.synth import BurstSpec, Synthetic, random_symbols, transmissions
from dsp.synth_line import noise

RATE_HZ = 1_000_000.0


@dataclass(frozen=True)
class Shape:
    """What is drawn for one capture.

    ``grain`` sends every symbol so many times, so that no flip shows the symbol rate. Without ``cycles`` a
    symbol has 1 to 48 of them, fewer where it would have more than ``samples_per_symbol_most`` samples; where it would
    have fewer than ``samples_per_symbol_least``, a cycle has more of them.
    """

    bursts: int = 110
    lengths: tuple[int, int] = (24, 64)
    cycles: float | None = None
    samples_per_cycle: float | None = None
    esn0_db: float = 14.0
    samples_per_symbol_most: float | None = None
    samples_per_symbol_least: float = 0.0
    grain: int = 1


@dataclass(frozen=True, eq=False)
class Trial:
    """A capture, the noise in it, and what the decoder said."""

    made: Synthetic
    sigma: float
    result: dict
    score: Score


def capture(shape: Shape, rng: np.random.Generator) -> tuple[Synthetic, float]:
    """Random bursts as ``shape`` says; amplitude 1, so the noise follows from Es/N0."""
    most = 48.0
    if shape.samples_per_symbol_most and shape.samples_per_cycle:
        most = min(most, shape.samples_per_symbol_most / shape.samples_per_cycle)
    cycles = shape.cycles or float(np.exp(rng.uniform(0, np.log(most))))
    if shape.cycles is None and rng.random() < 0.5:
        cycles = max(1.0, round(2 * cycles) / 2)
    spc = shape.samples_per_cycle or float(np.exp(rng.uniform(np.log(2.6), np.log(14))))
    carrier = RATE_HZ / max(spc, shape.samples_per_symbol_least / cycles)
    symbol_rate = carrier / cycles
    now, bursts = rng.uniform(15, 16) / symbol_rate, []
    for _ in range(shape.bursts):
        text = random_symbols(int(rng.integers(shape.lengths[0], shape.lengths[1] + 1)), rng)
        if shape.grain > 1:
            text = "".join(symbol * shape.grain for symbol in text[: -(-len(text) // shape.grain)])
        bursts.append(BurstSpec(now, text, symbol_rate, carrier, 1.0, rng.uniform(0, 2 * np.pi)))
        now = bursts[-1].end_s + rng.uniform(5, 25) / symbol_rate
    count = int((now + 10 / symbol_rate) * RATE_HZ)
    sigma = float(np.sqrt(RATE_HZ / (4 * symbol_rate) / 10 ** (shape.esn0_db / 10)))
    made = transmissions(bursts, RATE_HZ, count)
    return replace(made, samples=(made.samples + noise(count, sigma, rng)).astype(np.float32)), sigma


def trial(shape: Shape, draw: int, told: dict | None = None) -> Trial:
    made, sigma = capture(shape, np.random.default_rng(draw))
    result = decoded(made.samples, RATE_HZ, **(told or {}))
    return Trial(made, sigma, result, score(made.bursts, result))


def run(job: Callable[..., object], jobs_of: list[tuple], processes: int) -> Iterator[object]:
    """``job(*arguments)`` for each, in order, in this process or in a few others."""
    if processes <= 1:
        yield from (job(*arguments) for arguments in jobs_of)
        return
    with ProcessPoolExecutor(processes) as pool:
        yield from pool.map(job, *zip(*jobs_of, strict=True))
