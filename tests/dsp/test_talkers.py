"""Who sent what, over whole strips: groups, what each shares, and the noise that was met."""

from __future__ import annotations

import random
from dataclasses import asdict, replace

import numpy as np
import pytest
from benchmarks.bounds import carrier_std_bound_hz
from generators.lines import Line, Sent, add_burst, talker_line
from generators.long_runs import long_but
from generators.scoring import score
from generators.truths import (
    RATE_HZ,
    Capture,
    capture,
    model_of,
    same_or_opposite,
    sigma_for,
    strip_from,
    true_fits,
)
from scipy import stats

from dsp.decoder import decode
from dsp.extract import Found, extract
from dsp.fits import Fits, carry
from dsp.pool import carrier_std, towards_shared
from dsp.runs import Runs
from dsp.settling import settle
from dsp.synth import BurstSpec, random_symbols, transmissions
from dsp.talkers import Talker, _worth_a_talker, believable, talkers_of

TO_HZ = RATE_HZ / (2.0 * np.pi)


def found_in(made: Capture) -> Found:
    model = model_of(made)
    return extract(strip_from(made), model.carrier_hz / TO_HZ, model)


def talkers_in(made: Capture) -> list[Talker]:
    return talkers_of(strip_from(made), believable(found_in(made))[0])


def found_of(fits: Fits) -> Found:
    """Fits as if they were found, no long ones among them."""
    return Found(fits, fits.take(np.zeros(0, int)), np.zeros(0, int), fits.variance)


def heard(talker: Talker, made: Capture) -> list[int]:
    """Numbers of the bursts that a talker's runs are."""
    starts = np.array([b.start_s for b in made.bursts]) * RATE_HZ
    return [int(np.argmin(np.abs(starts - first))) for first in talker.runs.first]


def sent_by(
    *carriers_hz: float, draw: int, amplitudes: tuple[float, ...] = (), esn0_db: float = 16.0
) -> Capture:
    """Twelve bursts of random lengths, the talkers taking turns."""
    rng = np.random.default_rng(draw)
    bursts, now, rate = [], 1.5e-3, 27_462.0
    for k in range(12):
        who = k % len(carriers_hz)
        text = random_symbols(int(rng.integers(20, 60)), rng, longest_run=6)
        amplitude = amplitudes[who] if amplitudes else 1.0
        bursts.append(BurstSpec(now, text, rate, carriers_hz[who], amplitude, rng.uniform(0, 2 * np.pi)))
        now = bursts[-1].end_s + (12.0 + rng.uniform()) / rate
    count, sigma = int((now + 1e-3) * RATE_HZ), sigma_for(esn0_db, rate)
    clean = transmissions(bursts, RATE_HZ, count).samples
    return Capture(clean + rng.normal(0.0, sigma, count), tuple(bursts), sigma)


def assert_right(runs: Runs, bursts: list[BurstSpec]) -> None:
    assert runs.count.tolist() == [len(b.symbols) for b in bursts]
    for i, burst in enumerate(bursts):
        assert same_or_opposite(runs.take(np.array([i])).symbols.real, burst.symbols)


@pytest.mark.parametrize(
    ("carriers_hz", "amplitudes"),
    [((173_011.0,), (1.0,)), ((173_011.0, 173_400.0), (1.0, 1.0)), ((173_011.0,) * 3, (1.0, 0.7, 0.45))],
)
def test_each_talker_has_its_own_bursts_and_carrier(carriers_hz, amplitudes):
    made = sent_by(*carriers_hz, draw=1, amplitudes=amplitudes, esn0_db=20.0)
    talkers = talkers_in(made)
    assert len(talkers) == len(carriers_hz)
    for who, talker in enumerate(talkers):
        mine = list(range(who, 12, len(carriers_hz)))
        assert heard(talker, made) == mine
        assert_right(talker.runs, [made.bursts[k] for k in mine])
        assert abs(talker.carrier * TO_HZ - carriers_hz[who]) < 4.0 * talker.carrier_std * TO_HZ
        # the bound of all its bursts together (Cramer-Rao, by the samples)
        bound = carrier_std_bound_hz([made.bursts[k] for k in mine], RATE_HZ, made.sigma)
        assert talker.carrier_std * TO_HZ == pytest.approx(bound, rel=0.35)


