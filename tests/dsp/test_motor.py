"""Lines of a motor whose speed wanders: followed and taken off, whatever is sent on them, and nothing else with them."""

from __future__ import annotations

from dataclasses import asdict
from itertools import pairwise

import numpy as np
import pytest
from generators.scoring import score
from generators.truths import RATE_HZ, capture, record_of

from dsp import decode
from dsp import synth_line as line
from dsp.jumps import Stays
from dsp.look import looked_at
from dsp.motor import smoothed, without_motor
from dsp.motor_lines import MotorLines, Turning, demodulated
from dsp.noise import estimate_noise
from dsp.taken_off import without_all
from dsp.tones import Tone

SIGMA = 0.2


def turns(count: int, cycles: float, sway: float, waves: float) -> np.ndarray:
    """Turns of a motor whose speed sways by so much about so many ``cycles`` a sample, so many times."""
    n = np.arange(count)
    return np.cumsum(cycles * (1.0 + sway * np.sin(2.0 * np.pi * waves * n / count + 0.5)))


def ripple(turned: np.ndarray, orders: int, height: float) -> np.ndarray:
    """Orders one over their number high, each of a phase of its own."""
    out = np.zeros(turned.size)
    for k in range(1, orders + 1):
        out += height / k * np.cos(2.0 * np.pi * k * turned + 1.3 * k * k)
    return out


def left_of(samples: np.ndarray, known: np.ndarray) -> float:
    """Root mean square of what is left of ``known`` once the motor's lines are taken off the samples."""
    record = record_of(samples)
    found = without_motor(record, estimate_noise(record))
    taken = np.zeros(samples.size, dtype=np.float32)
    for lines in found.known:
        lines.take_off(taken, 0)
    return float(np.std(taken + known))


def test_lines_are_what_their_formula_says_in_every_slice() -> None:
    turning = Turning(np.arange(5) * 30_000.0, np.array([0.0, 900.0, 1_850.0, 2_700.0, 3_600.0]))
    knots = np.array([1.0 + 1.0j, 2.0, 0.5j])
    lines = MotorLines(500, 120_000, turning, 2, ((3, Tone(1e-5, 65_536, knots)),))
    n = np.arange(119_500.0)
    a = np.interp(n, np.arange(3) * 65_536, knots)
    due = np.real(a * np.exp(1j * (1e-5 * n + 1.5 * turning.of(n))))
    whole = np.zeros(121_000, dtype=np.float32)
    lines.take_off(whole, 0)
    np.testing.assert_allclose(whole[500:120_000], -due, atol=1e-4)
    assert not whole[:500].any()
    assert not whole[120_000:].any()
    edges = [0, 499, 501, 66_035, 66_037, 119_999, 121_000]
    parts = [np.zeros(b - a, dtype=np.float32) for a, b in pairwise(edges)]
    for part, start in zip(parts, edges[:-1], strict=True):
        lines.take_off(part, start)
    np.testing.assert_array_equal(np.concatenate(parts), whole)


@pytest.mark.parametrize(("length", "hop"), [(256, 128), (512, 512), (2_048, 1_024)])
def test_rows_are_the_sums_that_define_them(length: int, hop: int) -> None:
    rng = np.random.default_rng(1)
    values = rng.normal(size=9_000).astype(np.float32)
    base = np.exp(0.02j * np.arange(9_000) ** 1.1).astype(np.complex64)
    window = (rng.normal(size=(length, 3)) + 1j * rng.normal(size=(length, 3))).astype(np.complex64)
    found = demodulated(values, base, [1, 3], window, hop)
    for i, order in enumerate([1, 3]):
        for row in (0, 1, found.shape[1] - 1):
            part = slice(row * hop, row * hop + length)
            due = (values[part] * np.conj(base[part].astype(complex)) ** order) @ window
            np.testing.assert_allclose(found[i, row], due, atol=2e-3)
    assert found.shape[1] == (9_000 - length) // hop + 1


def test_smoothing_keeps_a_parabola_and_takes_noise_away() -> None:
    """A parabola has no third differences; of white noise on it three terms in 400 are left, some more by chance."""
    rng = np.random.default_rng(3)
    n = np.arange(400.0)
    course = 3.0 + 0.1 * n - 2e-4 * n**2
    values = course + rng.normal(0.0, 0.1, 400)
    for noise in (None, rng.normal(0.0, 0.1, 400)):
        assert float(np.std(smoothed(values, np.ones(400), noise) - course)) < 0.1 * np.sqrt(16.0 / 400.0)


@pytest.mark.parametrize(("cycles", "sway", "waves"), [(0.11, 0.004, 3.0)])
def test_orders_of_a_swaying_motor_come_off(cycles: float, sway: float, waves: float) -> None:
    count = 150_000
    known = ripple(turns(count, cycles, sway, waves), min(20, int(0.45 / cycles)), 2.0)
    assert left_of(known + line.noise(count, SIGMA, np.random.default_rng(4)), known) < 0.15 * SIGMA + 0.02


