"""Symbols, bursts and their ends, blind, beside what theory allows."""

from __future__ import annotations

import argparse
import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
from bounds import (
    bpsk_error_rate,
    clopper_pearson,
    differential_error_rate,
    differential_loss_db,
    end_error_rate,
    loss_db,
)
from figures import Counts, against, interval, summed, table, verdict
from trials import Shape, Trial, run, trial

from dsp.synth import BurstSpec


def counted(shape: Shape, draw: int) -> Counts:
    """The counts of one capture."""
    done = trial(shape, draw)
    pairs = done.score.pairs
    whole = [p for p in pairs if p.right_rate]
    doubt = [1 - p.found[f"{end}_probability"] for p in whole for end in ("start", "end")]
    return {
        "wrong": done.score.wrong_symbols,
        "symbols": done.score.compared,
        "missed": len(done.score.missed),
        "extra": len(done.score.extra),
        "sent": len(done.made.bursts),
        "starts": sum(abs(p.start_error) > 0.5 for p in whole),
        "ends": sum(abs(p.end_error) > 0.5 for p in whole),
        "said": sum(doubt),
        "edges": len(whole),
        "pairs": len(pairs),
        "rate_wrong": len(pairs) - len(whole),
        "esn0": sum(p.found["esn0_db"] or 0.0 for p in pairs),
        "warned": sum(any("length" in text for text in p.found["warnings"]) for p in pairs),
    }


def few(count: float, least: int, what: str) -> str:
    return f"  (fewer than {least} {what})" if count < least else ""


# bursts of a capture where errors are so rare that a few captures must hold two hundred: one of 1100 takes a fifth of
# what ten of 110 take; with few samples a cycle, but not so few a symbol that symbols hold unequal energies: then even a
# receiver told everything errs more often than Q of their mean says (1.7 times at 5.7 samples, 24 times at 2.6)
_RARE_FROM_DB, _MANY = 7.0, 1100
_FEW_SAMPLES = (2.6, 4.0)
_EVEN_SAMPLES = 16.0


def point(shape: Shape, draw: int) -> Counts:
    """The counts of one capture of a talker: its cycles a symbol (1 to 48) and samples a cycle follow from the draw."""
    if shape.esn0_db < _RARE_FROM_DB:
        return counted(shape, draw)
    cycle = float(np.random.default_rng(draw).uniform(*_FEW_SAMPLES))
    large = replace(shape, bursts=_MANY, samples_per_cycle=cycle, samples_per_symbol_least=_EVEN_SAMPLES)
    return counted(large, draw)


def bits(options: argparse.Namespace) -> None:
    table(
        "Symbols of a talker with 110 bursts (1100 from 7 dB on), blind, against Q(sqrt(2 Es/N0)) and that 0.3 dB lower",
        "  dB  wrong/compared    error rate [95 %]                ideal    loss dB [95 %] (limit 0.30)"
        "  missed extra wrong-rate of bursts",
    )
    for db in (5.0, 6.0, 7.0, 8.0):
        c = summed(point, Shape(esn0_db=db), options, 1000, errors="wrong")
        wrong, of = int(c["wrong"]), int(c["symbols"])
        low, high = (loss_db(rate, db) for rate in clopper_pearson(wrong, max(of, 1)))
        print(
            f"{db:4.0f}  {wrong}/{of:<12} {interval(wrong, of):32} {bpsk_error_rate(db):.2e}"
            f"  {loss_db(wrong / max(of, 1), db):5.2f} [{low:.2f} {high:.2f}] {against(low, high, -math.inf, 0.3):7}"
            f"  {c['missed']:.0f} {c['extra']:.0f} {c['rate_wrong']:.0f} of {c['sent']:.0f}"
            f"{few(wrong, 200, 'errors')}",
            flush=True,
        )


def changes_counted(shape: Shape, draw: int) -> Counts:
    """Bits of differentially coded bursts; the line code is told, as no samples can decide it."""
    done = trial(shape, draw, {"line_code": "differential"})
    wrong = of = 0
    for p in done.score.pairs:
        period = 1 / p.truth.symbol_rate_bd
        place = [
            math.floor(
                (p.found["first_symbol_s"] + (k + 0.5) / p.found["symbol_rate_bd"] - p.truth.start_s) / period
            )
            for k in range(len(p.found["symbols"]))
        ]
        for bit, (a, b) in zip(p.found["bits"], pairwise(place), strict=True):
            if a >= 0 and b < len(p.truth.symbols):
                of += 1
                wrong += (bit == "1") != (p.truth.symbols[a] != p.truth.symbols[b])
    return {"wrong": wrong, "bits": of}