def test_shared_carriers_err_as_they_say():
    """Sixteen captures: chi-square of 16 degrees of freedom."""
    z = []
    for draw in range(16):
        made = sent_by(173_011.0 + 37.0 * draw, draw=100 + draw, esn0_db=12.0)
        fits = true_fits(made, sharp=False)
        rng = np.random.default_rng(draw)
        rough = replace(fits, detune=rng.normal(0.0, 0.05, 12) / (fits.count * fits.period))
        (talker,) = talkers_of(strip_from(made), found_of(carry(rough, rounds=8)))
        z.append((talker.carrier * TO_HZ - made.bursts[0].carrier_hz) / (talker.carrier_std * TO_HZ))
    low, high = stats.chi2.ppf([0.0005, 0.9995], 16) / 16
    assert low < np.mean(np.square(z)) < high, np.round(z, 1)


def test_two_bursts_in_step_by_chance_tell_no_more_of_the_carrier_than_two():
    """Taken for one, a pause of six symbols and a turn of 0.4 radians between them.

    Eight captures: chi-square of 8 degrees of freedom. If the phase went on, the two would say that the carrier is off
    by 0.4 radians from middle to middle, and as surely as six others say what it is.
    """
    z, said = [], []
    for draw in range(8):
        made = sent_by(173_011.0, draw=300 + draw, esn0_db=5.0)
        bursts = list(made.bursts)
        first, rate = bursts[4], bursts[4].symbol_rate_bd
        start = first.end_s + 6.0 / rate
        along = first.phase_rad + 2.0 * np.pi * first.carrier_hz * (start - first.start_s) + 0.4
        bursts[5] = replace(bursts[5], start_s=start, phase_rad=along)
        rng = np.random.default_rng(100 + draw)
        clean = transmissions(bursts, RATE_HZ, made.samples.size).samples
        made = Capture(clean + rng.normal(0.0, made.sigma, clean.size), tuple(bursts), made.sigma)
        fits = true_fits(made, sharp=False)
        count = fits.count.copy()
        count[4] += 6 + count[5]
        joined = settle(replace(fits, count=count).take(np.arange(12) != 5), hold_carrier=True, ends=False)
        (talker,) = talkers_of(strip_from(made), found_of(joined))
        z.append((talker.carrier * TO_HZ - first.carrier_hz) / (talker.carrier_std * TO_HZ))
        said.append(talker.carrier_std * TO_HZ / carrier_std_bound_hz(bursts, RATE_HZ, made.sigma))
    low, high = stats.chi2.ppf([0.0005, 0.9995], 8) / 8
    assert low < np.mean(np.square(z)) < high, np.round(z, 1)
    assert float(np.median(said)) == pytest.approx(1.0, abs=0.08)


@pytest.mark.parametrize(("off", "shared"), [(0.5, True), (2.5, False)])
def test_carriers_that_disagree_by_more_than_chance_are_not_shared(off, shared):
    """Every second one ``off`` uncertainties higher, the others lower: one talker by its amplitude.

    At 2.5 the sum of squares is 75 where 31 is exceeded once in 1000 (chi-square of 11 degrees of freedom).
    """
    made = capture((40,) * 12, 3, esn0_db=9.0)
    fits = true_fits(made)
    away = off * carrier_std(fits.gain, fits.count, fits.period) * np.where(np.arange(12) % 2, 1.0, -1.0)
    (talker,) = talkers_of(strip_from(made), found_of(replace(fits, detune=away)))
    assert len(talker.runs) == 12
    assert (talker.carrier is not None) == (talker.carrier_std is not None) == shared
    # weak ones are fitted with it
    assert (np.ptp(talker.runs.omega) == 0.0) == shared
    # fitted anew, each is where it is, shared or not
    errors = (talker.runs.omega - fits.turned.omega) / carrier_std(fits.gain, fits.count, fits.period)
    assert np.max(np.abs(errors)) < 4.0


@pytest.mark.parametrize(
    ("amplitude", "alike"), [(0.25, False), (0.4, False), (0.7, True), (1.0, True), (2.5, False)]
)
def test_a_transmission_alone_is_a_talkers_if_it_is_about_as_strong(amplitude, alike):
    """On the very carrier of the other eight, which any of them may have sent but for its strength."""
    for draw in range(4):
        made = capture((28,) * 9, 60 + draw, esn0_db=22.0, amplitudes=(1.0,) * 5 + (amplitude,) + (1.0,) * 3)
        heard_of = sorted(len(talker.runs) for talker in talkers_in(made))
        assert heard_of == ([9] if alike else [1, 8])


