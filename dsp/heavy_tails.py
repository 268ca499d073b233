"""How much transmissions tell where single samples of noise stray farther than those of a normal distribution.

Of a converter whose last digit changes now and then a few samples that happen to stand together look like symbols. In
independent samples of any distribution the probability that a sum of them with weights ``w`` reaches ``T`` is at most
``exp(-I)``, ``I = max over l of l T - sum of ln E exp(l w x)`` (Chernoff 1952), ``T^2 / (2 s^2 sum of w^2)`` where they are
normal of variance ``s^2``: what the other distribution takes away is the ratio of the two.
"""

from __future__ import annotations

import numpy as np

from dsp.fits import Flags
from dsp.runs import Runs
from dsp.source import Floats
from dsp.strip import Spans, Strip

# samples by which a distribution is told, at least and at most
_FEWEST, _MOST = 1024, 8192
# excess kurtosis below which nothing is taken away, and standard deviations (Fisher 1930) by which it must exceed that
_EXCESS, _SURE = 0.5, 4.0
# samples next to each other whose energies scatter together as independent ones do, and by how much more at most: what is
# sent, and what rings, is strong for many samples on end, and no noise of single ones
_TOGETHER, _CLUSTERED = 16, 2.0
# multiples of the weights that a normal distribution would make most of that are tried
_SCALES = np.geomspace(0.02, 1.5, 40)
# values at which the cumulants are worked out
_TABLE = 512


def nats_in_tails(strip: Strip, runs: Runs, busy: Spans) -> Floats:
    """Log-likelihood ratios (b,) of runs against silence of the very distribution that samples have elsewhere.

    In samples of the record that are ``busy`` (n, 2) something else may be sent. They are those of the runs themselves
    (`dsp.runs.Runs.nats`) where samples are hardly farther off than normal ones, or are so several at a time.
    """
    silent = np.ones(strip.size, dtype=np.bool_)
    found = np.stack((runs.first, runs.last), axis=1)
    for first, last in np.concatenate((strip.within(busy), found)).tolist():
        silent[max(0, int(first)) : int(last) + 1] = False
    values = np.asarray(strip.samples[silent], dtype=np.float64)
    if values.size < _FEWEST:
        return runs.nats
    values = values - values.mean()
    spread = float(np.std(values))
    if not spread:
        return runs.nats
    square = (values / spread) ** 2
    excess = float(np.mean(square**2)) - 3.0
    if excess < max(_EXCESS, _SURE * np.sqrt(24.0 / values.size)):
        return runs.nats
    together = square[: square.size // _TOGETHER * _TOGETHER].reshape(-1, _TOGETHER).sum(axis=1)
    if float(together.var()) > _CLUSTERED * _TOGETHER * float(square.var()):
        return runs.nats
    some = np.sort(values)[np.linspace(0, values.size - 1, min(values.size, _MOST)).astype(np.int64)] / spread
    shares = [_share(strip, runs, row, some, spread) for row in range(len(runs))]
    return np.asarray(runs.nats * np.array(shares) / _met(runs, silent))


def _met(runs: Runs, silent: Flags) -> float:
    """Mean power of the carrier in ``silent`` symbols over that of the noise of ``runs``; 1 where it is no more.

    Of noise that is mostly much less a floor is told by the rest.
    """
    period = float(np.median(runs.period))
    edges = np.arange(0.0, silent.size, period)
    held = np.concatenate(([0], np.cumsum(silent)))[edges.astype(np.int64)]
    power = np.abs(np.diff(runs.turned.at(edges))[np.diff(held) >= int(period)]) ** 2
    return max(1.0, float(power.mean()) / (runs.variance * period)) if power.size else 1.0


def _share(strip: Strip, runs: Runs, row: int, values: Floats, spread: float) -> float:
    """Part of its likelihood that a run keeps in noise of such ``values``, which have unit variance."""
    a, b = int(runs.offset[row]), int(runs.offset[row + 1])
    n = np.arange(max(0, int(np.ceil(runs.starts[a]))), min(strip.size, int(np.ceil(runs.stops[b - 1]))))
    at = np.clip(np.searchsorted(runs.starts[a:b], n, "right") - 1, 0, b - a - 1)
    middle = 0.5 * (runs.starts[a:b] + runs.stops[a:b])
    turn = runs.angles[a:b][at] + (runs.omega[row] - runs.turned.omega) * (n - middle[at])
    sign = np.where(runs.symbols.real[a:b] > 0.0, 1.0, -1.0)[at]
    weights = sign * np.cos(runs.turned.omega * n + turn)
    told = float(weights @ (strip.samples[n] / spread))
    power = float(weights @ weights)
    if told <= 0.0:
        return 1.0
    return float(np.clip(sum_nats(weights, told, values) * 2.0 * power / told**2, 0.0, 1.0))


def sum_nats(weights: Floats, told: float, values: Floats) -> float:
    """Nats ``I``, so that independent samples like ``values`` (v,) sum up to ``told`` with these weights (n,), or to more,
    with a probability of at most ``e^-I``."""
    # about what a normal distribution would make most of
    best = told / (float(weights @ weights) * float(np.mean(values**2)))
    grid = np.linspace(-1.0, 1.0, _TABLE + 1) * best * float(np.abs(weights).max()) * _SCALES[-1]
    cumulants = np.log(np.mean(np.exp(grid[:, None] * values), axis=1))
    return max(
        float(scale * best * told - np.interp(scale * best * weights, grid, cumulants).sum())
        for scale in _SCALES.tolist()
    )
