"""A weak transmission that is alone: the likeliest of all periods, and what comes close to it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from dsp.correlate import turn_back
from dsp.decoder import decode
from dsp.fits import Fits, carry
from dsp.refine import polish
from dsp.results import Burst
from dsp.runs import Runs, nats_in, runs_of
from dsp.survey import survey

RATE_HZ = 1e6
LIKELY_CYCLES = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 6.5, 8.0, 12.25, 16.0)


@dataclass(frozen=True, eq=False)
class Lone:
    """One burst in white noise, by numpy alone; ``start`` and ``period`` in samples."""

    samples: np.ndarray
    sigma: float
    amplitude: float
    start: float
    period: float
    cycles: float
    count: int

    @property
    def omega(self) -> float:
        return 2.0 * np.pi * self.cycles / self.period


def lone_burst(count: int, esn0_db: float, draw: int) -> Lone:
    """Random symbols with three reversals at least; 1 to 48 cycles a symbol, start phase, amplitude and silence drawn."""
    r = np.random.default_rng([77031, draw, count, int(esn0_db * 10)])
    period = 0.0
    while not 6.0 <= period <= 300.0:
        which = r.integers(3)
        drawn = (
            float(r.integers(1, 49)),
            float(np.exp(r.uniform(0.0, np.log(48)))),
            float(r.choice(LIKELY_CYCLES)),
        )
        cycles, carrier = drawn[which], float(np.exp(r.uniform(np.log(0.01), np.log(0.4))))
        period = cycles / carrier
    r.uniform(4, 8)
    symbols = np.ones(count)
    while np.count_nonzero(np.diff(symbols)) < 3:
        symbols = r.integers(0, 2, count) * 2.0 - 1.0
    before, after = (float(np.exp(r.uniform(np.log(20), np.log(2000)))) for _ in range(2))
    start = min(before, 250_000 / period) * period + r.uniform()
    m = np.arange(int(start + (count + min(after, 250_000 / period)) * period))
    amplitude = float(10 ** r.uniform(-3, 1))
    sigma = float(amplitude * np.sqrt(period / 4.0 / 10.0 ** (esn0_db / 10.0)))
    k = np.floor((m - start) / period).astype(int)
    sent = np.where((k >= 0) & (k < count), symbols[np.clip(k, 0, count - 1)], 0.0)
    turned = np.cos(2.0 * np.pi * carrier * (m - start) + r.uniform(0.0, 2.0 * np.pi))
    noise = sigma * r.standard_normal(m.size)
    return Lone(amplitude * sent * turned + noise, sigma, amplitude, start, period, cycles, count)


def fits_near(
    made: Lone, omega: float, period: float, start: float, count: int, *, sharp: bool = False
) -> Fits:
    """Fits that begin there, their carriers a part of the resolution apart, in the noise that was made."""
    first = max(0, int(start - 10.0 * period))
    part = made.samples[first : int(start + (count + 10) * period)]
    detune = np.linspace(-0.25, 0.25, 9) * np.pi / (count * period)
    one = np.ones(detune.size)
    place = one * (start - first)
    middle, counts = place + 0.5 * count * period, np.full(detune.size, count)
    turned = turn_back(part, omega, sharp)
    fits = Fits(
        turned,
        made.sigma**2,
        detune,
        0.0 * one,
        middle,
        one * made.amplitude,
        one * period,
        place,
        counts,
        0.0 * one,
        one * part.size,
        0.0 * one,
    )
    y = turned.between(fits.edges()) * np.exp(-1j * fits.angles(fits.edges()))
    return carry(replace(fits, phase=0.5 * np.angle(np.sum(y * y, axis=1))))


def likelihood(made: Lone, omega: float, period: float, start: float, count: int) -> float:
    """Greatest log-likelihood ratio near there, ends free, samples as points or as shares."""
    best = 0.0
    for sharp in (False, True):
        found = polish(fits_near(made, omega, period, start, count, sharp=sharp))
        near = np.abs(found.period / period - 1.0) < 0.02
        best = max(best, float(found.nats[near].max(initial=0.0)))
    return best


def of_truth(made: Lone) -> float:
    return likelihood(made, made.omega, made.period, made.start, made.count)


def of_answer(made: Lone, burst: Burst) -> float:
    omega = 2.0 * np.pi * burst.carrier_hz / RATE_HZ
    return likelihood(
        made, omega, RATE_HZ / burst.symbol_rate_bd, burst.first_symbol_s * RATE_HZ, len(burst.symbols)
    )


def is_right(burst: Burst, made: Lone) -> bool:
    """Carrier to a tenth of the symbol rate, symbol rate to 3 %."""
    sent_bd = RATE_HZ / made.period
    right = abs(burst.symbol_rate_bd / sent_bd - 1.0) < 0.03
    return right and abs(burst.carrier_hz - made.cycles * sent_bd) < 0.1 * sent_bd


# of 840 draws these were answered with a rate 6 % and more from the truth that was less likely than it, and (6035) refused
@pytest.mark.parametrize(
    ("count", "esn0_db", "draw"),
    [(24, 7.0, 6), (24, 7.0, 29), (24, 7.0, 348), (24, 7.0, 6035), (30, 6.0, 109)],
)
def test_what_is_likelier_by_far_is_found(count: int, esn0_db: float, draw: int) -> None:
    made = lone_burst(count, esn0_db, draw)
    bursts = decode(made.samples, RATE_HZ).bursts
    assert len(bursts) == 1
    assert is_right(bursts[0], made)


def half_at_a_wrong_period(made: Lone) -> tuple[np.ndarray, Runs]:
    """Fourteen symbols of 24 with a period that is 7 % too long, and the samples that they are found in."""
    start = made.start + 4.0 * made.period
    period = 1.07 * made.period
    fits = fits_near(made, made.omega, period, start, 14)
    return made.samples[max(0, int(start - 10.0 * period)) :], runs_of(fits.take(np.array([4])))


def test_from_half_of_a_burst_at_a_wrong_period_the_likeliest_one_is_found() -> None:
    """At 7 dB about one in 150 has a period that is likelier than its own."""
    right = 0
    for draw in range(24):
        made = lone_burst(24, 7.0, draw)
        samples, runs = half_at_a_wrong_period(made)
        (model, nats), *others = survey(samples, runs, made.omega * RATE_HZ / (2.0 * np.pi), RATE_HZ)
        # brought to its top from other places, each may stop at another of those next to it
        assert nats > of_truth(made) - 1.5
        assert all(nats >= other for _, other in others)
        right += abs(model.period / made.period - 1.0) < 0.03
    assert right >= 22


@pytest.mark.long
def test_no_answer_is_less_likely_than_what_was_sent() -> None:
    """By more than noise that is known to a part only makes of it."""
    for draw in range(340, 352):
        made = lone_burst(24, 7.0, draw)
        (burst,) = decode(made.samples, RATE_HZ).bursts
        assert is_right(burst, made) or of_answer(made, burst) > of_truth(made) - 1.0


def test_of_eight_symbols_the_rate_sent_is_said_or_listed_or_left_open() -> None:
    """At 10 dB other periods are often nearly as likely; of these draws two were answered as if there were none."""
    unsaid = 0
    for draw in range(1000, 1020):
        made = lone_burst(8, 10.0, draw)
        found = decode(made.samples, RATE_HZ)
        for burst in found.bursts:
            rates = np.array([burst.symbol_rate_bd, *burst.symbol_rate_alternatives_bd])
            unsaid += not np.any(np.abs(rates * made.period / RATE_HZ - 1.0) * made.count < 0.5)
    assert unsaid == 0


def test_likelihood_in_other_noise_is_that_of_a_fit_held_against_it() -> None:
    made = lone_burst(24, 7.0, 1)
    fits = fits_near(made, made.omega, made.period, made.start, 24).take(np.array([4]))
    louder = replace(fits, variance=1.7 * fits.variance)
    assert nats_in(runs_of(fits), louder.variance) == pytest.approx(
        nats_in(runs_of(louder), louder.variance), rel=1e-5
    )
    assert nats_in(runs_of(fits), louder.variance) < nats_in(runs_of(fits), fits.variance)