@pytest.mark.parametrize("noise", [0.5, 1.0, 1.6])
def test_numbers_are_in_units_of_the_noise_that_was_met(noise):
    """``noise`` is the true noise over what was told."""
    made = sent_by(173_011.0, draw=4, esn0_db=14.0)
    fits = true_fits(made)
    fits = replace(fits, variance=fits.variance / noise)
    (talker,) = talkers_of(strip_from(made), found_of(fits))
    assert talker.fitness.noise == 1.0
    # some 500 symbols tell it to 6 %
    assert talker.runs.variance == pytest.approx(made.sigma**2, rel=0.25)
    assert talker.fitness.gain == pytest.approx(np.sqrt(2.0 * 10**1.4), rel=0.12)
    assert np.mean(talker.runs.symbols.imag**2) == pytest.approx(1.0, rel=0.25)
    assert talker.runs.amplitude == pytest.approx(np.ones(12), rel=0.1)


def test_what_is_no_reversal_is_not_believed():
    """Bursts with quarter turns among those with half turns; each judged by itself."""
    made = sent_by(173_011.0, draw=5, esn0_db=20.0)
    rng = np.random.default_rng(6)
    samples = made.samples.copy()
    for k in (2, 7):
        burst = made.bursts[k]
        place = np.arange(int(np.ceil(burst.start_s * RATE_HZ)), int(burst.end_s * RATE_HZ))
        symbol = ((place / RATE_HZ - burst.start_s) * burst.symbol_rate_bd).astype(int)
        turns = rng.integers(0, 4, len(burst.symbols))[symbol] / 4.0
        samples[place] = np.sin(2 * np.pi * (burst.carrier_hz * place / RATE_HZ + turns))
        samples[place] += rng.normal(0.0, made.sigma, place.size)
    left, runs = believable(found_of(true_fits(replace(made, samples=samples))))
    kept = [k for k in range(12) if k not in (2, 7)]
    assert len(left) == len(runs) == 10
    assert runs.first == pytest.approx(np.array([made.bursts[k].start_s for k in kept]) * RATE_HZ)


def test_long_and_short_bursts_of_one_amplitude_and_carrier():
    """What was followed has no carrier in common, what was fitted has."""
    made = capture((30, 260, 40, 310), 7, esn0_db=16.0, gap_symbols=20.0)
    talkers = talkers_in(made)
    followed = [t for t in talkers if t.runs.drift.all()]
    fitted = [t for t in talkers if not t.runs.drift.any()]
    assert len(followed) + len(fitted) == len(talkers)
    assert sorted(k for t in followed for k in heard(t, made)) == [1, 3]
    assert sorted(k for t in fitted for k in heard(t, made)) == [0, 2]
    assert all(t.carrier is None for t in followed)
    for talker in talkers:
        assert_right(talker.runs, [made.bursts[k] for k in heard(talker, made)])


def test_nothing_found_is_nobody():
    made = capture((20,), 8)
    strip = strip_from(made)
    silent = strip.with_variance(1e6)
    empty = extract(silent, model_of(made).carrier_hz / TO_HZ, model_of(made), covered=np.array([(0.0, 1e9)]))
    left, runs = believable(empty)
    assert (len(left), len(runs), talkers_of(strip, left)) == (0, 0, [])


def test_released_talkers_keep_what_is_reported():
    made = sent_by(173_011.0, draw=9)
    (talker,) = talkers_in(made)
    bare = talker.released()
    assert bare.strip.samples.size == 0
    assert bare.runs.turned.sums.size == 1
    assert bare.strip.size == talker.strip.size
    place = talker.runs.first
    np.testing.assert_array_equal(bare.strip.shift(place), talker.strip.shift(place))
    for name in ("symbols", "starts", "gains", "amplitude", "period"):
        np.testing.assert_array_equal(getattr(bare.runs, name), getattr(talker.runs, name))
    assert (bare.fitness, bare.carrier, bare.carrier_std) == (
        talker.fitness,
        talker.carrier,
        talker.carrier_std,
    )


