"""Pauses of a few symbols between smooth transmissions in step: the pulse tells them, and takes nothing sent for one."""

from __future__ import annotations

from dataclasses import asdict, replace

import numpy as np
import pytest
from generators.long_runs import long_but
from generators.scoring import score
from generators.smooth import RATE_HZ, Smooth, raised_cosine, smooth_capture
from generators.truths import Capture, true_fits

from dsp.decoder import decode
from dsp.pulse import pulse_of
from dsp.pulse_pauses import without_pauses
from dsp.runs import runs_of
from dsp.synth import BurstSpec

PERIOD, CYCLES = 37.3, 6.4


def silenced(made: Smooth, number: int, first: int, count: int, rolloff: float) -> Smooth:
    """The same with so many symbols of a burst not sent from the ``first`` on: two bursts in step."""
    burst = made.bursts[number]
    n = np.arange(made.samples.size) - burst.start_s * RATE_HZ
    samples = made.samples.copy()
    for k in range(first, first + count):
        place = n / PERIOD - 0.5 - k
        mine = np.abs(place) < 6.0
        wave = raised_cosine(place[mine], rolloff) * np.sin(
            2.0 * np.pi * CYCLES / PERIOD * n[mine] + burst.phase_rad
        )
        samples[mine] -= (1.0 if burst.symbols[k] == "1" else -1.0) * wave
    later = burst.start_s + (first + count) * PERIOD / RATE_HZ
    two = (
        replace(burst, symbols=burst.symbols[:first]),
        replace(burst, start_s=later, symbols=burst.symbols[first + count :]),
    )
    return replace(made, samples=samples, bursts=(*made.bursts[:number], *two, *made.bursts[number + 1 :]))


def cut(samples: np.ndarray, bursts: tuple[BurstSpec, ...], sigma: float) -> list[int]:
    """Symbols of each that is left when the fits to ``bursts`` are cut at pauses."""
    fits = true_fits(Capture(samples, bursts, sigma), sharp=False)
    runs = runs_of(fits)
    pulse = pulse_of(runs)
    assert pulse is not None
    parts, walls, whole = without_pauses(fits, runs, pulse)
    assert walls.size == len(parts) - len(fits)
    assert (np.diff(whole) >= 0).all()
    return [int(count) for count in parts.count]


@pytest.mark.parametrize("rolloff", [0.35, 0.5, 1.0])
@pytest.mark.parametrize("pause", [2, 3, 5])
def test_a_pause_is_told_by_the_pulse(rolloff: float, pause: int) -> None:
    made = smooth_capture((60, 100, 70), pause, rolloff, period_samples=PERIOD, cycles=CYCLES)
    broken = silenced(made, 1, 52, pause, rolloff)
    assert cut(broken.samples, made.bursts, made.sigma) == [60, 52, 48 - pause, 70]


@pytest.mark.parametrize("rolloff", [0.2, 0.35, 0.5, 0.7, 1.0])
@pytest.mark.parametrize("esn0_db", [8.0, 14.0, 24.0])
def test_what_is_sent_is_no_pause(rolloff: float, esn0_db: float) -> None:
    lengths = tuple(range(30, 120, 6))
    made = smooth_capture(lengths, 4, rolloff, period_samples=PERIOD, cycles=CYCLES, esn0_db=esn0_db)
    assert cut(made.samples, made.bursts, made.sigma) == list(lengths)


# of thirty draws those in which rectangles take them for one, but draw 2: there an end is right or off by a symbol as the
# last digits of a period fall
@pytest.mark.parametrize("draw", long_but(0, 1, of=[8, 48, 18, 20]))
def test_transmissions_in_step_are_found_as_two(draw: int) -> None:
    made = smooth_capture((60, 100, 70, 50, 90), draw, 0.5, period_samples=PERIOD, cycles=CYCLES)
    broken = silenced(silenced(made, 4, 40, 2, 0.5), 1, 52, 2, 0.5)
    assert score(broken.bursts, asdict(decode(broken.samples, RATE_HZ))).complaints() == []
