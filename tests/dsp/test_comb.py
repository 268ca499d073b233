"""A wave that repeats all through a record comes off with all its harmonics, and nothing that is sent does."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np
import pytest
from generators.long_runs import long_but
from generators.scoring import score
from generators.truths import RATE_HZ, capture, record_of

from dsp import decode
from dsp import synth_line as line
from dsp.comb import comb_of, without_comb
from dsp.jumps import without_jumps
from dsp.look import looked_at
from dsp.noise import estimate_noise
from dsp.taken_off import without_all
from dsp.tones import Tone, Tones, Wave

SIGMA = 0.2


def pulses(count: int, periods: float, part: float, height: float, harmonics: int = 2_000) -> np.ndarray:
    """Pulses that decay over a ``part`` of their period, below half the sample rate, of this root mean square."""
    turned = periods / count * np.arange(count) + 0.3
    orders = np.arange(1, min(harmonics, int(0.4999 * count / periods)) + 1)
    out = np.zeros(count)
    for order in orders.tolist():
        out += np.real(
            np.exp(2j * np.pi * np.remainder(order * turned, 1.0)) / (1.0 + 2j * np.pi * order * part)
        )
    return np.asarray(height * out / out.std())


def taken(samples: np.ndarray) -> np.ndarray:
    """What is taken off samples (n,) as a wave."""
    record = looked_at(record_of(samples))
    off = np.zeros(samples.size, dtype=np.float32)
    for wave in without_comb(record, estimate_noise(record)).known:
        wave.take_off(off, 0)
    return -off


def test_a_wave_is_the_same_in_every_slice() -> None:
    tones = Tones(
        100,
        150_000,
        (Tone(0.01, 149_900, np.array([1.0 + 1j, 2.0])), Tone(0.02, 149_900, np.array([0.5j, 1.0]))),
    )
    due = np.zeros(151_000, dtype=np.float32)
    tones.take_off(due, 0)
    wave = Wave(tones)
    for start, stop in ((0, 151_000), (99, 101), (65_000, 66_000), (149_000, 151_000)):
        values = np.zeros(stop - start, dtype=np.float32)
        wave.take_off(values, start)
        np.testing.assert_allclose(values, due[start:stop], atol=1e-5)


@pytest.mark.parametrize("periods", long_but(1, of=[35.3, 61.7, 402.4]))
def test_a_wave_is_known_as_well_as_theory_allows(periods: float) -> None:
    """Each harmonic is two numbers, of which noise leaves the n-th part of its power each; the taper uses half of the
    samples. Harmonics too weak to be worth it leave as much at most."""
    count = 90_000
    known = pulses(count, periods, 0.1, 3.0, 300)
    hiss = line.noise(count, SIGMA, np.random.default_rng(4))
    harmonics = min(300, int(0.4999 * count / periods))
    left = taken(known + hiss) - known
    assert float(np.mean((left - left.mean()) ** 2)) < 2.0 * 2.0 * (2 * harmonics + 1) / count * SIGMA**2


def test_what_is_sent_hardly_pulls_at_a_wave() -> None:
    """Transmissions on half of the time, far above the noise: a harmonic is known as well as where nothing is sent."""
    made = capture((60,) * 20, 1, cycles=12.0, esn0_db=20.0, gap_symbols=60.0)
    count = len(made.samples)
    known = pulses(count, 143.0, 0.1, 30.0, 40)
    left = taken(made.samples + known) - known
    assert float(np.std(left)) < np.sqrt(2.0 * 2.0 * 81.0 / count) * made.sigma


@pytest.mark.long
def test_a_level_that_a_wave_moved_wanders_no_more_without_it() -> None:
    """Whether a level wanders is told by what is left."""
    known = pulses(90_000, 35.3, 0.1, 3.0)
    record = looked_at(record_of(known + line.noise(known.size, SIGMA, np.random.default_rng(4))))
    assert record.wanders
    assert not looked_at(without_comb(record, estimate_noise(record))).wanders


@pytest.mark.parametrize("draw", long_but(0, of=range(3)))
@pytest.mark.parametrize("periods", [47.6, 150.2])
def test_slow_pulses_far_above_what_is_sent_harm_nothing(draw: int, periods: float) -> None:
    """Commutation at less than a hundredth of the carrier, the harmonics of which fill its band."""
    made = capture(
        tuple(np.random.default_rng(draw).integers(24, 65, 12)), draw, cycles=8.0, gap_symbols=20.0
    )
    dirt = pulses(len(made.samples), periods, 0.06, 20.0)
    assert score(made.bursts, asdict(decode(made.samples + dirt, RATE_HZ))).complaints() == []


@pytest.mark.parametrize("draw", long_but(1, of=range(2)))
def test_slow_edges_that_repeat_are_no_jumps(draw: int) -> None:
    """Edges of a switch of some samples each: between them the level holds still, but as jumps they leave much."""
    made = capture(
        tuple(np.random.default_rng(draw).integers(24, 65, 12)), draw, cycles=8.0, gap_symbols=20.0
    )
    count = len(made.samples)
    turned = 0.0043 * np.arange(count)
    dirt = sum(
        8.0 / m * np.sin(0.3 * np.pi * m) * np.sinc(m * 0.0043 * 5.0) * np.cos(2.0 * np.pi * m * turned)
        for m in range(1, 116)
    )
    record = looked_at(record_of(made.samples + dirt))
    assert without_jumps(record) is not record
    calm, _ = without_all(record, estimate_noise(record))
    assert [type(known) for known in calm.known] == [Wave]
    assert score(made.bursts, asdict(decode(made.samples + dirt, RATE_HZ))).complaints() == []


def test_what_is_sent_over_and_over_is_no_wave() -> None:
    """Seven symbols of two cycles without end: all lines are multiples of one frequency, the strongest at the carrier."""
    code = np.array([1, 1, 1, -1, 1, -1, -1])
    n = np.arange(90_000)
    sent = code[n // 48 % 7] * np.cos(2.0 * np.pi * n / 24.0 + 0.3)
    record = looked_at(record_of(sent + line.noise(n.size, SIGMA, np.random.default_rng(5))))
    assert comb_of(record, record.stretches[0]) is None


def test_a_wave_that_comes_and_goes_is_left() -> None:
    """It cannot be taken off as one that goes on, and what would be is added where it pauses."""
    count = 90_000
    known = pulses(count, 302.4, 0.1, 3.0) * (np.arange(count) // 9_000 % 2)
    record = looked_at(record_of(known + line.noise(count, SIGMA, np.random.default_rng(6))))
    assert comb_of(record, record.stretches[0]) is None


@pytest.mark.parametrize("kind", ["noise", "transmissions", "steady tone", "tones", "chirp"])
def test_nothing_else_is_taken_for_a_wave(kind: str) -> None:
    count = 100_000
    samples = line.noise(count, SIGMA, np.random.default_rng(9))
    if kind == "transmissions":
        samples = np.asarray(capture((50,) * 20, 3).samples)
    elif kind == "steady tone":
        samples = samples + line.tone(count, RATE_HZ, 0.07 * RATE_HZ, 2.0)
    elif kind == "tones":
        for at in np.random.default_rng(10).uniform(0.01, 0.4, 12).tolist():
            samples = samples + line.tone(count, RATE_HZ, at * RATE_HZ, 2.0)
    elif kind == "chirp":
        samples = samples + line.chirp(count, RATE_HZ, 0.01 * RATE_HZ, 0.3 * RATE_HZ, 1.0)
    record = looked_at(record_of(samples))
    assert comb_of(record, record.stretches[0]) is None
