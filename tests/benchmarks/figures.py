"""How the accuracy figures are printed: with their interval, their bound and a verdict."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence

import numpy as np
from bounds import clopper_pearson, mean_square_interval
from trials import Shape, run


def table(title: str, columns: str) -> None:
    print(f"\n{title}\n{columns}", flush=True)


def interval(hits: int, of: int) -> str:
    if not of:
        return "nothing counted"
    low, high = clopper_pearson(hits, of)
    return f"{hits / of:.3e} [{low:.2e} {high:.2e}]"


def against(low: float, high: float, least: float, most: float) -> str:
    """Where an interval lies: all of it inside the limits, all of it outside, or neither: too few trials."""
    if not (np.isfinite(low) and np.isfinite(high)):
        return "open"
    if least <= low and high <= most:
        return "within"
    return "BEYOND" if high < least or low > most else "open"


def verdict(hits: int, of: int, limit: float) -> str:
    """Of a proportion that must not exceed ``limit``."""
    return against(*clopper_pearson(hits, of), 0.0, limit) if of else "open"


def covered(hits: int, of: int, least: float = 0.93, most: float = 0.97) -> str:
    """How often a 95 % interval held the truth, and whether that is honest."""
    if not of:
        return "nothing counted"
    low, high = clopper_pearson(hits, of)
    return f"{hits / of:.3f} [{low:.3f} {high:.3f}] {against(low, high, least, most)}"


def mean_square(values: Sequence[float], least: float, most: float) -> str:
    """Mean square of independent errors of mean zero, its interval, and a verdict."""
    used = np.asarray(values, float)
    if not len(used):
        return "nothing counted"
    mean = float(np.mean(used**2))
    low, high = mean_square_interval(mean, len(used))
    return f"{mean:.2f} [{low:.2f} {high:.2f}] {against(low, high, least, most)}"


def rms_over(ours: Sequence[float], theirs: Sequence[float], most: float) -> str:
    """Ratio of two root mean squares over the same trials; interval by resampling whole trials."""
    a, b = np.asarray(ours, float) ** 2, np.asarray(theirs, float) ** 2
    if not len(a) or not b.any():
        return "nothing counted"
    rng = np.random.default_rng(1)
    picks = rng.integers(0, len(a), (1000, len(a)))
    sums = b[picks].sum(axis=1)
    ratios = np.sqrt(a[picks].sum(axis=1)[sums > 0] / sums[sums > 0])
    low, high = np.percentile(ratios, (2.5, 97.5))
    return f"{np.sqrt(a.sum() / b.sum()):5.2f} [{low:.2f} {high:.2f}] {against(low, high, 0.0, most)}"


def rms(values: Sequence[float]) -> float:
    return float(np.sqrt(np.mean(np.square(values)))) if len(values) else float("nan")


Counts = dict[str, float]


def summed(
    count: Callable[[Shape, int], Counts],
    shape: Shape,
    options: argparse.Namespace,
    first_draw: int,
    *,
    errors: str = "",
    times: int = 1,
) -> Counts:
    """Counts over captures: as many as are asked for, then on until enough of ``errors`` were met."""
    total: Counts = {}
    done, batch = 0, max(1, options.trials * times)
    while done < batch or (errors and total[errors] < options.errors and done < 100 * batch):
        jobs = [(shape, first_draw + done + k) for k in range(batch)]
        for row in run(count, jobs, options.processes):
            for key, value in row.items():
                total[key] = total.get(key, 0) + value
        done += batch
    total["captures"] = done
    return total
