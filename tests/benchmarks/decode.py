"""How fast the whole blind decode is, and whether it is right: ``decode.py [CASE...] [--runs N] [--samples N]``.

Its speed stands beside two baselines of the same run, over the same samples in the same process: numpy's
minimum and maximum, which is to touch every sample, and a plain chain of scipy calls in blocks of 2^20
(analytic signal, square, line of the carrier, mix, moving average over a symbol), which finds no burst and
decides no symbol. Trust the ratios. Bursts missed or made up and wrong symbols are counted beside them, as a
fast wrong answer is worth nothing.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import scipy.fft
import scipy.signal

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from bounds import end_error_rate  # noqa: E402
from generators.scoring import score  # noqa: E402

from dsp.decoder import decode  # noqa: E402
from dsp.halves import give_back  # noqa: E402
from dsp.synth import BurstSpec, random_symbols, waveform  # noqa: E402

RATE_HZ = 10e6
BLOCK = 1 << 20
SPAN = 1_000_000
MEMORY_LIMIT_MB = 600.0
# what a decode has to reach: times the plain chain when a tenth is sent, when nearly all is; transforms a span
SPARSE_TIMES, DENSE_TIMES, SPAN_TRANSFORMS = 10.0, 3.0, 30
# an 8-bit converter; five deviations of the noise stay inside beside the carrier
FULL_SCALE = 127.0


@dataclass(frozen=True, eq=False)
class Made:
    """A capture in a file, the bursts in it in time order, and how it was made."""

    samples: np.ndarray
    bursts: tuple[BurstSpec, ...]
    symbol_rate_bd: float
    esn0_db: float

    @property
    def share_sent(self) -> float:
        return sum(b.end_s - b.start_s for b in self.bursts) * RATE_HZ / len(self.samples)


def drawn_bursts(
    count: int, gap_symbols: tuple[float, float], options: argparse.Namespace, rng: np.random.Generator
) -> tuple[list[BurstSpec], float]:
    """One talker's bursts over ``count`` samples with random gaps, and the noise that gives the Es/N0."""
    carrier = RATE_HZ / options.samples_per_cycle
    symbol_rate = carrier / options.cycles
    # Es = A^2 T / 2 over the one-sided N0 = 2 sigma^2 / rate (Proakis)
    sigma_by_amplitude = np.sqrt(RATE_HZ / (4 * symbol_rate) / 10 ** (options.esn0_db / 10))
    amplitude = FULL_SCALE / (1 + 5 * sigma_by_amplitude)
    now, bursts = rng.uniform(*gap_symbols) / symbol_rate, []
    while True:
        text = random_symbols(int(rng.integers(24, 65)), rng)
        burst = BurstSpec(now, text, symbol_rate, carrier, amplitude, rng.uniform(0, 2 * np.pi))
        if (burst.end_s + 10 / symbol_rate) * RATE_HZ > count:
            return bursts, amplitude * sigma_by_amplitude
        bursts.append(burst)
        now = burst.end_s + rng.uniform(*gap_symbols) / symbol_rate


def make(path: Path, count: int, gap_symbols: tuple[float, float], options: argparse.Namespace) -> Made:
    """Write the capture block by block as 8-bit samples and map it, so that it is never in memory whole."""
    rng = np.random.default_rng(options.draw)
    bursts, sigma = drawn_bursts(count, gap_symbols, options, rng)
    pending = list(reversed(bursts))
    with path.open("wb") as file:
        for first in range(0, count, BLOCK):
            last = min(count, first + BLOCK)
            values = rng.standard_normal(last - first, np.float32) * np.float32(sigma)
            while pending and pending[-1].start_s * RATE_HZ < last:
                burst = pending.pop()
                low = max(first, int(np.ceil(burst.start_s * RATE_HZ)))
                high = min(last, int(np.ceil(burst.end_s * RATE_HZ)))
                times = np.arange(low, high) / RATE_HZ - burst.start_s
                values[low - first : high - first] += waveform(burst, times)
                if burst.end_s * RATE_HZ > last:
                    pending.append(burst)
                    break
            np.clip(np.rint(values), -128, 127).astype(np.int8).tofile(file)
    mapped = np.memmap(path, np.int8, "r")
    return Made(mapped, tuple(bursts), bursts[0].symbol_rate_bd, options.esn0_db)


def least_and_most(samples: np.ndarray) -> tuple[int, int]:
    return int(samples.min()), int(samples.max())


def plain_chain(samples: np.ndarray, per_symbol: int) -> float:
    """Baseband of every block, averaged over a symbol: all a chain of library calls needs before it decides."""
    checksum = 0.0
    for first in range(0, len(samples), BLOCK):
        block = samples[first : first + BLOCK].astype(np.float64)
        analytic = scipy.signal.hilbert(block)
        spectrum = np.abs(scipy.fft.fft(analytic**2))
        # the square of a half-turn keyed carrier has a line at twice its frequency
        turns = 0.5 * (1 + int(np.argmax(spectrum[1:]))) / len(block)
        mixed = analytic * np.exp(-2j * np.pi * turns * np.arange(len(block)))
        total = np.cumsum(mixed)
        average = (total[per_symbol:] - total[:-per_symbol]) / per_symbol
        checksum += float(average[0].real) if len(average) else 0.0
    return checksum


