"""Carrier, phase, symbol rate and flip times beside the bound, or beside brute force where there is none."""

from __future__ import annotations

import argparse

import numpy as np
from bounds import carrier_and_phase_bounds, likeliest_flips_s
from figures import covered, mean_square, rms, rms_over, table
from likelihood import likeliest_period
from trials import RATE_HZ, Shape, Trial, run, trial

# the root mean square may be a tenth above the bound
CARRIER_LIMIT = 1.1**2
# no simple fraction: else edges fall on a few places between samples only, and the true period stands out
SAMPLES_PER_CYCLE = 3 * np.pi


def right_carrier(p: object) -> bool:
    return abs(p.found["carrier_hz"] - p.truth.carrier_hz) < 0.1 * p.truth.symbol_rate_bd


def carrier_case(shape: Shape, draw: int) -> tuple[list[tuple[float, float, float]], list[float], int]:
    """Error over bound, reported deviation over bound, error over reported deviation of each estimate.

    Then the phase errors over their bounds, and how many bursts had a carrier that is far from the truth.
    """
    done = trial(shape, draw)
    bound, phase_bounds = carrier_and_phase_bounds(done.made.bursts, RATE_HZ, done.sigma)
    out, phases, far = [], [], 0
    for p in done.score.pairs:
        if not right_carrier(p):
            far += 1
            continue
        error = p.found["carrier_hz"] - p.truth.carrier_hz
        out.append((error / bound, (p.found["carrier_std_hz"] or np.nan) / bound, p.carrier_z or np.nan))
        phase = phase_error_rad(p)
        if phase is not None:
            phases.append(phase / phase_bounds[done.made.bursts.index(p.truth)])
    # bursts that share one estimate are one estimate
    return list(dict.fromkeys(out)), phases, far + len(done.score.missed)


def phase_error_rad(p: object) -> float | None:
    """Of the phase of ``A sin`` at the middle of the burst sent, but for half turns; None when none is told."""
    found, truth = p.found, p.truth
    if found.get("phase_rad") is None:
        return None
    middle = 0.5 * (truth.start_s + truth.end_s)
    said = found["phase_rad"] + 2 * np.pi * found["carrier_hz"] * (middle - found["first_symbol_s"])
    sent = truth.phase_rad + 2 * np.pi * truth.carrier_hz * (middle - truth.start_s)
    return float(0.5 * np.angle(np.exp(2j * (said - sent))))


def carrier(options: argparse.Namespace) -> None:
    table(
        "Carrier against the Cramér-Rao bound of the very samples: mean square (limit 1.21), phase at the middle alike",
        "bursts   dB   (error/bound)^2 [95 %]   rms   reported/bound   mean of z^2 (0.8 to 1.25)"
        "   estimates   far or missed\n              (phase error/bound)^2 [95 %]",
    )
    for count, db in ((1, 7.0), (1, 10.0), (1, 16.0), (30, 5.0), (30, 9.0)):
        trials = options.trials * (12 if count == 1 else 4)
        jobs = [(Shape(count, esn0_db=db), 4000 + k) for k in range(trials)]
        parts = list(run(carrier_case, jobs, options.processes))
        rows = np.array([row for part in parts for row in part[0]]).reshape(-1, 3)
        phases = [x for part in parts for x in part[1]]
        far = sum(part[2] for part in parts)
        errors, said, z = rows.T
        known = z[np.isfinite(z)]
        print(
            f"{count:6} {db:4.0f}   {mean_square(errors, 0.0, CARRIER_LIMIT)}   {rms(errors):.3f}"
            f"   {np.nanmedian(said) if len(said) else np.nan:.3f}   {mean_square(known, 0.8, 1.25)}"
            f"   {len(rows)}   {far}\n"
            f"              {mean_square(phases, 0.0, CARRIER_LIMIT) if phases else 'no phase in the result'}",
            flush=True,
        )