def lone_strong_burst(draw: int) -> Line:
    """30 symbols at 22 dB, with 80 symbols of silence on either side."""
    return talker_line(
        rate_hz=1e5,
        carrier_hz=1e5 / 9.3,
        cycles_per_symbol=6.0,
        lengths=[30],
        esn0_db=22.0,
        draw=draw,
        lead_symbols=80.0,
    )


@pytest.mark.parametrize("draw", long_but(0, 1, of=range(4)))
def test_noise_that_grows_is_no_weak_talker(draw):
    """Behind a strong transmission the noise is 2.7 times what the floor, taken from before it, says."""
    line = lone_strong_burst(draw)
    samples = np.array(line.values, dtype=np.float64)
    more = np.random.default_rng(draw).normal(0.0, 1.3 * samples[:2000].std(), samples.size // 3)
    samples[-more.size :] += more
    assert not score(line.sent, asdict(decode(samples.astype(np.float32), line.rate_hz))).complaints()


@pytest.mark.parametrize(
    ("gain2", "nats", "stays"), [(2.0, 9.5, False), (4.0, 9.5, False), (2.0, 14.0, True), (7.0, 9.5, True)]
)
def test_noise_is_no_talker_beside_a_weak_one(gain2, nats, stays):
    """The best fit to noise gains up to ten, and its symbols are as long as a fifth of those at 7 dB."""
    made = capture((24,), 3, esn0_db=7.0)
    (sent,) = talkers_of(strip_from(made), found_in(made))
    sent = replace(sent, fitness=replace(sent.fitness, gain=10.0**0.5, nats=30.0))
    other = replace(
        sent,
        runs=replace(sent.runs, gains=0.5 * sent.runs.gains),
        fitness=replace(sent.fitness, gain=gain2**0.5, nats=nats),
    )
    assert _worth_a_talker([other, sent]) == ([other, sent] if stays else [sent])


@pytest.mark.parametrize("draw", range(4))
def test_a_talker_of_5_db_beside_one_of_22_db_is_found(draw):
    line = lone_strong_burst(draw)
    symbol_rate = 1e5 / 9.3 / 6.0
    symbols = "".join(random.Random(draw).choices("01", k=24))
    weak = Sent(150.5 / symbol_rate, symbols, 1e5 / 9.3, symbol_rate, 10 ** (-17.0 / 20.0), 5.0)
    values = [0.0] * line.values.size
    add_burst(values, line.rate_hz, weak, 0.3)
    told = score([*line.sent, weak], asdict(decode((line.values + values).astype(np.float32), line.rate_hz)))
    assert len(told.pairs) == 2
    assert not told.extra


def test_amplitudes_of_one_talker_are_drawn_together_by_what_each_leaves_open():
    rng = np.random.default_rng(4)
    std = np.where(np.arange(400) % 2, 0.05, 0.2)
    seen = 1.0 + rng.normal(0.0, std)
    drawn = towards_shared(seen, std)
    assert np.sqrt(np.mean((drawn - 1.0) ** 2)) < 0.2 * np.sqrt(np.mean((seen - 1.0) ** 2))
    # where they differ in truth, they stay apart, and the more so the surer they are
    truly = 1.0 + rng.normal(0.0, 0.3, 400)
    seen = truly + rng.normal(0.0, std)
    drawn = towards_shared(seen, std)
    for sure in (std == 0.05, std == 0.2):
        assert np.mean((drawn[sure] - truly[sure]) ** 2) < np.mean((seen[sure] - truly[sure]) ** 2)
    assert np.max(np.abs(drawn - seen)[std == 0.05]) < 0.06
    # two cannot tell by how much they differ
    assert towards_shared(np.array([1.0, 2.0]), np.array([1.0, 1.0])) == pytest.approx([1.0, 2.0])


def test_ends_of_long_transmissions_two_symbols_apart_are_in_no_doubt():
    """At 14 dB one of 1500 ends is wrong; the first symbols of the next one make none of these doubtful."""
    doubted, ends = 0.0, 0
    for draw in range(3):
        made = capture((140, 170, 150, 135), 60 + draw, cycles=2.3, esn0_db=14.0, gap_symbols=2.0)
        for talker in talkers_in(made):
            assert talker.runs.drift.all()
            said = np.concatenate((talker.ends.start_probability, talker.ends.end_probability))
            doubted += float(np.sum(1.0 - said))
            ends += said.size
    assert ends == 24
    assert doubted < 0.3
