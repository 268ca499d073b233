"""The ideal receiver of one burst that must find its start and phase, as every receiver of free bursts must.

It is told carrier, symbol period, amplitude, noise and the number of symbols. Start and phase it is not told:
every place of the edges and every phase is weighed by how likely the samples make it, the symbols being
averaged out (equally likely signs), and the chance of each symbol is averaged with those weights. That is the
posterior, which has the least mean log loss of all receivers that are told no more (Kay 1993 on nuisance
parameters; Gneiting and Raftery 2007 on the logarithm as a proper score).
"""

from __future__ import annotations

import numpy as np
from scipy import special

from dsp.synth import BurstSpec

# of a symbol: how far beside the truth, and beside the truth by a whole symbol, starts are weighed; the step
REACH, STEP = 0.3, 1 / 320
# phases over the half turn in which polarity is not in question
PHASES = 48


def joint_losses(samples: np.ndarray, rate_hz: float, burst: BurstSpec, sigma: float) -> np.ndarray:
    """Log loss of each symbol sent, shape (symbols,), of the receiver that finds start and phase.

    A start off by a whole symbol says something of all places but one, whose chance comes from the other
    starts. The polarity is told: whoever scores a receiver that cannot know it does the same.
    """
    period = 1 / burst.symbol_rate_bd
    step = max(STEP * period, 0.5 / rate_hz)
    near = np.arange(-round(REACH * period / step), round(REACH * period / step) + 1) * step
    turns = np.pi * ((np.arange(PHASES) + 0.5) / PHASES - 0.5)
    odds, nats = {}, {}
    for whole in (-1, 0, 1):
        half_odds, energy = _every_start(samples, rate_hz, burst, near + whole * period, turns)
        half_odds, energy = half_odds / sigma**2, energy / sigma**2
        odds[whole] = 2 * half_odds
        nats[whole] = (np.abs(half_odds) + np.log1p(np.exp(-2 * np.abs(half_odds)))).sum(
            axis=2
        ) - 0.5 * energy
    best = max(float(n.max()) for n in nats.values())
    signs = np.array([1 if s == "1" else -1 for s in burst.symbols])
    right, all_weight = np.zeros(len(signs)), np.zeros(len(signs))
    for whole in (-1, 0, 1):
        weight = np.exp(nats[whole] - best)[:, :, None]
        # the symbol of this start that lies over each place of the truth
        places = np.arange(max(0, whole), len(signs) + min(0, whole))
        chance = special.expit(odds[whole][:, :, places - whole] * signs[places])
        right[places] += (weight * chance).sum(axis=(0, 1))
        all_weight[places] += weight.sum()
    return -np.log(right / all_weight)


def _every_start(
    samples: np.ndarray, rate_hz: float, burst: BurstSpec, shifts_s: np.ndarray, turns_rad: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Of each start and phase: correlation of each symbol, (starts, phases, symbols), and energy, (starts, phases)."""
    count, period = len(burst.symbols), 1 / burst.symbol_rate_bd
    edges = burst.start_s + shifts_s[:, None] + np.arange(count + 1) * period
    first = max(0, int(np.floor(edges.min() * rate_hz)))
    last = min(len(samples), int(np.ceil(edges.max() * rate_hz)) + 1)
    angle = (
        2 * np.pi * burst.carrier_hz * (np.arange(first, last) / rate_hz - burst.start_s) + burst.phase_rad
    )
    carrier = burst.amplitude * np.exp(1j * angle)
    # a sample on the very edge belongs to the symbol that begins there
    at = np.clip(np.ceil(edges * rate_hz - 1e-9).astype(np.int64) - first, 0, last - first)
    product = np.concatenate(([0], np.cumsum(samples[first:last] * carrier)))
    double = np.concatenate(([0], np.cumsum(carrier**2)))
    turned = np.exp(1j * turns_rad)
    # A sin(angle + turn): the imaginary part of the turned carrier; its square, half of A^2 less twice the angle
    each = (np.diff(product[at], axis=1)[:, None, :] * turned[:, None]).imag
    lengths = (at[:, -1] - at[:, 0])[:, None]
    twice = ((double[at[:, -1]] - double[at[:, 0]])[:, None] * turned**2).real
    return each, 0.5 * (burst.amplitude**2 * lengths - twice)
