"""How far the decoder is from what theory allows: ``python tests/benchmarks/accuracy.py [SECTION...]``.

Every figure is printed beside its bound with its 95 % interval (Clopper-Pearson for proportions). More
trials make the intervals narrower: ``--trials 20``. Captures are made by ``dsp.synth`` and decoded blind.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from adversity import CASES as HARMS  # noqa: E402
from bounds import (  # noqa: E402
    bpsk_error_rate,
    carrier_std_bound_hz,
    clopper_pearson,
    end_error_rate,
    likeliest_flips_s,
    loss_db,
    matched_log_odds,
)
from trials import RATE_HZ, Shape, Trial, decoded, run, score, trial  # noqa: E402

from dsp.synth_line import noise  # noqa: E402


def table(title: str, columns: str) -> None:
    print(f"\n{title}\n{columns}", flush=True)


def interval(hits: int, of: int) -> str:
    low, high = clopper_pearson(hits, of)
    return f"{hits / max(of, 1):.3e} [{low:.2e} {high:.2e}]"


def verdict(hits: int, of: int, limit: float) -> str:
    """Against a limit that a proportion must not exceed."""
    low, high = clopper_pearson(hits, of)
    return "within" if high <= limit else "BEYOND" if low > limit else "open"


def counted(shape: Shape, draw: int) -> dict[str, float]:
    """The counts of one capture."""
    done = trial(shape, draw)
    pairs = done.score.pairs
    whole = [p for p in pairs if p.right_rate]
    return {
        "wrong": done.score.wrong_symbols,
        "symbols": done.score.compared,
        "missed": len(done.score.missed),
        "extra": len(done.score.extra),
        "sent": len(done.made.bursts),
        "starts": sum(abs(p.start_error) > 0.5 for p in whole),
        "ends": sum(abs(p.end_error) > 0.5 for p in whole),
        "edges": len(whole),
        "rate_wrong": len(pairs) - len(whole),
        "esn0": sum(p.found["esn0_db"] or 0.0 for p in pairs) / max(len(pairs), 1),
    }


def summed(shape: Shape, options: argparse.Namespace, first_draw: int) -> dict[str, float]:
    jobs = [(shape, first_draw + k) for k in range(options.trials)]
    rows = list(run(counted, jobs, options.processes))
    total = {key: sum(row[key] for row in rows) for key in rows[0]}
    total["esn0"] /= len(rows)
    return total


def bits(options: argparse.Namespace) -> None:
    table(
        "Symbols of a talker with 110 bursts, blind, against Q(sqrt(2 Es/N0)) and that 0.3 dB lower",
        "  dB  wrong/compared    error rate [95 %]                ideal    limit   loss dB  verdict  "
        "missed extra wrong-rate bursts  Es/N0 said",
    )
    for db in (5.0, 6.0, 7.0, 8.0):
        c = summed(Shape(esn0_db=db), options, 1000)
        wrong, of = int(c["wrong"]), int(c["symbols"])
        limit = bpsk_error_rate(db - 0.3)
        print(
            f"{db:4.0f}  {wrong}/{of:<12} {interval(wrong, of):32} {bpsk_error_rate(db):.2e} {limit:.2e}"
            f"  {loss_db(wrong / max(of, 1), db):6.2f}  {verdict(wrong, of, limit):7}"
            f"  {c['missed']:.0f} {c['extra']:.0f} {c['rate_wrong']:.0f} {c['sent']:.0f}  {c['esn0']:.2f}",
            flush=True,
        )


def lone_case(length: int, db: float, draw: int) -> tuple[int, int, int, int]:
    done = trial(Shape(1, (length, length), esn0_db=db), draw)
    good = 0
    for p in done.score.pairs:
        right_carrier = abs(p.found["carrier_hz"] - p.truth.carrier_hz) < 0.1 * p.truth.symbol_rate_bd
        good += p.right_rate and right_carrier
    return good, len(done.score.missed), len(done.score.extra), done.score.wrong_symbols


def lone(options: argparse.Namespace) -> None:
    table(
        "A lone burst, told nothing: carrier and symbol rate right in 99 %",
        "length   dB   right/sent  not right [95 %]   missed extra wrong symbols",
    )
    for length, db in ((24, 7.0), (30, 6.0), (24, 9.0), (8, 10.0), (8, 14.0)):
        of = 10 * options.trials
        rows = list(run(lone_case, [(length, db, 2000 + k) for k in range(of)], options.processes))
        good, missed, extra, wrong = (sum(column) for column in zip(*rows, strict=True))
        bad = of - good
        print(
            f"{length:6} {db:4.0f}   {good}/{of}  {interval(bad, of)}  {missed} {extra} {wrong}", flush=True
        )


def ends(options: argparse.Namespace) -> None:
    table(
        "Ends of bursts of free length, against 3 Q(sqrt(Es/2N0)) and 1.4 times that",
        "  dB  start wrong [95 %]   end wrong [95 %]   ideal   verdict of both",
    )
    for db in (7.0, 9.0, 12.0, 14.0, 16.0):
        c = summed(Shape(esn0_db=db), options, 3000)
        of, ideal = int(c["edges"]), end_error_rate(db)
        both = verdict(int(c["starts"] + c["ends"]), 2 * of, 1.4 * ideal)
        start, end = (interval(int(c[key]), of) for key in ("starts", "ends"))
        print(f"{db:4.0f}  {start}  {end}  {ideal:.2e}  {both}", flush=True)


def carrier_case(shape: Shape, draw: int) -> list[tuple[float, float, float]]:
    """Error over bound, reported deviation over bound, error over reported deviation, of each burst."""
    done = trial(shape, draw)
    shared = carrier_std_bound_hz(done.made.bursts, RATE_HZ, done.sigma)
    out = []
    for p in done.score.pairs:
        alone = carrier_std_bound_hz([p.truth], RATE_HZ, done.sigma)
        bound = shared if len(done.made.bursts) > 1 else alone
        error = p.found["carrier_hz"] - p.truth.carrier_hz
        out.append((error / bound, (p.found["carrier_std_hz"] or np.nan) / bound, p.carrier_z or np.nan))
    return out


def carrier(options: argparse.Namespace) -> None:
    table(
        "Carrier against the Cramér-Rao bound of the very samples (limit 1.1; normalised square 0.8 to 1.25)",
        "bursts   dB   rms error/bound  median  reported/bound  mean of z^2  estimates",
    )
    for count, db in ((1, 7.0), (1, 10.0), (1, 16.0), (30, 5.0), (30, 9.0)):
        trials = options.trials * (12 if count == 1 else 2)
        jobs = [(Shape(count, esn0_db=db), 4000 + k) for k in range(trials)]
        rows = np.array([row for part in run(carrier_case, jobs, options.processes) for row in part])
        if not len(rows):
            print(f"{count:6} {db:4.0f}   nothing found")
            continue
        errors, said, z = rows.T
        rms, spread = np.sqrt(np.mean(errors**2)), np.median(np.abs(errors)) / 0.6745
        print(
            f"{count:6} {db:4.0f}   {rms:10.3f}  {spread:8.3f}"
            f"  {np.nanmedian(said):8.3f}  {np.nanmean(z**2):10.3f}   {len(rows)}",
            flush=True,
        )


def flip_case(shape: Shape, draw: int) -> tuple[list[float], list[float], int, int]:
    done = trial(shape, draw)
    ours, best, covered, of = [], [], 0, 0
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
                covered += bool(low <= sent[k] <= high)
                of += 1
    return ours, best, covered, of


def flips(options: argparse.Namespace) -> None:
    table(
        "Flip times in carrier cycles, against brute force of greatest likelihood (limit 1.2 times)",
        "cycles   dB   rms ours  rms brute  ratio   p95 ours  p95 brute   covered by 95 % interval",
    )
    for cycles in (2.0, 6.5, 24.0):
        for db in (7.0, 14.0, 24.0):
            shape = Shape(40, cycles=cycles, samples_per_cycle=9.3, esn0_db=db)
            jobs = [(shape, 5000 + k) for k in range(options.trials)]
            rows = list(run(flip_case, jobs, options.processes))
            ours, best = (np.abs(np.concatenate([row[k] for row in rows])) for k in (0, 1))
            if not len(ours):
                print(f"{cycles:6.1f} {db:4.0f}   nothing found")
                continue
            a, b = (float(np.sqrt(np.mean(x**2))) for x in (ours, best))
            covered, of = sum(row[2] for row in rows), sum(row[3] for row in rows)
            far_a, far_b = (float(np.percentile(x, 95)) for x in (ours, best))
            print(
                f"{cycles:6.1f} {db:4.0f}   {a:8.4f}  {b:8.4f}  {a / b:6.2f}"
                f"   {far_a:8.4f}  {far_b:8.4f}   {interval(covered, of)}",
                flush=True,
            )


def confidence_case(shape: Shape, draw: int) -> tuple[np.ndarray, np.ndarray, float, int]:
    """Confidence and wrongness of each symbol; log loss of a receiver told everything, and its count."""
    done: Trial = trial(shape, draw)
    said, wrong, ideal, of = [], [], 0.0, 0
    for p in done.score.pairs:
        odds = matched_log_odds(done.made.samples, RATE_HZ, p.truth, done.sigma)
        signs = np.array([1 if s == "1" else -1 for s in p.truth.symbols])
        ideal += float(np.sum(np.logaddexp(0, -signs * odds)))
        of += len(signs)
        for k, value in enumerate(p.found["confidence"]):
            middle = p.found["first_symbol_s"] + (k + 0.5) / p.found["symbol_rate_bd"]
            if p.truth.start_s <= middle < p.truth.end_s:
                said.append(value)
                wrong.append(k in p.wrong)
    return np.array(said), np.array(wrong, float), ideal, of


def confidence(options: argparse.Namespace) -> None:
    table(
        "Confidence as a probability: wrong over predicted in each decade of 1 - confidence (0.8 to 1.25)",
        "   decade          symbols  predicted  wrong  ratio",
    )
    jobs = [(Shape(esn0_db=db), 6000 + 10 * k) for k in range(options.trials) for db in range(2, 10)]
    rows = list(run(confidence_case, jobs, options.processes))
    said, wrong = (np.concatenate([row[k] for row in rows]) for k in (0, 1))
    doubt = 1 - said
    for top in 10.0 ** -np.arange(0, 7):
        inside = (doubt > top / 10) & (doubt <= top)
        predicted, failed = float(np.sum(doubt[inside])), int(wrong[inside].sum())
        ratio = failed / predicted if predicted else float("nan")
        few = "  (fewer than 100 predicted)" if predicted < 100 else ""
        row = f"{inside.sum():9} {predicted:10.1f} {failed:6} {ratio:6.2f}{few}"
        print(f"  {top / 10:.0e}..{top:.0e} {row}")
    sure = np.clip(np.where(wrong > 0, doubt, said), 1e-12, 1)
    ours = -float(np.mean(np.log(sure)))
    ideal = sum(row[2] for row in rows) / max(1, sum(row[3] for row in rows))
    print(f"  mean log loss {ours:.5f}, of a receiver told everything {ideal:.5f}")
    print(f"  ratio {ours / ideal:.3f} (limit 1.05)")
    share = wrong.mean()
    flat = -(share * np.log(share) + (1 - share) * np.log(1 - share)) if 0 < share < 1 else 0.0
    print(f"  a constant confidence would have {flat:.5f}, ratio {flat / ideal:.2f}")


def silent_case(draw: int) -> tuple[int, int, str]:
    rng = np.random.default_rng(draw)
    count = 2_000_000
    result = decoded(noise(count, 1.0, rng).astype(np.float32), RATE_HZ)
    return len(result["bursts"]), count, result["signalling"]["kind"]


def refusal(options: argparse.Namespace) -> None:
    from generators.quiet import CASES
    from generators.quiet import RATE_HZ as QUIET_RATE_HZ

    rows = list(run(silent_case, [(7000 + k,) for k in range(options.trials)], options.processes))
    false, of = sum(r[0] for r in rows), sum(r[1] for r in rows)
    print(f"\nFalse bursts on noise: {false} in {of:.1e} samples (limit 1 in 1e8)")
    table("Captures without a decodable signal", "  what                   symbols  kinds, refusals")
    for name, make in CASES.items():
        results = [decoded(make(np.random.RandomState(k)), QUIET_RATE_HZ) for k in range(options.trials)]
        symbols = sum(len(b["symbols"]) for r in results for b in r["bursts"])
        kinds = sorted({r["signalling"]["kind"] for r in results})
        codes = sorted({r["refusal"]["code"] if r["refusal"] else "NOT REFUSED" for r in results})
        print(f"  {name:22} {symbols:6}   {', '.join(kinds)}; {', '.join(codes)}", flush=True)


def harm_case(name: str, draw: int) -> tuple[int, int, int, int, int, int, str]:
    made = HARMS[name](np.random.default_rng(draw))
    result = decoded(made.samples, made.rate_hz)
    got = score(made.bursts, result)
    lengths = sum(p.length_error != 0 for p in got.pairs)
    return (
        got.wrong_symbols, got.compared, len(got.missed), len(got.extra), lengths,
        sum(not p.right_rate for p in got.pairs), got.kind,
    )  # fmt: skip


def harms(options: argparse.Namespace) -> None:
    table(
        "Adversity at 14 dB: no symbol wrong",
        "  what                                     wrong/compared  missed extra length  rate   kinds",
    )
    for name in HARMS:
        rows = list(run(harm_case, [(name, 8000 + k) for k in range(options.trials)], options.processes))
        wrong, of, missed, extra, lengths, rates = (sum(r[k] for r in rows) for k in range(6))
        kinds = ", ".join(sorted({r[6] for r in rows}))
        print(
            f"  {name:40} {wrong:5}/{of:<8}  {missed:5} {extra:5} {lengths:5} {rates:5}   {kinds}", flush=True
        )


SECTIONS = {
    "bits": bits,
    "lone": lone,
    "ends": ends,
    "carrier": carrier,
    "flips": flips,
    "confidence": confidence,
    "refusal": refusal,
    "adversity": harms,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "sections", nargs="*", metavar="SECTION", help=f"of {', '.join(SECTIONS)}; default all"
    )
    parser.add_argument(
        "--trials", type=int, default=3, help="captures a point (lone bursts: ten times that)"
    )
    parser.add_argument("--processes", type=int, default=1)
    options = parser.parse_args()
    if unknown := set(options.sections) - set(SECTIONS):
        parser.error(f"no such section: {', '.join(sorted(unknown))}")
    for name in options.sections or SECTIONS:
        began = time.perf_counter()
        SECTIONS[name](options)
        print(f"  ({name}: {time.perf_counter() - began:.0f} s)")


if __name__ == "__main__":
    main()