def period_case(shape: Shape, draw: int) -> list[tuple[float, float, float, float]]:
    """Of each estimate: its error, that of brute force, that of the mean of the posterior (of the true
    period, relative), and the error over the reported deviation. Bursts of a wrong rate are NaN."""
    done = trial(shape, draw)
    pairs = [p for p in done.score.pairs if p.right_rate]
    bad = [(np.nan,) * 4] * (len(done.made.bursts) - len(pairs))
    if not pairs:
        return bad
    best = likeliest_period(done.made.samples, RATE_HZ, done.made.bursts, done.sigma, shape.esn0_db)
    true = 1 / pairs[0].truth.symbol_rate_bd
    out = []
    for said in sorted({(p.found["symbol_rate_bd"], p.found["symbol_rate_std_bd"]) for p in pairs}):
        rate, std = said
        z = (rate * true - 1) / (std * true) if std else np.nan
        out.append((1 / rate / true - 1, best.likeliest_s / true - 1, best.mean_s / true - 1, z))
    return out + bad


def rate(options: argparse.Namespace) -> None:
    table(
        "Symbol rate against brute force of greatest likelihood (limit 1.2 times); parts per million, rms",
        "bursts cycles  dB   ours   brute   posterior mean   ours/brute [95 %]   value +- 1.96 std holds it"
        "   estimates   wrong or missed",
    )
    for count in (1, 30):
        for cycles in (2.0, 6.5, 24.0):
            for db in (7.0, 14.0, 24.0):
                shape = Shape(count, cycles=cycles, samples_per_cycle=SAMPLES_PER_CYCLE, esn0_db=db)
                jobs = [(shape, 4500 + k) for k in range(options.trials * (12 if count == 1 else 4))]
                rows = np.array([row for part in run(period_case, jobs, options.processes) for row in part])
                good = rows[np.isfinite(rows[:, 0])]
                ours, brute, mean, z = good.T if len(good) else np.empty((4, 0))
                inside = int(np.sum(np.abs(z) <= 1.96))
                print(
                    f"{count:6} {cycles:5.1f} {db:4.0f}   {rms(ours) * 1e6:.1f}   {rms(brute) * 1e6:.1f}"
                    f"   {rms(mean) * 1e6:.1f}   {rms_over(ours, brute, 1.2)}   {covered(inside, len(z))}"
                    f"   {len(good)}   {len(rows) - len(good)}",
                    flush=True,
                )


def flip_case(shape: Shape, draw: int) -> tuple[list[float], list[float], int, int]:
    """Errors of flip times in carrier cycles, those of brute force, intervals that held the truth, of how many."""
    done: Trial = trial(shape, draw)
    ours, best, held, of = [], [], 0, 0
    for p in done.score.pairs:
        cycle = 1 / p.truth.carrier_hz
        sent = np.array(p.truth.flips_s)
        reference = likeliest_flips_s(done.made.samples, RATE_HZ, p.truth)
        for at, (low, high) in zip(p.found["flips_s"], p.found["flips_interval_s"], strict=True):
            if not len(sent):
                break
            k = int(np.argmin(np.abs(sent - at)))
            if abs(sent[k] - at) * p.truth.symbol_rate_bd < 0.5:
                ours.append((at - sent[k]) / cycle)
                best.append((reference[k] - sent[k]) / cycle)
                held += bool(low <= sent[k] <= high)
                of += 1
    return ours, best, held, of


def flips(options: argparse.Namespace) -> None:
    table(
        "Flip times in carrier cycles, rms, against brute force of greatest likelihood (limit 1.2 times)",
        "cycles   dB   ours    brute   ours/brute [95 %]   p95 ours  p95 brute   held by the 95 % interval",
    )
    for cycles in (2.0, 6.5, 24.0):
        for db in (7.0, 14.0, 24.0):
            shape = Shape(40, cycles=cycles, samples_per_cycle=SAMPLES_PER_CYCLE, esn0_db=db)
            jobs = [(shape, 5000 + k) for k in range(options.trials)]
            rows = list(run(flip_case, jobs, options.processes))
            ours, best = (np.abs(np.concatenate([row[k] for row in rows])) for k in (0, 1))
            if not len(ours):
                print(f"{cycles:6.1f} {db:4.0f}   nothing found")
                continue
            held, of = sum(row[2] for row in rows), sum(row[3] for row in rows)
            far_a, far_b = (float(np.percentile(x, 95)) for x in (ours, best))
            print(
                f"{cycles:6.1f} {db:4.0f}   {rms(ours):.4f}  {rms(best):.4f}  {rms_over(ours, best, 1.2)}"
                f"   {far_a:.4f}  {far_b:.4f}   {covered(held, of)}",
                flush=True,
            )
