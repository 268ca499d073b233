"""Whether confidence is probability: counted against what was said, and against an ideal receiver."""

from __future__ import annotations

import argparse

import numpy as np
from bounds import matched_log_odds, poisson_interval
from calibration import decade_ratios, is_calibrated, log_loss, losses
from figures import against, table
from joint import joint_losses
from trials import RATE_HZ, Shape, run, trial


def confidence_case(shape: Shape, draw: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Of each symbol sent and found: confidence, whether it was wrong, and two log losses to hold it against.

    One of a receiver told everything, one of the ideal receiver that must find where each burst lies and its phase.
    """
    done = trial(shape, draw)
    said, wrong, ideal, found = [], [], [], []
    for p in done.score.pairs:
        odds = matched_log_odds(done.made.samples, RATE_HZ, p.truth, done.sigma)
        signs = np.array([1 if s == "1" else -1 for s in p.truth.symbols])
        loss = np.logaddexp(0, -signs * odds)
        joint = joint_losses(done.made.samples, RATE_HZ, p.truth, done.sigma)
        for k, value in enumerate(p.found["confidence"]):
            middle = p.found["first_symbol_s"] + (k + 0.5) / p.found["symbol_rate_bd"]
            place = int(np.floor((middle - p.truth.start_s) * p.truth.symbol_rate_bd))
            if 0 <= place < len(signs):
                said.append(value)
                wrong.append(k in p.wrong)
                ideal.append(loss[place])
                found.append(joint[place])
    return np.array(said, float), np.array(wrong, float), np.array(ideal, float), np.array(found, float)


def loss_interval(said: np.ndarray, wrong: np.ndarray, ideal: np.ndarray) -> tuple[float, float, float]:
    """Log loss over the ideal receiver's, 95 % interval by resampling the pairs."""
    ours = losses(said, wrong)
    ratio = float(ours.mean() / ideal.mean())
    # delta method: both means come from the same symbols
    spread = float(np.std(ours - ratio * ideal) / ideal.mean() / np.sqrt(len(ours)))
    return ratio, ratio - 1.96 * spread, ratio + 1.96 * spread


def confidence(options: argparse.Namespace) -> None:
    table(
        "Confidence as a probability, 2 to 9 dB: wrong over predicted in each decade of 1 - confidence",
        "   decade          symbols  predicted  wrong  ratio [95 %] (0.8 to 1.25)",
    )
    jobs = [(Shape(esn0_db=db), 6000 + 10 * k) for k in range(options.trials) for db in range(2, 10)]
    rows = list(run(confidence_case, jobs, options.processes))
    said, wrong, ideal, found = (np.concatenate([row[k] for row in rows]) for k in range(4))
    for top, symbols, predicted, met in decade_ratios(said, wrong):
        row = f"{symbols:9} {predicted:10.1f} {met:6}"
        if predicted:
            low, high = (x / predicted for x in poisson_interval(met))
            few = predicted < 100
            said_of = "fewer than 100 predicted" if few else against(low, high, 0.8, 1.25)
            row += f" {met / predicted:6.2f} [{low:.2f} {high:.2f}] {said_of}"
        print(f"  {top / 10:.0e}..{top:.0e} {row}")
    print(f"  mean log loss {log_loss(said, wrong):.5f}; as a multiple of that of")
    for name, other in (
        ("the ideal receiver that must find timing, ends and phase", found),
        ("a receiver told everything", ideal),
    ):
        ratio, low, high = loss_interval(said, wrong, other)
        print(
            f"  {name} ({other.mean():.5f}): {ratio:.3f} [{low:.3f} {high:.3f}] (limit 1.05): "
            f"{against(low, high, 0.0, 1.05)}"
        )
    flat = np.full(len(said), 1 - wrong.mean())
    fails = not is_calibrated(flat, wrong, ideal)
    print(
        f"  a constant confidence of {flat[0]:.4f} would have {log_loss(flat, wrong) / ideal.mean():.2f} times: "
        f"{'fails, as it must' if fails else 'PASSES: THE CHECK IS WORTHLESS'}",
        flush=True,
    )
