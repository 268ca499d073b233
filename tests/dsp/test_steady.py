"""Steady tones: found beside what is sent, taken off the same however a record is read, and nothing else taken for one."""

from __future__ import annotations

from dataclasses import asdict, replace
from itertools import pairwise

import numpy as np
import pytest
from generators.scoring import score
from generators.truths import RATE_HZ, capture, record_of

from dsp import decode
from dsp import synth_line as line
from dsp.noise import estimate_noise
from dsp.source import make_record
from dsp.steady import without_tones
from dsp.tones import Tone, Tones

SIGMA = 0.2


def tones_of(samples: np.ndarray, segments: tuple | None = None):
    record = record_of(samples, segments=segments)
    return without_tones(record, estimate_noise(record))


@pytest.mark.parametrize("shorter", [0.07312345, 0.0731, 0.25])
def test_a_tone_that_is_known_roughly_is_taken_off_at_its_own_frequency(shorter):
    """What only short spectra show is known to many bins of a row; a bin off, a tone would turn once a row too often."""
    count, cycles = 200_000, shorter
    tone = line.tone(count, RATE_HZ, cycles * RATE_HZ, 1.0, 0.4)
    record = record_of(tone + noise(count, 7))
    floor = estimate_noise(record)
    step_hz = floor.lines_hz[1] - floor.lines_hz[0]
    wide = np.abs(floor.lines_hz - (cycles * RATE_HZ + 11.0 * step_hz)) < 30.0 * step_hz
    left, _ = without_tones(record, replace(floor, lines=np.where(wide, 100.0, 1.0)))
    (found,) = left.tones[0].tones
    # a tone's frequency: 6 sigma^2 / (A^2 n^3) in radians a sample, four times that with this window (Rife and Boorstyn 1974)
    std = np.sqrt(4.0 * 24.0 * SIGMA**2 / count**3) / (2.0 * np.pi)
    assert abs(found.omega / (2.0 * np.pi) - cycles) < 6.0 * std


def noise(count: int, draw: int) -> np.ndarray:
    return line.noise(count, SIGMA, np.random.default_rng(draw))


@pytest.mark.parametrize(
    ("first", "start", "stop"), [(0, 0, 9_000), (0, 4_095, 4_097), (700, 1, 20_000), (3, 2_048, 2_050)]
)
def test_a_tone_is_what_its_formula_says_in_every_slice(first, start, stop):
    """``Re(a(n) exp(i omega n))`` with straight lines between amplitudes, written out."""
    knots = np.array([1.0 + 2.0j, -0.5 + 1.0j, 3.0, 2.0j])
    tone = Tone(0.7131, 4_096, knots)
    n = np.arange(start, stop) - first
    a = np.interp(n, np.arange(4) * 4_096, knots)
    due = np.where((n >= 0) & (n < 12_000 - first), np.real(a * np.exp(0.7131j * n)), 0.0)
    values = np.zeros(stop - start, dtype=np.float32)
    Tones(first, 12_000, (tone,)).take_off(values, start)
    np.testing.assert_allclose(values, -due, atol=5e-6)


@pytest.mark.parametrize("cycles", [0.07, 0.0731234, 0.25, 0.31 + 1e-6])
def test_a_tone_in_noise_is_known_as_well_as_theory_allows(cycles):
    """Amplitude and phase of a tone in n samples: sigma sqrt(2 / n) each (Rife and Boorstyn 1974); what is left of it
    has the power of as many of those as are estimated, frequency and slope included."""
    count = 120_000
    tone = line.tone(count, RATE_HZ, cycles * RATE_HZ, 1.0, 0.4)
    record, floor = tones_of(tone + noise(count, 5))
    assert len(record.tones) == 1
    assert len(record.tones[0].tones) == 1
    left = np.zeros(count, dtype=np.float32)
    record.tones[0].take_off(left, 0)
    power = float(np.mean((left + tone) ** 2))
    # four numbers, of which each leaves sigma^2 / n; the window uses half of the samples, knots may be more
    assert power < 12.0 * SIGMA**2 * 4.0 / count
    assert floor.lines.max() == 1.0