def differential(options: argparse.Namespace) -> None:
    table(
        "Differentially coded bits of a talker with 110 bursts against 2p(1-p) and that 0.3 dB lower",
        "  dB  wrong/compared    error rate [95 %]                ideal    limit   loss dB  verdict",
    )
    for db in (5.0, 6.0, 7.0, 8.0):
        c = summed(changes_counted, Shape(esn0_db=db), options, 1500, errors="wrong")
        wrong, of = int(c["wrong"]), int(c["bits"])
        ideal, limit = differential_error_rate(db), differential_error_rate(db - 0.3)
        print(
            f"{db:4.0f}  {wrong}/{of:<12} {interval(wrong, of):32} {ideal:.2e} {limit:.2e}"
            f"  {differential_loss_db(wrong / max(of, 1), db):6.2f}  {verdict(wrong, of, limit)}"
            f"{few(wrong, 200, 'errors')}",
            flush=True,
        )


def carriers(options: argparse.Namespace) -> None:
    table(
        "Carriers over the whole range, 110 bursts a capture: missed, and made up or of a wrong rate (each 0.5 %)",
        "  dB  samples a cycle   missed/bursts [95 %]   verdict   extra, wrong rate/bursts   verdict"
        "   wrong symbols, ideal",
    )
    for db in (7.0, 10.0):
        total: Counts = {}
        for spc in (2.5, 2.75, 3.3, 4.0, 6.0, 12.0, 30.0, 100.0):
            shape = Shape(samples_per_cycle=spc, samples_per_symbol_most=1000.0, esn0_db=db)
            c = summed(counted, shape, options, 1700 + round(10 * spc))
            total = {key: total.get(key, 0) + value for key, value in c.items()}
            print_range(db, f"{spc:g}", c)
        print_range(db, "all", total)


def print_range(db: float, name: str, c: Counts) -> None:
    of, missed, false = int(c["sent"]), int(c["missed"]), int(c["extra"] + c["rate_wrong"])
    print(
        f"{db:4.0f}  {name:15}   {missed}/{of} {interval(missed, of)}  {verdict(missed, of, 0.005)}"
        f"   {false}/{of}  {verdict(min(false, of), of, 0.005)}"
        f"   {c['wrong']:.0f}, {bpsk_error_rate(db) * c['symbols']:.1f}",
        flush=True,
    )


def lone_case(length: int, db: float, draw: int) -> tuple[int, int, int, int]:
    done = trial(Shape(1, (length, length), esn0_db=db), draw)
    good = sum(right(done, p) for p in done.score.pairs)
    return good, len(done.score.missed), len(done.score.extra), done.score.wrong_symbols


def right(done: Trial, p: object) -> bool:
    """Carrier within a tenth of the symbol rate, symbol rate within two in a hundred."""
    return p.right_rate and abs(p.found["carrier_hz"] - p.truth.carrier_hz) < 0.1 * p.truth.symbol_rate_bd


def lone(options: argparse.Namespace) -> None:
    table(
        "A lone burst, told nothing: carrier and symbol rate right in 99 %",
        "length   dB   right/sent  not right [95 %]   verdict   missed extra wrong symbols",
    )
    for length, db in ((24, 7.0), (30, 6.0), (24, 9.0), (64, 7.0)):
        of = 10 * options.trials
        rows = list(run(lone_case, [(length, db, 2000 + k) for k in range(of)], options.processes))
        good, missed, extra, wrong = (sum(column) for column in zip(*rows, strict=True))
        bad = of - good
        print(
            f"{length:6} {db:4.0f}   {good}/{of}  {interval(bad, of)}  {verdict(bad, of, 0.01)}"
            f"   {missed} {extra} {wrong}",
            flush=True,
        )


def grain(symbols: str) -> int:
    """The number of symbols of which every run of equal ones is a multiple: above 1 hides the symbol rate."""
    runs, length = [], 1
    for a, b in pairwise(symbols):
        if a == b:
            length += 1
        else:
            runs.append(length)
            length = 1
    return math.gcd(*runs, length)


def keeps_step(rate_bd: float, truth: BurstSpec) -> bool:
    """Whether a grid of this rate slips by less than half a symbol over the burst: 2 % of 24 symbols, 6 % of 8."""
    return abs(rate_bd / truth.symbol_rate_bd - 1) * len(truth.symbols) < 0.5


def short_case(db: float, draw: int) -> tuple[bool, str]:
    """Whether the burst hides its rate; ``right``, ``undecided`` or ``wrong``."""
    done = trial(Shape(1, (8, 8), esn0_db=db), draw)
    hidden = grain(done.made.bursts[0].symbols) > 1
    if not done.result["bursts"]:
        return hidden, "undecided"
    if len(done.score.pairs) != 1 or done.score.extra:
        return hidden, "wrong"
    p = done.score.pairs[0]
    others = p.found["symbol_rate_alternatives_bd"]
    if keeps_step(p.found["symbol_rate_bd"], p.truth) and not p.wrong:
        return hidden, "right"
    listed = any(keeps_step(rate, p.truth) for rate in others)
    return hidden, "undecided" if listed else "wrong"


