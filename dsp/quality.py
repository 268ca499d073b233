"""How good a fit is: the noise actually met, whether it is phase reversal at all, how sure each symbol is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.correlate import Complexes, log_cosh
from dsp.source import Floats
from dsp.track import Run


@dataclass(frozen=True)
class Fitness:
    """How well runs of one talker fit phase reversals.

    ``noise`` is the variance met per component in units of the one assumed; ``excess`` the share of the
    signal's power that lies across the carrier's phase, ``spread`` the share by which symbol lengths vary,
    both after the noise is taken off; ``nats`` the log-likelihood ratio of two phases against noise-like
    symbols of any phase; ``flips`` how many symbols differ from the one before.
    """

    symbols: int
    noise: float
    gain: float
    excess: float
    excess_std: float
    spread: float
    nats: float
    flips: int


def quiet_noise(runs: list[Run]) -> tuple[float, int]:
    """Noise variance per component beside the runs over the assumed one, and how many symbols tell it.

    The symbols next to a run and those within another run are left out.
    """
    starts = np.sort([run.region.origin + float(run.edges[0]) - run.period for run in runs])
    stops = np.sort([run.region.origin + float(run.edges[-1]) + run.period for run in runs])
    power: list[Floats] = []
    for run in runs:
        first = run.region.origin + float(run.edges[0])
        last = run.region.origin + float(run.edges[-1])
        before, after = run.margin_before[:-1], run.margin_after[1:]
        at = np.concatenate(
            (
                first - run.period * (np.arange(before.size, 0, -1) + 0.5),
                last + run.period * (np.arange(after.size) + 1.5),
            )
        )
        alone = np.searchsorted(starts, at, "right") == np.searchsorted(stops, at, "left")
        power.append(np.abs(np.concatenate((before, after))[alone]) ** 2)
    all_power = np.concatenate(power) if power else np.zeros(0)
    # symbols past the end of the stretch hold no samples
    all_power = all_power[all_power > 0.0]
    if all_power.size < 4:
        return 1.0, 0
    # the median, since something else may stand beside; power of noise is exponential with mean 2
    return float(np.median(all_power)) / (2.0 * float(np.log(2.0))), all_power.size


def fitness(runs: list[Run]) -> Fitness:
    """Judge runs together (one talker, or all of a model)."""
    re = np.concatenate([run.symbols.real for run in runs])
    im = np.concatenate([run.symbols.imag for run in runs])
    gains = np.concatenate([run.gains for run in runs])
    due = np.concatenate([run.templates for run in runs])
    n = re.size
    free = max(1, n - 2 * len(runs))
    quiet, told = quiet_noise(runs)
    # noise and signal weigh with the energy a symbol happens to have along and across the phase
    energy = np.maximum(due.real, 0.05)
    rest = np.maximum(np.concatenate([run.across for run in runs]), 0.05)
    noise = max(quiet, 1e-9) if told >= 16 else 1.0
    across = along = noise
    for _ in range(3):
        soft = np.tanh(gains * re / noise)
        lean = gains * due.imag
        across = float(np.sum((im**2 - 2.0 * soft * lean * im + lean**2) / rest)) / free
        pull = gains * energy
        along = float(np.sum((re**2 - 2.0 * soft * pull * re + pull**2) / energy)) / free
        noise = max(1e-12, across)
    # the floor's estimate errs upwards: noise well above it beside a run is more likely a neighbour
    floor = min(quiet, 1.5) if told >= 16 else min(1.0, across)
    signal = float(np.mean(gains**2))
    excess = max(0.0, across - floor) / max(signal, 1e-9)
    excess_std = across * np.sqrt(2.0 / free) / max(signal, 1e-9)
    spread = max(0.0, along - floor) / max(signal, 1e-9)
    return Fitness(
        n,
        max(across, along) if signal > 12.0 * across else across,
        float(np.sqrt(signal)),
        excess,
        float(excess_std),
        spread,
        _two_phase_nats(re, im, gains, due, rest, max(across, along, 1e-12)),
        int(sum(np.sum(np.diff(np.sign(run.symbols.real)) != 0) for run in runs)),
    )


def _two_phase_nats(
    re: Floats, im: Floats, gains: Floats, due: Complexes, rest: Floats, noise: float
) -> float:
    """Log-likelihood of two opposite points with noise over that of symbols of any phase (Gaussian)."""
    along_std = np.sqrt(np.maximum(due.real, 0.05))
    across_std = np.sqrt(rest)
    x, y = re / along_std, im / across_std
    point = gains * due.real / along_std
    lean = gains * due.imag / across_std
    two = -np.log(2.0 * np.pi * noise) - (x**2 + y**2 + point**2 + lean**2) / (2.0 * noise)
    two = two + log_cosh((point * x + lean * y) / noise)
    even = float(np.mean(x**2 + y**2)) / 2.0
    return float(np.sum(two)) + x.size * (float(np.log(2.0 * np.pi * even)) + 1.0)


def confidence(run: Run, noise: float) -> Floats:
    """Probability that each symbol's sign is right: ``1 / (1 + exp(-2 g |y| / noise))``."""
    return np.asarray(1.0 / (1.0 + np.exp(-2.0 * run.gains * np.abs(run.symbols.real) / noise)))


def end_probabilities(run: Run, noise: float) -> tuple[float, float]:
    """Probability that the first and the last symbol are just these, over a few more or fewer.

    Each symbol further out or in multiplies the odds by its own likelihood ratio of being sent at all.
    """
    inner = 6
    g = float(np.median(run.gains))

    def ends(outside: Floats, inside: Floats) -> float:
        # outside[0] is the neighbour of the burst, inside[0] its end symbol
        out_nats = np.cumsum(log_cosh(g * outside / noise) - 0.5 * g * g / noise)
        in_nats = np.cumsum(log_cosh(g * inside / noise) - 0.5 * g * g / noise)
        all_nats = np.concatenate(([0.0], out_nats, -in_nats[:-1]))
        return float(1.0 / np.sum(np.exp(np.clip(all_nats, -700.0, 700.0))))

    y = run.symbols.real
    return (
        ends(run.margin_before.real[::-1][:inner], y[:inner]),
        ends(run.margin_after.real[:inner], y[::-1][:inner]),
    )
