"""How long snapping takes beside one search for crossings, and how surely flips are met by stepping.

``python tests/benchmarks/snapping.py [--trials N]``
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from app.gui.trace.api import LaneBurst, TraceChannel
from app.gui.trace.curves import ChannelEnvelope
from app.gui.trace.marks_shown import LaneBook, MarksShown
from app.gui.trace.snapping import Snapper
from dsp.half_cycles import find_half_cycles
from dsp.interpolate import find_crossings

RATE_HZ = 1e6
COUNT = 1 << 21
MOVES = 50


def seconds(act, times: int) -> float:
    """Shortest of a few rounds, for one call."""
    rounds = []
    for _ in range(3):
        began = time.perf_counter()
        for i in range(times):
            act(i)
        rounds.append((time.perf_counter() - began) / times)
    return min(rounds)


def speed() -> None:
    rng = np.random.default_rng(1)
    at = np.arange(COUNT)
    traces = {
        "carrier, 20 samples a cycle": 8000 * np.sin(2 * np.pi * at / 20),
        "carrier, 40,000 samples a cycle": 8000 * np.sin(2 * np.pi * at / 40_000),
        "noise": 100 * rng.normal(size=COUNT),
        "silence": np.zeros(COUNT),
    }
    print("a move of the mouse with snapping, over find_crossings of 1025 samples of the same trace")
    for name, values in traces.items():
        stored = values.astype(np.int16)
        snapper = Snapper(MarksShown())
        snapper.targets = frozenset(["crossing", "flip", "symbol"])
        snapper.envelope = ChannelEnvelope(TraceChannel("line", "V", stored, RATE_HZ))

        def move(i: int, snapper: Snapper = snapper) -> None:
            snapper.snapped(1.0 + 1e-4 * i, 1e-6)

        def base(i: int, stored: np.ndarray = stored) -> None:
            find_crossings(stored[100 * i : 100 * i + 1025].astype(np.float64), hysteresis=500.0)

        print(f"  {name:34s} {seconds(move, MOVES) / seconds(base, MOVES):6.1f}")


def turns(trials: int) -> None:
    """Flips at zero crossings, five cycles a symbol."""
    rng = np.random.default_rng(2)
    print(
        "flips with a place within a quarter of half a cycle, those told as turns, and false turns per flip"
    )
    print("  samples a cycle, amplitude over noise:   within    turns    false")
    for samples_per_cycle in (6.1, 12.3, 40.7):
        for ratio in (20.0, 10.0, 5.0, 3.0):
            met = told = false = flips = 0
            for _ in range(trials):
                signs = rng.choice([-1.0, 1.0], 40)
                phase = np.arange(round(200 * samples_per_cycle)) / samples_per_cycle
                clean = signs[np.minimum((phase // 5).astype(int), 39)] * np.sin(2 * np.pi * phase)
                edges = np.flatnonzero(np.diff(signs)) * 5 * samples_per_cycle + 5 * samples_per_cycle
                noise = 1 / ratio
                found = find_half_cycles(
                    clean + noise * rng.normal(size=clean.size),
                    hysteresis=min(max(0.1, noise), 0.2),
                    noise=noise,
                )
                near = samples_per_cycle / 8
                met += sum(bool(np.abs(found.positions - edge).min() < near) for edge in edges)
                turned = found.positions[found.turned]
                hits = sum(bool(turned.size and np.abs(turned - edge).min() < near) for edge in edges)
                told, false, flips = told + hits, false + turned.size - hits, flips + edges.size
            shares = f"{met / flips:8.3f} {told / flips:8.3f} {false / flips:8.3f}"
            print(f"  {samples_per_cycle:15.1f}, {ratio:19.0f}: {shares}")


def stepping(trials: int) -> None:
    """Flips of a decoded burst at 6.1 samples a cycle, with and without a motor's ripple under it, as the window steps."""
    print(
        "flips met by stepping, with what the decode tells, over those met without it (6.1 samples a cycle)"
    )
    for ratio in (3.0, 2.0):
        for ripple in (0.0, 2.5):
            shares = []
            for told in (True, False):
                rng = np.random.default_rng(3)
                met = flips = 0
                for _ in range(trials):
                    found, all_of = _stepped(rng, ratio, ripple, told=told)
                    met, flips = met + found, flips + all_of
                shares.append(met / flips)
            name = f"amplitude over noise {ratio:.0f}, ripple {ripple:.1f} amplitudes"
            print(f"  {name:48s} {shares[0]:.3f} {shares[1]:.3f}")


def _stepped(rng: np.random.Generator, ratio: float, ripple: float, *, told: bool) -> tuple[int, int]:
    carrier_hz, cycles, symbols = RATE_HZ / 6.1, 6, 120
    signs = rng.choice([-1.0, 1.0], symbols)
    at_s = np.arange(round(symbols * cycles / carrier_hz * RATE_HZ)) / RATE_HZ
    phase = at_s * carrier_hz
    wave = signs[np.minimum((phase // cycles).astype(int), symbols - 1)] * np.sin(2 * np.pi * phase)
    values = wave + ripple * np.sign(np.sin(2 * np.pi * 7_300 * at_s)) + rng.normal(size=wave.size) / ratio
    snapper = Snapper(MarksShown())
    snapper.envelope = ChannelEnvelope(TraceChannel("line", "V", values.astype(np.float32), RATE_HZ))
    if told:
        burst = LaneBurst(
            0.0, float(at_s[-1]), 0.0, cycles / carrier_hz, "1" * symbols, carrier_hz=carrier_hz
        )
        snapper._shown.lane = LaneBook([burst])
    flips_s = (np.flatnonzero(np.diff(signs)) + 1) * cycles / carrier_hz
    near_s = 0.125 / carrier_hz
    met = sum(any(abs(p.time_s - t) < near_s for p in snapper.places(float(t))) for t in flips_s)
    return met, len(flips_s)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=20)
    given = parser.parse_args()
    speed()
    turns(given.trials)
    stepping(max(given.trials // 5, 1))