def anonymous_mb() -> float:
    """Memory of this process that no file stands behind, as Linux counts it."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("RssAnon:"):
            return int(line.split()[1]) / 1024
    raise OSError("this system does not tell anonymous memory")


_WATCHER = """
import sys, time
def anonymous_kb(pid):
    try:
        with open(f"/proc/{pid}/status") as lines:
            return sum(int(line.split()[1]) for line in lines if line.startswith("RssAnon:"))
    except OSError:
        return 0
def children(pid):
    try:
        with open(f"/proc/{pid}/task/{pid}/children") as ids:
            return [int(n) for n in ids.read().split()]
    except OSError:
        return []
pid, me, peak = int(sys.argv[1]), int(open("/proc/self/stat").read().split()[0]), 0
while True:
    peak = max(peak, anonymous_kb(pid) + sum(anonymous_kb(n) for n in children(pid) if n != me))
    print(peak, flush=True)
    time.sleep(0.02)
"""


@contextmanager
def memory_watched(seen: list[float]) -> Iterator[None]:
    """Append to ``seen`` the most anonymous memory of this process and its children together, in MB.

    Another process looks, since decoding takes a second process only where there is a single thread.
    """
    with tempfile.TemporaryFile("w+") as peaks:
        watcher = subprocess.Popen([sys.executable, "-c", _WATCHER, str(os.getpid())], stdout=peaks)
        time.sleep(0.1)
        try:
            yield
        finally:
            watcher.kill()
            watcher.wait()
            peaks.seek(0)
            seen.append(max(float(line) for line in peaks.read().split()) / 1024)


def processor_s() -> float:
    """Processor time of this process and of the children that have ended."""
    times = os.times()
    return times.user + times.system + times.children_user + times.children_system


def seconds(work: Callable[[], Any]) -> tuple[float, Any]:
    start = time.perf_counter()
    out = work()
    return time.perf_counter() - start, out


def correctness(made: Made, result: Any) -> dict[str, int]:
    """Counts over the capture, scored in groups so that pairing stays proportional to the bursts."""
    whole = asdict(result)
    counts = dict.fromkeys(("sent", "found", "missed", "extra", "wrong", "compared", "rate", "ends"), 0)
    found = sorted(whole.pop("bursts"), key=lambda b: b["start_s"] + b["end_s"])
    at = 0
    for k in range(0, len(made.bursts), 40):
        group = made.bursts[k : k + 40]
        # the silence after the group parts what was found there
        after = made.bursts[k + 40].start_s if k + 40 < len(made.bursts) else np.inf
        border = group[-1].end_s + after
        stop = at
        while stop < len(found) and found[stop]["start_s"] + found[stop]["end_s"] < border:
            stop += 1
        got = score(group, {**whole, "bursts": found[at:stop]})
        at = stop
        right = [p for p in got.pairs if p.right_rate]
        for key, value in (
            ("sent", len(group)), ("found", len(got.pairs)), ("missed", len(got.missed)),
            ("extra", len(got.extra)), ("wrong", got.wrong_symbols), ("compared", got.compared),
            ("rate", len(got.pairs) - len(right)),
            ("ends", sum((abs(p.start_error) > 0.5) + (abs(p.end_error) > 0.5) for p in right)),
        ):  # fmt: skip
            counts[key] += value
    return counts


def print_correctness(made: Made, result: Any) -> None:
    c = correctness(made, result)
    ideal = 2 * c["found"] * end_error_rate(made.esn0_db)
    refused = f"; refused: {result.refusal.code}" if result.refusal else ""
    print(
        f"  {c['sent']} bursts sent: {c['found']} found, {c['missed']} missed, {c['extra']} extra, "
        f"{c['rate']} of a wrong symbol rate; {c['wrong']} wrong of {c['compared']} symbols; "
        f"{c['ends']} wrong ends (ideal receiver {ideal:.1f}); kind {result.signalling.kind}{refused}"
    )


def row(name: str, times: list[float], count: int) -> None:
    best, median = min(times), float(np.median(times))
    print(
        f"  {name:34} best {best * 1e3:9.1f} ms ({count / best / 1e6:8.2f} MS/s)"
        f"   median {median * 1e3:9.1f} ms ({count / median / 1e6:8.2f} MS/s)"
    )


def whole_capture(
    name: str, count: int, gap_symbols: tuple[float, float], times_needed: float, options: argparse.Namespace
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        made = make(Path(folder, "line.int8"), count, gap_symbols, options)
        per_symbol = round(RATE_HZ / made.symbol_rate_bd)
        print(
            f"\n{name}: {count:.0f} samples of 8 bits, {made.share_sent:.0%} of them sent, "
            f"{options.samples_per_cycle:g} samples a cycle, {options.cycles:g} cycles a symbol, "
            f"{options.esn0_db:g} dB; {options.runs} runs",
            flush=True,
        )
        taken: dict[str, list[float]] = {"blind decode": [], "minimum and maximum": [], "plain chain": []}
        memory: list[float] = []
        # what the cases before have let go is none of this one's
        give_back()
        before, processor = anonymous_mb(), 0.0
        result: Any = None
        # the file's pages come into memory and the libraries settle before anything is timed
        least_and_most(made.samples)
        plain_chain(made.samples[: 2 * BLOCK], per_symbol)
        for _ in range(options.runs):
            # what the run before found is no part of what this one needs
            result = None
            with memory_watched(memory):
                used = processor_s()
                spent, result = seconds(lambda: decode(made.samples, RATE_HZ))
                processor += processor_s() - used
            taken["blind decode"].append(spent)
            taken["minimum and maximum"].append(seconds(lambda: least_and_most(made.samples))[0])
            taken["plain chain"].append(seconds(lambda: plain_chain(made.samples, per_symbol))[0])
        for what, times in taken.items():
            row(what, times, count)
        ours, touch, chain = (np.array(times) for times in taken.values())
        for what, other in (("minimum and maximum", touch), ("plain chain", chain)):
            best, median = other.min() / ours.min(), float(np.median(other) / np.median(ours))
            need = ""
            if other is chain:
                kept = "within" if min(best, median) >= times_needed else "BEYOND"
                need = f"   required {times_needed:g} x of both: {kept}"
            print(f"  decode is {best:.4g} x (best), {median:.4g} x (median) as fast as {what}{need}")
        peak, threads = max(memory), processor / ours.sum()
        kept = "within" if peak < MEMORY_LIMIT_MB else "BEYOND"
        print(
            f"  anonymous memory {before:.0f} MB before, peak {peak:.0f} MB (limit {MEMORY_LIMIT_MB:.0f} MB): {kept}"
        )
        print(f"  processor time over time of the clock: {threads:.2f}")
        print_correctness(made, result)
        sys.stdout.flush()


def sparse(options: argparse.Namespace) -> None:
    # bursts of 44 symbols on average, nine times as much silence
    gap = 9 * 44.0
    whole_capture("sparse", options.samples, (0.25 * gap, 1.75 * gap), SPARSE_TIMES, options)


def dense(options: argparse.Namespace) -> None:
    for count in options.dense_samples:
        whole_capture("dense", count, (5.0, 25.0), DENSE_TIMES, options)


def span(options: argparse.Namespace) -> None:
    """A span dragged over a capture: decoded again and again in a process that is already running."""
    gap = 9 * 44.0
    for name, gaps in (("sparse", (0.25 * gap, 1.75 * gap)), ("dense", (5.0, 25.0))):
        with tempfile.TemporaryDirectory() as folder:
            made = make(Path(folder, "line.int8"), SPAN, gaps, options)
            values = made.samples.astype(np.float64)
            first, result = seconds(lambda m=made: decode(m.samples, RATE_HZ))
            rounds = range(max(5, options.runs))
            scipy.fft.rfft(values)
            ours, transforms = [], []
            for _ in rounds:
                ours.append(seconds(lambda m=made: decode(m.samples, RATE_HZ))[0])
                for _ in range(5):
                    transforms.append(seconds(lambda v=values: scipy.fft.rfft(v))[0])
            print(f"\nspan of 10^6 samples, {name} ({made.share_sent:.0%} sent), {len(ours)} runs")
            row("blind decode", ours, SPAN)
            row("one real transform of 10^6", transforms, SPAN)
            best = min(ours) / min(transforms)
            median = float(np.median(ours) / np.median(transforms))
            kept = "within" if max(best, median) <= SPAN_TRANSFORMS else "BEYOND"
            print(f"  the first decode took {first * 1e3:.1f} ms")
            print(
                f"  decode takes {best:.1f} (best), {median:.1f} (median) transforms, limit {SPAN_TRANSFORMS}: {kept}"
            )
            print_correctness(made, result)
            sys.stdout.flush()


CASES = {"sparse": sparse, "dense": dense, "span": span}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("cases", nargs="*", metavar="CASE", help=f"of {', '.join(CASES)}; default all")
    parser.add_argument("--samples", type=int, default=100_000_000, help="of the sparse capture (10^8)")
    parser.add_argument(
        "--dense-samples",
        type=int,
        nargs="+",
        default=[10_000_000, 100_000_000],
        help="of the dense ones (10^7, where learning the link counts for much, and 10^8)",
    )
    parser.add_argument("--samples-per-cycle", type=float, default=8.0)
    parser.add_argument("--cycles", type=float, default=8.0, help="of the carrier in a symbol")
    parser.add_argument("--esn0-db", type=float, default=14.0)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--draw", type=int, default=1, help="number of the random draw")
    options = parser.parse_args()
    if unknown := set(options.cases) - set(CASES):
        parser.error(f"no such case: {', '.join(sorted(unknown))}")
    for name in options.cases or CASES:
        CASES[name](options)


if __name__ == "__main__":
    main()
