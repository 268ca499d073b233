"""What must not be made up, what must be named with its alternatives, and what real lines do."""

from __future__ import annotations

import argparse

import numpy as np
from adversity import CASES as HARMS
from bounds import poisson_interval
from figures import against, interval, table
from generators.quiet import CASES as QUIET
from generators.quiet import RATE_HZ as QUIET_RATE_HZ
from generators.scoring import score
from trials import RATE_HZ, Shape, capture, decoded, run

from dsp.synth_line import noise

SILENCE = 5_000_000


def silent_case(draw: int) -> tuple[int, int]:
    rng = np.random.default_rng(draw)
    result = decoded(noise(SILENCE, 1.0, rng).astype(np.float32), RATE_HZ)
    return len(result["bursts"]), SILENCE


def silence(options: argparse.Namespace) -> None:
    rows = list(run(silent_case, [(7000 + k,) for k in range(options.trials)], options.processes))
    false, of = sum(r[0] for r in rows), sum(r[1] for r in rows)
    low, high = (x / of * 1e8 for x in poisson_interval(false))
    print(
        f"\nFalse bursts on white noise: {false} in {of:.1e} samples, in 1e8 between {low:.2f} and {high:.2f} "
        f"(95 %; limit 1): {against(low, high, 0.0, 1.0)}",
        flush=True,
    )


def quiet(options: argparse.Namespace) -> None:
    table(
        "Captures without a decodable signal: no symbol (limit 0)",
        "  what                   symbols  verdict  kinds; refusals",
    )
    for name, make in QUIET.items():
        results = [decoded(make(np.random.RandomState(k)), QUIET_RATE_HZ) for k in range(options.trials)]
        symbols = sum(len(b["symbols"]) for r in results for b in r["bursts"])
        kinds = sorted({r["signalling"]["kind"] for r in results})
        codes = sorted({r["refusal"]["code"] if r["refusal"] else "NOT REFUSED" for r in results})
        kept = "within" if symbols == 0 and "bpsk" not in kinds else "BEYOND"
        print(f"  {name:22} {symbols:6}   {kept}   {', '.join(kinds)}; {', '.join(codes)}", flush=True)


def hidden_case(grain: int, draw: int) -> tuple[int, int, int]:
    """Bursts whose symbols come ``grain`` at a time: found, rate said or listed, something listed at all."""
    rng = np.random.default_rng(draw)
    made, _ = capture(Shape(12, esn0_db=14.0, grain=grain), rng)
    result = decoded(made.samples, RATE_HZ)
    listed = some = 0
    for burst in result["bursts"]:
        rates = [burst["symbol_rate_bd"], *burst["symbol_rate_alternatives_bd"]]
        listed += any(abs(r / made.bursts[0].symbol_rate_bd - 1) < 0.02 for r in rates)
        some += len(rates) > 1
    return len(result["bursts"]), listed, some


def hidden(options: argparse.Namespace) -> None:
    table(
        "Flips all at multiples of n symbols, 14 dB: the rate sent is said or is among the alternatives (all)",
        " n   listed/bursts   not listed [95 %]   bursts with alternatives   verdict",
    )
    for grain in (2, 3, 5, 8):
        jobs = [(grain, 7500 + k) for k in range(options.trials)]
        rows = list(run(hidden_case, jobs, options.processes))
        of, listed, some = (sum(column) for column in zip(*rows, strict=True))
        kept = "open: nothing found" if not of else "within" if listed == some == of else "BEYOND"
        print(f"{grain:2}   {listed}/{of}   {interval(of - listed, of)}   {some}   {kept}", flush=True)


def harm_case(name: str, draw: int) -> tuple[int, int, int, int, int, int, int, str]:
    made = HARMS[name](np.random.default_rng(draw))
    result = decoded(made.samples, made.rate_hz)
    got = score(made.bursts, result)
    end_s = len(made.samples) / made.rate_hz
    cuts = [(p.truth.start_s < 0, p.truth.end_s > end_s) for p in got.pairs]
    lengths = sum(p.length_error != 0 for p, cut in zip(got.pairs, cuts, strict=True) if not any(cut))
    unsaid = sum(
        (p.found["cut_at_start"], p.found["cut_at_end"]) != cut
        for p, cut in zip(got.pairs, cuts, strict=True)
    )
    return (
        got.wrong_symbols, got.compared, len(got.missed), len(got.extra), lengths,
        sum(not p.right_rate for p in got.pairs), unsaid, got.kind,
    )  # fmt: skip


def adversity(options: argparse.Namespace) -> None:
    table(
        "Adversity at 14 dB: no symbol wrong, no burst missed or made up (an end is wrong in 6 of 10,000)",
        "  what                                     wrong/compared  missed extra length  rate cut unsaid   verdict  kinds",
    )
    for name in HARMS:
        rows = list(
            run(harm_case, [(name, options.draw + k) for k in range(options.trials)], options.processes)
        )
        wrong, of, missed, extra, lengths, rates, unsaid = (sum(r[k] for r in rows) for k in range(7))
        kinds = ", ".join(sorted({r[7] for r in rows}))
        kept = "BEYOND" if wrong or missed or extra or rates or unsaid else "within"
        print(
            f"  {name:40} {wrong:5}/{of:<8}  {missed:5} {extra:5} {lengths:5} {rates:5} {unsaid:5}"
            f"   {kept}   {kinds}",
            flush=True,
        )
