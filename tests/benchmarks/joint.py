"""The ideal receiver of one burst that must find where it lies and its phase, as every receiver of free bursts must.

It is told carrier, symbol period, amplitude and noise, and to within a few symbols where the burst is. Timing, phase
and the first and last symbol it is not told: every place of the edges, every phase and every pair of ends is weighed
by how likely the samples make it, the symbols being averaged out (equally likely signs), and the chance of each
symbol is averaged with those weights. That is the posterior, which has the least mean log loss of all receivers
that are told no more (Kay 1993 on nuisance parameters; Gneiting and Raftery 2007 on the logarithm as a proper score).
"""

from __future__ import annotations

import numpy as np
from scipy import special

from dsp.synth import BurstSpec

# steps of the timing over a symbol, and phases over the half turn in which polarity is not in question
TIMINGS, PHASES = 320, 48
# symbols by which either end may be off; neighbours keep farther away than that
ENDS = 4


def joint_losses(samples: np.ndarray, rate_hz: float, burst: BurstSpec, sigma: float) -> np.ndarray:
    """Log loss of each symbol sent, shape (symbols,), of the receiver that finds timing, phase and ends.

    A symbol's chance is that over all cases in which it is sent. The polarity is told: whoever scores a receiver that
    cannot know it does the same.
    """
    period = 1 / burst.symbol_rate_bd
    # of few samples a symbol too: at each step other edges pass one
    shifts_s = ((np.arange(TIMINGS) + 0.5) / TIMINGS - 0.5) * period
    turns = np.pi * ((np.arange(PHASES) + 0.5) / PHASES - 0.5)
    half_odds, energy = (part / sigma**2 for part in _every_case(samples, rate_hz, burst, shifts_s, turns))
    nats = np.abs(half_odds) + np.log1p(np.exp(-2 * np.abs(half_odds))) - np.log(2) - 0.5 * energy
    signs = np.array([1 if s == "1" else -1 for s in burst.symbols])
    right = special.expit(2 * half_odds[:, :, ENDS:-ENDS] * signs)
    # with as many symbols of the burst as may be missing at either end
    left, all_left = _ends(nats[:, :, : 2 * ENDS])
    last, all_last = _ends(nats[:, :, : -2 * ENDS - 1 : -1])
    core = nats[:, :, 2 * ENDS : -2 * ENDS].sum(axis=2)
    weight = np.repeat((core + all_left + all_last)[:, :, None], len(signs), axis=2)
    weight[:, :, :ENDS] = core[:, :, None] + left + all_last[:, :, None]
    weight[:, :, -ENDS:] = core[:, :, None] + all_left[:, :, None] + last[:, :, ::-1]
    weight = np.exp(weight - weight.max(axis=(0, 1)))
    return -np.log((weight * right).sum(axis=(0, 1)) / weight.sum(axis=(0, 1)))


def _ends(nats: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Over where a burst begins among symbols (..., 2 ENDS): with each of the inner ones in it, and any way."""
    inward = np.cumsum(nats[..., ::-1], axis=-1)[..., ::-1]
    # the burst begins with symbol a, or after all of these
    begins = np.concatenate((inward, np.zeros((*inward.shape[:-1], 1))), axis=-1)
    so_far = np.logaddexp.accumulate(begins, axis=-1)
    return so_far[..., ENDS:-1], so_far[..., -1]


def _every_case(
    samples: np.ndarray, rate_hz: float, burst: BurstSpec, shifts_s: np.ndarray, turns_rad: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Correlation and energy, (timings, phases, symbols), of each symbol and ``ENDS`` more on either side."""
    count, period = len(burst.symbols), 1 / burst.symbol_rate_bd
    edges = burst.start_s + shifts_s[:, None] + np.arange(-ENDS, count + ENDS + 1) * period
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
    turned = np.exp(1j * turns_rad)[:, None]
    # A sin(angle + turn): the imaginary part of the turned carrier; its square, half of A^2 less twice the angle
    each = (np.diff(product[at], axis=1)[:, None, :] * turned).imag
    twice = (np.diff(double[at], axis=1)[:, None, :] * turned**2).real
    return each, 0.5 * (burst.amplitude**2 * np.diff(at, axis=1)[:, None, :] - twice)
