"""Whether stated probabilities hold when counted: the required check itself.

``said`` is the confidence of each symbol, ``wrong`` 1 where it was wrong, all of shape (n,).
"""

from __future__ import annotations

import numpy as np

# one in 10^12 is as sure as a confidence is taken for
LEAST_DOUBT = 1e-12


def losses(said: np.ndarray, wrong: np.ndarray) -> np.ndarray:
    """Minus the logarithm of the probability that each symbol gave to what happened."""
    sure = np.where(wrong > 0, 1 - said, said)
    return np.asarray(-np.log(np.clip(sure, LEAST_DOUBT, 1)))


def log_loss(said: np.ndarray, wrong: np.ndarray) -> float:
    return float(losses(said, wrong).mean())


def decade_ratios(said: np.ndarray, wrong: np.ndarray) -> list[tuple[float, int, float, int]]:
    """Upper end of each decade of ``1 - confidence``, symbols in it, wrong ones predicted, wrong ones met."""
    doubt, out = 1 - said, []
    for top in 10.0 ** -np.arange(0, 7):
        inside = (doubt > top / 10) & (doubt <= top)
        out.append((top, int(inside.sum()), float(doubt[inside].sum()), int(wrong[inside].sum())))
    return out


def is_calibrated(said: np.ndarray, wrong: np.ndarray, ideal: np.ndarray) -> bool:
    """The check as it is required, figure by figure and without any interval."""
    decades = all(
        0.8 <= met / predicted <= 1.25
        for _, _, predicted, met in decade_ratios(said, wrong)
        if predicted >= 100
    )
    return decades and log_loss(said, wrong) <= 1.05 * float(ideal.mean())