def test_orders_of_which_the_strongest_is_not_the_first() -> None:
    count = 150_000
    turned = turns(count, 0.013, 0.02, 2.0)
    known = sum(h * np.cos(2.0 * np.pi * k * turned + k) for k, h in ((1, 0.4), (2, 2.0), (3, 0.8), (5, 0.5)))
    assert left_of(known + line.noise(count, SIGMA, np.random.default_rng(5)), known) < 0.05


@pytest.mark.parametrize("ramp", [-0.14, 0.12])
def test_a_ramp_is_known_to_its_ends(ramp: float) -> None:
    """Where no row has its middle the samples themselves tell: less than the noise is left of a hundred times it."""
    count = 60_000
    n = np.arange(count)
    speed = 0.021 * (1.0 + ramp * (n / count - 0.5) + 0.02 * np.sin(8.0 * np.pi * n / count + 0.5))
    known = ripple(np.cumsum(speed), 8, 100.0 * SIGMA)
    samples = known + line.noise(count, SIGMA, np.random.default_rng(6))
    record = record_of(samples)
    left = known.astype(np.float32)
    for lines in without_motor(record, estimate_noise(record)).known:
        lines.take_off(left, 0)
    for end in (left[:500], left[-500:]):
        assert float(np.std(end)) < SIGMA


def test_an_order_next_to_half_the_sample_rate_comes_off() -> None:
    count = 150_000
    known = ripple(turns(count, 0.0815, 0.005, 2.0), 6, 2.0)
    assert left_of(known + line.noise(count, SIGMA, np.random.default_rng(7)), known) < 0.05


@pytest.mark.parametrize("waves", [8.0, 12.0])
def test_a_shaft_that_wobbles_is_followed(waves: float) -> None:
    """The speed changes once a revolution, within 75 or 50 cycles of the ripple: a few rows."""
    count = 160_000
    known = ripple(turns(count, 600.0 / count, 0.03, waves), 12, 2.0)
    assert left_of(known + line.noise(count, SIGMA, np.random.default_rng(11)), known) < 0.05


@pytest.mark.parametrize("draw", range(3))
def test_edges_of_a_motor_are_no_jumps(draw: int) -> None:
    """A saw of few orders changes abruptly, here and there by as much as a jump would."""
    made = capture(
        tuple(np.random.default_rng(draw).integers(24, 65, 12)), draw, cycles=8.0, gap_symbols=20.0
    )
    count = len(made.samples)
    n = np.arange(count)
    turned = np.cumsum(0.06 * made.bursts[0].carrier_hz / RATE_HZ * (1.0 + 0.1 * (n / count - 0.5)))
    dirt = sum(14.0 * k**-0.85 * np.cos(2.0 * np.pi * k * turned + 0.3 * k) for k in range(1, 9))
    record = looked_at(record_of(made.samples + dirt))
    calm, _ = without_all(record, estimate_noise(record))
    assert not any(isinstance(known, Stays) for known in calm.known)
    assert score(made.bursts, asdict(decode(made.samples + dirt, RATE_HZ))).complaints() == []


@pytest.mark.parametrize("draw", range(3))
@pytest.mark.parametrize(("beside", "height"), [(1.02, 4.0), (0.34, 8.0)])
def test_a_wandering_motor_harms_nothing(draw: int, beside: float, height: float) -> None:
    """Fundamental in carriers and its height in amplitudes: inside the band, or with its third order inside it."""
    lengths = tuple(np.random.default_rng(draw).integers(24, 65, 12))
    made = capture(lengths, draw, cycles=8.0, esn0_db=16.0, gap_symbols=20.0)
    cycles = beside * made.bursts[0].carrier_hz / RATE_HZ
    turned = turns(len(made.samples), cycles, 0.008, 1.5 + draw)
    dirt = ripple(turned, int(0.45 / cycles), height)
    assert score(made.bursts, asdict(decode(made.samples + dirt, RATE_HZ))).complaints() == []


@pytest.mark.parametrize(
    "kind", ["noise", "transmissions", "without a pause", "steady tone", "chirp", "keyed"]
)
def test_nothing_else_is_taken_for_a_motor(kind: str) -> None:
    count = 200_000
    rng = np.random.default_rng(9)
    hiss = line.noise(count, SIGMA, rng)
    if kind == "transmissions":
        samples = np.asarray(capture((50,) * 20, 3).samples)
    elif kind == "without a pause":
        samples = hiss + np.repeat(2 * rng.integers(0, 2, count // 150 + 1) - 1, 150)[:count] * np.sin(
            0.61 * np.arange(count)
        )
    elif kind == "keyed":
        samples = hiss + np.repeat(rng.integers(0, 2, count // 150 + 1), 150)[:count] * np.sin(
            0.61 * np.arange(count)
        )
    elif kind == "steady tone":
        samples = hiss + line.tone(count, RATE_HZ, 0.07 * RATE_HZ, 2.0)
    elif kind == "chirp":
        samples = hiss + line.chirp(count, RATE_HZ, 0.01 * RATE_HZ, 0.3 * RATE_HZ, 1.0)
    else:
        samples = hiss
    record = record_of(samples)
    assert without_motor(record, estimate_noise(record)) is record
