"""Parts of a transmission whose carrier changes steadily are one; transmissions of two carriers are not."""

from __future__ import annotations

import numpy as np
import pytest
from generators.long_runs import long_but
from generators.truths import RATE_HZ, same_or_opposite, sigma_for, signs_of

from dsp.correlate import turn_back
from dsp.decoder import decode
from dsp.fits import Fits
from dsp.rejoin import rejoined
from dsp.settling import settle
from dsp.synth import random_symbols

PERIOD, OMEGA, START = 36.4, 1.087, 400.0


def _meeting(lengths: tuple[int, int], draw: int, *, bend: float = 0.0, kink: float = 0.0) -> Fits:
    """Straight fits to two parts that meet in step.

    The carrier changes by ``2 bend`` radians a sample in each sample, and by ``kink`` where they meet; its phase does not
    jump there.
    """
    rng = np.random.default_rng(draw)
    count = sum(lengths)
    at = np.arange(int(2 * START + count * PERIOD))
    off = at - (START + lengths[0] * PERIOD)
    phase = rng.uniform(0.0, 2.0 * np.pi) + bend * off**2 + kink * np.maximum(off, 0.0)
    number = np.floor((at - START) / PERIOD).astype(int)
    sent = np.where(
        (number >= 0) & (number < count), signs_of(random_symbols(count, rng))[number % count], 0.0
    )
    sigma = sigma_for(14.0, RATE_HZ / PERIOD)
    samples = sent * np.cos(OMEGA * at + phase) + rng.normal(0.0, sigma, at.size)
    start = START + PERIOD * np.array([0.0, lengths[0]])
    middle = start + 0.5 * PERIOD * np.array(lengths)
    fits = Fits(
        turn_back(samples, OMEGA, True),
        sigma**2,
        2.0 * bend * (middle - start[1]) + np.array([0.0, kink]),
        np.interp(middle, at, phase),
        middle,
        np.ones(2),
        np.full(2, PERIOD),
        start,
        np.array(lengths),
        np.zeros(2),
        np.full(2, float(at.size)),
        np.zeros(2),
    )
    return settle(fits, ends=False)


def _told(fits: Fits, *, bends: bool) -> int:
    """How many transmissions they are."""
    none = np.zeros(0, dtype=np.int64)
    short, _, owner = rejoined(fits, fits.take(none), none, np.zeros(0), bends=bends)
    return len(short) + np.unique(owner).size


@pytest.mark.parametrize("lengths", [(48, 40), (30, 44), (9, 47)])
def test_a_carrier_that_changes_steadily_goes_on(lengths: tuple[int, int]) -> None:
    """As much as one straight carrier through both cannot follow."""
    made = [_meeting(lengths, draw, bend=2.5e-6) for draw in range(20)]
    assert all(_told(fits, bends=False) == 2 for fits in made)
    # where they meet seems another phase once in some thirty
    assert sum(_told(fits, bends=True) == 1 for fits in made) >= 18


@pytest.mark.parametrize("lengths", [(48, 40), (30, 44)])
def test_two_carriers_that_meet_are_two(lengths: tuple[int, int]) -> None:
    """In step, no silence between them, and the phase where they meet the same: all that differs is the carrier."""
    for draw in range(20):
        assert _told(_meeting(lengths, draw, kink=4e-3), bends=True) == 2


@pytest.mark.parametrize("draw", long_but(0, of=range(3)))
def test_what_flies_past_is_told_whole(draw: int) -> None:
    """Carrier and symbols of somebody who comes and goes (Doppler), 40 cycles a symbol."""
    rng = np.random.default_rng([41, draw])
    period, cycles, lengths = 110.0, 40.0, rng.integers(80, 120, 6)
    start = np.cumsum(np.append(25.0, lengths[:-1] + rng.uniform(12.0, 60.0, 5)))
    n = int((start[-1] + lengths[-1] + 30.0) * period)
    at = np.arange(n)
    away = (at - 0.5 * n) / (0.2 * n)
    # symbols that have passed by its own clock, 0.2 % fast to 0.2 % slow
    clock = np.cumsum(1.0 - 0.002 * away / np.sqrt(1.0 + away**2)) / period
    samples = np.zeros(n)
    sent = [random_symbols(int(length), rng) for length in lengths]
    for first, text in zip(start, sent, strict=True):
        inside = (clock >= first) & (clock < first + len(text))
        signs = signs_of(text)[np.floor(clock[inside] - first).astype(int)]
        samples[inside] = signs * np.cos(2.0 * np.pi * cycles * clock[inside] + rng.uniform(0.0, 6.3))
    samples += rng.normal(0.0, sigma_for(16.0, RATE_HZ / period), n)
    bursts = decode(samples, RATE_HZ).bursts
    assert [len(b.symbols) for b in bursts] == lengths.tolist()
    assert all(same_or_opposite(signs_of(b.symbols), text) for b, text in zip(bursts, sent, strict=True))
