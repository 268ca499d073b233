"""Transmissions fitted as rows: their likelihood from single samples, their ends, and the Cramer-Rao bounds."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from benchmarks.bounds import bpsk_error_rate, clopper_pearson
from generators.truths import (
    RATE_HZ,
    Capture,
    capture,
    model_of,
    same_or_opposite,
    signs_of,
    strip_from,
    true_fits,
)

from dsp.correlate import turn_back
from dsp.detect import acquire, find_parts, make_grid
from dsp.fits import Fits, carry, groups_of, in_groups, join, reach, retime, scored, timing_nats
from dsp.runs import runs_of
from dsp.settling import settle

SHAPES = [(1.0, 9.3), (2.37, 4.4), (6.5, 25.0), (12.71, 7.0), (48.0, 3.1)]


def naive_nats(made: Capture, fits: Fits, start: float, row: int = 0) -> tuple[float, float]:
    """ln of the mean over both signs of p(samples | sign) / p(samples | silence), symbol by symbol.

    Returned with what the terms of the difference ``|g y| - g^2 / 2`` sum up to, to which rounding is relative.
    """
    total = size = 0.0
    x, v, a = made.samples, made.sigma**2, fits.amplitude[row]
    for k in range(fits.count[row]):
        low, high = start + k * fits.period[row], start + (k + 1) * fits.period[row]
        m = np.arange(max(0, int(np.ceil(low))), min(len(x), int(np.ceil(high))))
        # what the carrier differs from the turned one by counts in the middle of each symbol
        away = fits.detune[row] * ((low + high) / 2.0 - fits.centre[row])
        wave = a * np.cos(fits.turned.omega * m + fits.phase[row] + away)
        plus = float(np.sum(x[m] ** 2 - (x[m] - wave) ** 2)) / (2.0 * v)
        minus = float(np.sum(x[m] ** 2 - (x[m] + wave) ** 2)) / (2.0 * v)
        total += float(np.logaddexp(plus, minus)) - np.log(2.0)
        size += abs(plus - minus) / 2.0 + abs(plus + minus) / 2.0 + np.log(2.0)
    return total, size


# a symbol's likelihood is worked in single precision: some ten roundings of 2^-24 each
ROUNDING = 10 * 2.0**-24


@pytest.mark.parametrize(("cycles", "samples_per_cycle"), SHAPES)
def test_likelihood_is_that_of_the_samples(cycles, samples_per_cycle):
    made = capture((12,), 1, carrier_hz=RATE_HZ / samples_per_cycle, cycles=cycles, lead_symbols=3.0)
    fits = true_fits(made)
    starts = fits.start[:, None] + np.array([-0.4, 0.0, 0.3]) * fits.period[:, None]
    found = timing_nats(fits, starts)
    assert found.shape == (1, 3)
    for value, start in zip(found[0], starts[0], strict=True):
        plain, size = naive_nats(made, fits, start)
        assert value == pytest.approx(plain, rel=0.0, abs=ROUNDING * size)
    plain, size = naive_nats(made, fits, fits.start[0])
    assert float(np.sum(fits.symbol_nats())) == pytest.approx(plain, rel=0.0, abs=ROUNDING * size)
    assert scored(fits).nats[0] == pytest.approx(plain, rel=0.0, abs=ROUNDING * size)
    assert timing_nats(fits, fits.start[:, None])[0, 0] == pytest.approx(plain, rel=0.0, abs=ROUNDING * size)


@pytest.mark.parametrize(("cycles", "samples_per_cycle"), SHAPES)
def test_likelihood_of_another_carrier_and_period(cycles, samples_per_cycle):
    """Detuned against the turned carrier, its phase counted from anywhere."""
    made = capture((12,), 21, carrier_hz=RATE_HZ / samples_per_cycle, cycles=cycles, lead_symbols=3.0)
    truth = true_fits(made)
    detune = 0.2 / (12 * truth.period)
    fits = replace(truth, detune=detune, centre=truth.start + 77.7, period=0.97 * truth.period)
    plain, size = naive_nats(made, fits, fits.start[0])
    assert scored(fits).nats[0] == pytest.approx(plain, rel=0.0, abs=ROUNDING * size)
    given = timing_nats(truth, fits.start[:, None], fits.period)
    again = timing_nats(replace(truth, period=fits.period), fits.start[:, None])
    np.testing.assert_array_equal(given, again)


def test_symbols_have_the_length_of_their_energy_and_unit_noise():
    """Length sqrt(2 Es/N0), noise of variance 1 in each component (Proakis, section 5.1)."""
    made = capture((400,), 2, esn0_db=13.0)
    fits = true_fits(made)
    y = runs_of(fits).symbols
    assert fits.gain == pytest.approx(np.sqrt(2.0 * 10**1.3))
    assert np.abs(y.real).mean() == pytest.approx(fits.gain[0], abs=4.0 / np.sqrt(400))
    # chi-square of 400 degrees of freedom: 1 +- 4 sqrt(2/400)
    assert np.var(np.abs(y.real)) == pytest.approx(1.0, abs=0.28)
    assert np.mean(y.imag**2) == pytest.approx(1.0, abs=0.28)


def test_margins_come_with_the_symbols():
    fits = true_fits(capture((20, 11), 3))
    assert fits.edges(2, 3).shape == (2, 20 + 2 + 3 + 1)
    np.testing.assert_allclose(fits.edges(2, 3)[:, 2:-3], fits.edges())
    np.testing.assert_allclose(fits.symbol_nats(2, 3)[:, 2:-3], fits.symbol_nats())
    assert fits.inside().sum(axis=1).tolist() == [20, 11]
    assert fits.stop[0] == pytest.approx(fits.edges()[0, 20])
    assert fits.stop[1] == pytest.approx(fits.edges()[1, 11])
    assert fits.middle == pytest.approx((fits.start + fits.stop) / 2.0)


def settled(made: Capture, omega: float, **options: bool) -> Fits:
    """Everything that is on, settled, told the noise, the period and about the carrier."""
    strip, model = strip_from(made), model_of(made)
    grid = make_grid(strip.turned(omega), strip.variance, model.period, 0.0, float(strip.size))
    return settle(acquire(grid, find_parts(grid, np.zeros(0))), **options)


@pytest.mark.parametrize(("cycles", "samples_per_cycle"), SHAPES)
def test_a_burst_is_acquired_and_settled(cycles, samples_per_cycle):
    for draw in range(4, 8):
        carrier_hz = RATE_HZ / samples_per_cycle
        made = capture((37,), draw, carrier_hz=carrier_hz, cycles=cycles, esn0_db=15.0, lead_symbols=12.0)
        burst, truth = made.bursts[0], true_fits(made)
        # the carrier told is off by a third of the burst's resolution
        fits = settled(made, float(truth.omega[0] + 2 * np.pi * 0.3 / (37 * truth.period[0])))
        assert fits.count.tolist() == [37]
        # half a sample, since a flip may be anywhere between two, and a small part of a symbol
        assert fits.start[0] == pytest.approx(truth.start[0], abs=0.5 + 0.05 * truth.period[0])
        assert same_or_opposite(runs_of(fits).symbols.real, burst.symbols)
        # amplitude: standard deviation A / (g sqrt(n)), and 5 % for edges that cut samples
        assert fits.amplitude[0] == pytest.approx(1.0, abs=4.0 / (truth.gain[0] * np.sqrt(37)) + 0.05)


@pytest.mark.parametrize(("before", "after"), [(0, 0), (3, 2), (-4, -5), (5, -5)])
def test_ends_are_found_from_too_few_or_too_many_symbols(before, after):
    made = capture((40,), 12, esn0_db=14.0)
    truth = true_fits(made)
    off = replace(truth, start=truth.start - before * truth.period, count=truth.count + before + after)
    fits = reach(off)
    assert fits.count.tolist() == [40]
    assert fits.start == pytest.approx(truth.start)
    assert fits.nats[0] == pytest.approx(float(np.sum(truth.symbol_nats())))


def test_ends_keep_to_the_room_there_is():
    made = capture((40,), 13, esn0_db=14.0)
    truth = true_fits(made)
    low, high = truth.start + 4.0 * truth.period, truth.stop - 6.0 * truth.period
    inner = replace(truth, start=truth.start + 10.0 * truth.period, count=np.array([20]), low=low, high=high)
    fits = reach(inner)
    assert fits.start == pytest.approx(low)
    assert fits.stop == pytest.approx(high)


def test_two_silent_symbols_end_a_transmission():
    made = capture((30, 30), 14, esn0_db=16.0, gap_symbols=2.0)
    first, second = true_fits(made, 0), true_fits(made, 1)
    # the gap is two symbols and a part: the grid of the first burst sees two of them empty
    fits = reach(replace(first, count=np.array([26])))
    assert fits.count.tolist() == [30]
    assert fits.stop[0] < second.start[0]


def test_silence_has_no_symbols():
    made = capture((24,), 11)
    quiet = replace(true_fits(made), turned=turn_back(np.zeros(len(made.samples)), 1.0))
    found = reach(quiet)
    assert (found.count.tolist(), found.nats.tolist()) == ([0], [0.0])


@pytest.mark.parametrize("off", [-0.11, 0.0, 0.07])
def test_first_edge_is_its_mean_over_the_likelihood(off):
    made = capture((30,), 22, esn0_db=9.0)
    truth = true_fits(made)
    rough = replace(truth, start=truth.start + off * truth.period)
    width = 0.2 * truth.period
    found = retime(rough, width, 40)
    starts = rough.start[0] + np.linspace(-1.0, 1.0, 81) * width[0]
    nats = np.array([naive_nats(made, rough, s)[0] for s in starts])
    weight = np.exp(nats - nats.max())
    assert found.start[0] == pytest.approx(float(weight @ starts / weight.sum()), abs=0.01)
    assert found.nats[0] == pytest.approx(nats.max(), abs=1e-3)


def many_carried(count: int, esn0_db: float, trials: int, cycles: float = 8.0) -> np.ndarray:
    """Frequency, middle phase and amplitude errors (trials, 3) of a carrier fitted with known timing."""
    rng = np.random.default_rng(15)
    made = capture((count,), 15, carrier_hz=160e3, cycles=cycles, esn0_db=300.0, lead_symbols=1.0)
    clean = true_fits(made)
    variance = float(clean.amplitude[0] ** 2 * clean.period[0] / 4.0 / 10.0 ** (esn0_db / 10.0))
    out = []
    for _ in range(trials):
        noisy = made.samples + rng.normal(0.0, np.sqrt(variance), made.samples.size)
        turned = turn_back(noisy, clean.turned.omega, True)
        # the same phase in the middle, where the two frequencies are meant to agree
        detune = rng.normal(0.0, 0.02) / clean.period
        fits = carry(replace(clean, turned=turned, variance=variance, detune=detune), rounds=8)
        assert fits.centre == pytest.approx(clean.middle)
        away = np.angle(np.exp(2j * (fits.phase[0] - clean.phase[0]))) / 2.0
        out.append((fits.detune[0], away, fits.amplitude[0] - 1.0))
    return np.array(out)


def test_carrier_phase_and_amplitude_reach_the_cramer_rao_bounds():
    """Rife and Boorstyn 1974, for N samples with eta = A^2 / (2 s^2) (equations from memory):
    var w = 12 / (eta N (N^2 - 1)), var p = 1 / (eta N) in the middle, var A = 2 s^2 / N.
    """
    trials = 150
    errors = many_carried(50, 12.0, trials)
    n = 50 * 50.0
    eta = 2.0 * 10**1.2 / 50.0
    bounds = np.sqrt([12.0 / (eta * n * (n * n - 1.0)), 1.0 / (eta * n), 1.0 / (eta * n)])
    spread = errors.std(axis=0, ddof=1) / bounds
    # the root of chi-square over its 149 degrees of freedom: 1 +- 3.3 / sqrt(2 * 149) in 999 of 1000
    assert np.all(np.abs(spread - 1.0) < 0.2), spread
    assert np.all(np.abs(errors.mean(axis=0)) < 4.0 * bounds / np.sqrt(trials))


@pytest.mark.parametrize("cycles", [0.9, 1.37, 2.2])
def test_few_cycles_a_symbol_bend_neither_phase_nor_amplitude(cycles):
    """What is left of a cycle at the ends changes energy and leaks across the phase; the fit must know."""
    for draw in range(6):
        made = capture((8,), 400 + draw, carrier_hz=31_007.0, cycles=cycles, esn0_db=45.0, lead_symbols=2.0)
        truth = true_fits(made)
        fits = carry(replace(truth, phase=truth.phase + 0.1, amplitude=np.array([1.1])), rounds=12)
        phase = fits.phase[0] - truth.phase[0] + fits.detune[0] * (truth.middle[0] - fits.centre[0])
        bound = 1.0 / (truth.gain[0] * np.sqrt(8))
        assert abs(np.angle(np.exp(2j * phase)) / 2.0) < 5.0 * bound
        assert abs(fits.amplitude[0] - 1.0) < 5.0 * bound


@pytest.mark.parametrize(("esn0_db", "rate"), [(2.0, 3.750613e-2), (4.0, 1.250082e-2)])
def test_a_perfect_fit_errs_as_often_as_theory_says(esn0_db, rate):
    """Q(sqrt(2 Es/N0)), published values."""
    made = capture((6_000,), 18, esn0_db=esn0_db, carrier_hz=300e3, cycles=6.0, lead_symbols=1.0)
    wrong = np.sign(runs_of(true_fits(made)).symbols.real) != signs_of(made.bursts[0].symbols)
    low, high = clopper_pearson(int(wrong.sum()), 6_000, 0.999)
    assert low < rate < high


def test_settled_fits_lose_little_against_theory():
    """Bursts of 60 symbols, told nothing but the period and about the carrier: half a decibel at most."""
    wrong = total = 0
    for draw in range(60):
        made = capture((60,), 300 + draw, esn0_db=5.0, cycles=4.0, lead_symbols=8.0)
        truth = true_fits(made)
        found = settled(made, float(truth.omega[0] + 2 * np.pi * 0.2 / (60 * truth.period[0])))
        best = found.take(np.array([int(np.argmax(found.nats))]))
        # the burst's own symbols are compared, wherever the fit's ends are
        first = np.rint((truth.start - best.start) / best.period)
        same = replace(best, start=best.start + first * best.period, count=np.array([60]))
        differ = int(np.sum(np.sign(runs_of(same).symbols.real) != signs_of(made.bursts[0].symbols)))
        wrong += min(differ, 60 - differ)
        total += 60
    low, high = clopper_pearson(wrong, total, 0.999)
    assert low < bpsk_error_rate(4.5)
    assert high > bpsk_error_rate(5.0)


def test_a_held_carrier_is_held():
    truth = true_fits(capture((30,), 16))
    off = replace(truth, detune=np.array([1e-5]))
    assert carry(off, hold_carrier=True).omega == off.omega
    assert settle(off, hold_carrier=True).omega == off.omega
    assert carry(off).omega != off.omega


def test_held_ends_are_held():
    truth = true_fits(capture((30,), 23))
    off = replace(truth, count=np.array([26]))
    assert settle(off, ends=False).count.tolist() == [26]
    assert settle(off).count.tolist() == [30]


def test_gain_of_samples_and_noise_together_changes_nothing():
    made = capture((30,), 17)
    omega = float(true_fits(made).omega[0])
    plain = settled(made, omega)
    for k in (1e-6, 1e6):
        louder = replace(made, samples=made.samples * k, sigma=made.sigma * k)
        scaled = settled(louder, omega)
        for name in ("count", "start", "omega", "nats"):
            assert getattr(scaled, name) == pytest.approx(getattr(plain, name))
        assert scaled.amplitude == pytest.approx(plain.amplitude * k)


@pytest.mark.parametrize("lengths", [(5,), (7, 64, 12, 40, 9, 30), (20,) * 9])
def test_rows_know_nothing_of_each_other(lengths):
    """Fitted together, padded to the longest, as each by itself."""
    made = capture(lengths, 24, esn0_db=12.0, gap_symbols=9.0)
    truth = true_fits(made)
    room = 4.0 * truth.period
    rough = replace(
        truth, start=truth.start + 0.06 * truth.period, low=truth.start - room, high=truth.stop + room
    )
    together = settle(rough)
    for i in range(len(lengths)):
        alone = settle(rough.take(np.array([i])))
        for field in fields(alone)[2:]:
            mine = getattr(together, field.name)[i]
            assert mine == pytest.approx(getattr(alone, field.name)[0], rel=1e-5, abs=1e-4), field.name


@pytest.mark.parametrize("esn0_db", [14.0, 22.0])
def test_strong_ones_settle_where_weighing_every_symbol_does(esn0_db, monkeypatch):
    """The quick way, whose symbols keep their signs, and the other end at the same edges, ends and carrier."""
    made = capture((24, 37, 64, 31), 21, carrier_hz=RATE_HZ / 9.0, cycles=5.3, esn0_db=esn0_db)
    omega = float(true_fits(made).omega[0])
    quick = settled(made, omega)
    monkeypatch.setattr("dsp.settling._MANY_SAMPLES", 1e9)
    plain = settled(made, omega)
    assert quick.count.tolist() == plain.count.tolist() == [24, 37, 64, 31]
    # a flip is known to about 0.75 / g^2 of a symbol, the first edge by half of all symbols' flips
    known = 0.75 * plain.period / plain.gain**2 / np.sqrt(0.5 * plain.count)
    assert np.all(np.abs(quick.start - plain.start) < known + 0.05)
    np.testing.assert_allclose(quick.nats, plain.nats, atol=1.0)
    bound = np.sqrt(12.0) / (plain.gain * plain.count**1.5 * plain.period)
    assert np.all(np.abs(quick.omega - plain.omega) < 0.2 * bound)


def test_joined_and_taken_rows_are_the_same_rows():
    fits = true_fits(capture((7, 64, 12), 25))
    both = join([fits.take(np.array([2, 0])), fits.take(np.array([False, True, False]))])
    assert both.count.tolist() == [12, 7, 64]
    assert both.start.tolist() == fits.start[[2, 0, 1]].tolist()
    back = in_groups(fits, lambda rows: replace(rows, nats=rows.count * 2.0))
    assert back.nats.tolist() == [14.0, 128.0, 24.0]
    assert len(in_groups(fits.take(np.zeros(0, int)), settle)) == 0


@pytest.mark.parametrize(
    ("low", "high", "rows"), [(5, 9_000, 700), (5, 60, 3_000), (12, 13, 50), (5, 96, 200)]
)
def test_groups_hold_every_row_once_and_pad_little(low, high, rows):
    count = np.random.default_rng(26).integers(low, high, rows)
    groups = list(groups_of(count))
    assert sorted(np.concatenate(groups).tolist()) == list(range(rows))
    padded = [part.size * int(count[part].max()) for part in groups]
    assert sum(padded) < 1.35 * count.sum()
    # nor too large for the cache, unless a single one is
    assert all(part.size == 1 or size <= 1 << 15 for part, size in zip(groups, padded, strict=True))