def short(options: argparse.Namespace) -> None:
    table(
        "A lone burst of eight symbols: right; where its flips hide the rate, undecided is right as well (99 %)",
        "  dB   rate shown: right undecided wrong   rate hidden: right undecided wrong   not right [95 %]   verdict",
    )
    for db in (10.0, 12.0, 14.0, 20.0):
        of = 10 * options.trials
        rows = list(run(short_case, [(db, 2500 + k) for k in range(of)], options.processes))
        n = {key: rows.count(key) for key in ((h, w) for h in (False, True) for w in OUTCOMES)}
        bad = n[False, "undecided"] + n[False, "wrong"] + n[True, "wrong"]
        shown, hidden = (" ".join(f"{n[h, w]:5}" for w in OUTCOMES) for h in (False, True))
        print(
            f"{db:4.0f}   {shown}    {hidden}   {interval(bad, of)}  {verdict(bad, of, 0.01)}",
            flush=True,
        )


OUTCOMES = ("right", "undecided", "wrong")


def ends(options: argparse.Namespace) -> None:
    table(
        "Ends of bursts of free length, against 3 Q(sqrt(Es/2N0)) and 1.4 times that; at 16 dB none in 1000 bursts",
        "  dB  start wrong [95 %]   end wrong [95 %]   ideal   verdict of both   wrong/said to be wrong",
    )
    for db in (7.0, 9.0, 12.0, 14.0, 16.0):
        c = summed(counted, Shape(esn0_db=db), options, 3000, times=4 if db > 15 else 1)
        of, ideal, bad = int(c["edges"]), end_error_rate(db), int(c["starts"] + c["ends"])
        both = verdict(bad, 2 * of, 1.4 * ideal)
        if db > 15:
            both = "BEYOND" if bad else "within" if of >= 1000 else f"open: {of} of 1000 bursts"
        start, end = (interval(int(c[key]), of) for key in ("starts", "ends"))
        print(f"{db:4.0f}  {start}  {end}  {ideal:.2e}  {both}   {bad}/{c['said']:.1f}", flush=True)


def lengths(options: argparse.Namespace) -> None:
    table(
        "Ends of a talker whose 110 bursts all have 32 symbols: that is used (fewer wrong than ideal) and said",
        "  dB  wrong ends [95 %]   ideal of free lengths   verdict   bursts with a word about their length",
    )
    for db in (7.0, 9.0):
        c = summed(counted, Shape(lengths=(32, 32), esn0_db=db), options, 3500)
        of, bad, ideal = 2 * int(c["edges"]), int(c["starts"] + c["ends"]), end_error_rate(db)
        print(
            f"{db:4.0f}  {interval(bad, of)}  {ideal:.2e}  {verdict(bad, of, ideal)}"
            f"   {c['warned']:.0f} of {c['pairs']:.0f}",
            flush=True,
        )


def energy_case(shape: Shape, draw: int) -> tuple[float, list[float]]:
    """Mean error of the Es/N0 said, in decibel, and each error over its reported deviation."""
    pairs = trial(shape, draw).score.pairs
    errors = [p.found["esn0_db"] - shape.esn0_db for p in pairs]
    z = [e / p.found["esn0_std_db"] for e, p in zip(errors, pairs, strict=True)]
    return (float(np.mean(errors)) if errors else float("nan")), z


def energy(options: argparse.Namespace) -> None:
    table(
        "Es/N0 said, on average over a capture of 110 bursts (limit 0.5 dB of bias)",
        "  dB   bias +- 1.96 std of the mean   worst capture   verdict   mean square over its deviation",
    )
    for db in (3.0, 5.0, 7.0, 10.0, 14.0, 20.0, 30.0):
        jobs = [(Shape(esn0_db=db), 6500 + k) for k in range(options.trials)]
        rows = [r for r in run(energy_case, jobs, options.processes) if np.isfinite(r[0])]
        if not rows:
            print(f"{db:4.0f}   nothing found")
            continue
        biases = np.array([r[0] for r in rows])
        bias = float(biases.mean())
        half = 1.96 * float(biases.std(ddof=1)) / math.sqrt(len(biases)) if len(biases) > 1 else math.nan
        z2 = float(np.mean(np.square(np.concatenate([r[1] for r in rows]))))
        kept = "BEYOND" if abs(bias) - half > 0.5 else "within" if abs(bias) + half <= 0.5 else "open"
        print(
            f"{db:4.0f}   {bias:+.3f} +- {half:.3f}   {biases[np.argmax(np.abs(biases))]:+.3f}   {kept}"
            f"   {z2:.2f}",
            flush=True,
        )
