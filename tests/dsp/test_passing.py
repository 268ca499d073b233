"""Tones that come and go beside a link: found, taken off, and the link read as if they had not been there."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np
import pytest
from generators.long_runs import long_but
from generators.scoring import score
from numpy.typing import NDArray

from dsp import synth_line as line
from dsp.decoder import decode
from dsp.passing import passing_tones
from dsp.source import make_record
from dsp.synth import BurstSpec, amplitude_for, random_symbols, transmissions

RATE_HZ = 1e6
COUNT = 100_000
SIGMA = 0.2
# where tones begin, and how long they last
BEGINS, LASTS = (11_000, 43_000, 78_000), 14_000

Samples = NDArray[np.float64]


def link(carrier_hz: float, cycles: float, rng: np.random.Generator) -> list[BurstSpec]:
    """Bursts of random lengths and pauses all through the record, at 18 dB."""
    rate_bd = carrier_hz / cycles
    amplitude = amplitude_for(18.0, SIGMA, RATE_HZ, rate_bd)
    now, out = 7.3 / rate_bd, []
    while now + 70.0 / rate_bd < COUNT / RATE_HZ:
        symbols = random_symbols(int(rng.integers(24, 60)), rng, longest_run=9)
        out.append(BurstSpec(now, symbols, rate_bd, carrier_hz, amplitude, rng.uniform(0.0, 6.28)))
        now = out[-1].end_s + rng.uniform(4.0, 60.0) / rate_bd
    return out


def noisy(bursts: list[BurstSpec], rng: np.random.Generator) -> Samples:
    return transmissions(bursts, RATE_HZ, COUNT).samples + line.noise(COUNT, SIGMA, rng)


def tones(freq_hz: float, amplitude: float, rng: np.random.Generator, kind: str = "steady") -> Samples:
    """One after the other with pauses between, each with a phase of its own."""
    out = np.zeros(COUNT)
    n = np.arange(LASTS)
    for begin in BEGINS:
        phase = 2.0 * np.pi * freq_hz / RATE_HZ * n + rng.uniform(0.0, 6.28)
        if kind == "drifts":
            # by one in a hundred
            phase += 2.0 * np.pi * 0.01 * freq_hz / RATE_HZ * n * n / (2.0 * LASTS)
        shape = np.cos(phase)
        if kind == "swells":
            shape *= np.hanning(LASTS)
        if kind == "decays":
            shape *= np.exp(-1.2 * n / LASTS)
        if kind == "harmonics":
            shape += sum(np.cos(k * phase + k) / k for k in range(2, 6))
        out[begin : begin + LASTS] += amplitude * shape
    return out


def record_of(samples: Samples):
    return make_record(samples, RATE_HZ)


@pytest.mark.parametrize("kind", ["steady", "drifts", "decays"])
@pytest.mark.parametrize("freq_hz", [5_000.0, 31_000.0, 48_300.0])
def test_half_a_hundredth_of_their_power_is_left_beside_a_link(freq_hz: float, kind: str) -> None:
    rng = np.random.default_rng(1)
    bare = noisy(link(24e3, 6.0, rng), rng)
    sent = tones(freq_hz, 0.5, rng, kind)
    record = record_of(bare + sent)
    left = record.less(passing_tones(record)).read_centred(0, COUNT)
    assert np.mean((left - (bare - bare.mean())) ** 2) < 5e-3 * np.mean(sent**2)


def test_their_ends_are_found_to_a_part_of_a_cycle_of_noise() -> None:
    """Twice its square over the noise is what a sample of the tone tells: ends are known to some samples at 8 dB."""
    rng = np.random.default_rng(2)
    ends = sorted(
        (tone.first, tone.last) for tone in passing_tones(record_of(noisy([], rng) + tones(31e3, 0.5, rng)))
    )
    assert len(ends) == len(BEGINS)
    for (first, last), begin in zip(ends, BEGINS, strict=True):
        assert abs(first - begin) < 30
        assert abs(last - begin - LASTS) < 30


def test_one_over_a_pause_does_not_stand_for_two() -> None:
    """Two of one frequency with a short pause between and a quarter turn of phase: one would leave much of both."""
    rng = np.random.default_rng(3)
    n = np.arange(30_000)
    turn = 2.0 * np.pi * 0.02 * n
    sent = np.zeros(COUNT)
    sent[20_000:50_000] = 0.5 * np.cos(turn + np.where(n < 12_000, 0.0, 1.6)) * ((n < 12_000) | (n >= 15_000))
    found = sorted(tone.first for tone in passing_tones(record_of(noisy([], rng) + sent)))
    assert len(found) == 2
    assert abs(found[0] - 20_000) < 40
    assert abs(found[1] - 35_000) < 40


@pytest.mark.parametrize("draw", long_but(0, of=range(4)))
def test_noise_and_a_link_hold_none(draw: int) -> None:
    rng = np.random.default_rng([4, draw])
    for samples in (noisy([], rng), noisy(link(24e3, 6.0, rng), rng), noisy(link(150e3, 2.0, rng), rng)):
        assert passing_tones(record_of(samples)) == []


TONES = [(5_000.0, 0.5), (17_300.0, 0.5), (20_000.0, 0.5), (31_000.0, 0.2), (31_000.0, 0.5), (48_300.0, 0.5)]


@pytest.mark.parametrize(
    ("freq_hz", "amplitude", "kind"),
    long_but(
        0,
        4,
        of=[
            *(
                (freq_hz, amplitude, kind)
                for freq_hz, amplitude in TONES
                for kind in ("steady", "drifts", "decays")
            ),
            (9_700.0, 0.2, "harmonics"),
        ],
    ),
)
def test_a_link_is_read_through_them(freq_hz: float, amplitude: float, kind: str) -> None:
    """Below, beside and within the octave of its carrier, as strong as it or twice and a half."""
    rng = np.random.default_rng(5)
    sent = link(24e3, 6.0, rng)
    found = asdict(decode(noisy(sent, rng) + tones(freq_hz, amplitude, rng, kind), RATE_HZ))
    assert score(sent, found).complaints() == []


def test_a_second_link_in_their_octave_is_found() -> None:
    rng = np.random.default_rng(6)
    one, other = link(120e3, 10.0, rng), link(24e3, 6.0, rng)
    found = asdict(decode(noisy(one + other, rng) + tones(17_300.0, 0.5, rng), RATE_HZ))
    for sent in (one, other):
        mine = [b for b in found["bursts"] if abs(b["carrier_hz"] / sent[0].carrier_hz - 1.0) < 0.1]
        assert score(sent, dict(found, bursts=mine)).complaints() == []


@pytest.mark.parametrize("kind", long_but(0, of=["steady", "swells", "drifts", "decays", "harmonics"]))
def test_by_themselves_they_are_no_link(kind: str) -> None:
    """What is left of them once they are taken off is nothing either."""
    rng = np.random.default_rng(7)
    found = decode(noisy([], rng) + tones(21_000.0, 1.0, rng, kind), RATE_HZ)
    assert found.bursts == ()
    assert found.refusal is not None


def test_what_is_left_of_one_that_swells_is_no_link() -> None:
    """Straight lines do not follow its strength to the last digit; what they leave turns over at their knots."""
    rng = np.random.default_rng([9, 3])
    assert decode(noisy([], rng) + tones(21_000.0, 2.0, rng, "swells"), RATE_HZ).bursts == ()