def test_what_is_sent_does_not_pull_at_the_tone():
    """Transmissions that are on half of the time, twenty times as strong as the noise, with the tone inside their band."""
    made = capture((40,) * 30, 8, esn0_db=20.0, gap_symbols=40.0)
    count = len(made.samples)
    tone = line.tone(count, RATE_HZ, 1.013 * made.bursts[0].carrier_hz, 0.3, 1.1)
    record, _ = tones_of(made.samples + tone)
    left = np.zeros(count, dtype=np.float32)
    for tones in record.tones:
        tones.take_off(left, 0)
    # beside what random signs of 30 times 40 symbols would make of it
    assert float(np.std(left + tone)) < 0.02


@pytest.mark.parametrize("draw", [0, 1, 2])
@pytest.mark.parametrize(("aside", "height"), [(0.3, 0.2), (-0.12, 0.3), (0.55, 0.5)])
def test_a_harmonic_inside_the_band_harms_nothing(draw, aside, height):
    """Symbol rates beside the carrier, share of its amplitude."""
    made = capture(tuple(np.random.default_rng(draw).integers(24, 65, 16)), draw, cycles=12.0, esn0_db=17.0)
    b = made.bursts[0]
    tone = line.tone(len(made.samples), RATE_HZ, b.carrier_hz + aside * b.symbol_rate_bd, height, draw)
    assert score(made.bursts, asdict(decode(made.samples + tone, RATE_HZ))).complaints() == []


def test_a_tone_that_wanders_is_followed():
    """Amplitude up and down by a quarter and phase by a radian over the record."""
    count = 300_000
    t = np.arange(count) / count
    tone = (1.0 + 0.25 * np.sin(5.0 * t)) * np.sin(0.9 * np.arange(count) + np.sin(3.5 * t))
    record, _ = tones_of(tone + noise(count, 2))
    left = np.zeros(count, dtype=np.float32)
    record.tones[0].take_off(left, 0)
    assert record.tones[0].tones[0].amplitudes.size > 3
    assert float(np.std(left + tone)) < 0.02


@pytest.mark.parametrize("kind", ["noise", "transmissions", "reversals without a pause", "keyed"])
def test_nothing_else_is_taken_for_a_tone(kind):
    count = 200_000
    rng = np.random.default_rng(9)
    if kind == "noise":
        samples = noise(count, 1)
    elif kind == "transmissions":
        samples = capture((50,) * 20, 3).samples
    else:
        symbol = rng.integers(0, 2, count // 4_000 + 1).repeat(4_000)[:count]
        level = 2 * symbol - 1 if kind == "reversals without a pause" else symbol
        samples = noise(count, 1) + level * np.sin(0.61 * np.arange(count))
    record, _ = tones_of(samples)
    assert record.tones == ()


def test_a_keyed_carrier_less_its_tone_is_no_reversal():
    """On and off for equal times without a pause is half a steady carrier and half reversals of it."""
    rng = np.random.default_rng(4)
    count = 400_000
    keyed = rng.integers(0, 2, count // 150 + 1).repeat(150)[:count]
    samples = noise(count, 2) + keyed * np.sin(0.61 * np.arange(count))
    result = decode(samples, RATE_HZ)
    assert result.signalling.kind != "bpsk"
    assert result.bursts == ()


def test_each_stretch_has_a_phase_of_its_own():
    parts = [line.tone(90_000, RATE_HZ, 0.2 * RATE_HZ, 1.0, phase) for phase in (0.3, 2.0)]
    both = np.concatenate(parts) + noise(180_000, 7)
    record, _ = tones_of(both, segments=((0, 90_000, 0.0), (90_000, 180_000, 5.0)))
    left = record.read_centred(0, 90_000), record.read_centred(90_000, 180_000)
    assert all(float(np.std(one)) < 1.02 * SIGMA for one in left)


def test_reading_by_parts_is_reading_at_once():
    made = capture((40,) * 6, 1)
    tone = line.tone(len(made.samples), RATE_HZ, 0.11 * RATE_HZ, 2.0)
    record, _ = tones_of(made.samples + tone)
    assert record.tones
    # without a level, so that no mean of a part comes off
    whole = replace(make_record(np.zeros(len(made.samples)), RATE_HZ), tones=record.tones)
    at_once = whole.read_centred(0, whole.samples)
    edges = [0, 1, 999, 5_000, 5_001, 40_960, whole.samples]
    parts = [whole.read_centred(a, b) for a, b in pairwise(edges)]
    np.testing.assert_allclose(np.concatenate(parts), at_once, atol=1e-6)
