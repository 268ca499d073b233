"""From runs to reported bursts: every field from known truth, on the capture's own time axis."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.bounds import carrier_std_bound_hz
from generators.truths import RATE_HZ, Capture, capture, sigma_for, strip_from, true_fits
from scipy import stats

from dsp.assemble import bursts_of
from dsp.correlate import turn_back
from dsp.ends import run_ends
from dsp.extract import Found, Model
from dsp.fits import Fits, carry
from dsp.flips import flip_times
from dsp.linecode import to_bits
from dsp.outcome import Link
from dsp.period import Period
from dsp.quality import fitness
from dsp.results import LINE_CODES, Burst, DecodeSettings
from dsp.runs import runs_of
from dsp.source import Record, make_record
from dsp.strip import Strip
from dsp.talkers import Talker, talkers_of


def talker_of(
    made: Capture, fits: Fits, strip: Strip | None = None, carrier_hz: float | None = None
) -> Talker:
    """One transmitter that has sent what the fits are of, as a perfect decoder would have it."""
    runs = runs_of(fits)
    to_hz = RATE_HZ / (2.0 * np.pi)
    return Talker(
        strip or strip_from(made),
        runs,
        run_ends(runs),
        flip_times(runs, 1.0),
        fitness(runs),
        None if carrier_hz is None else carrier_hz / to_hz,
        None if carrier_hz is None else 0.5 / to_hz,
        2.0 * runs.gains * runs.symbols.real,
    )


def found_of(fits: Fits) -> Found:
    """Fits as if they were found, no long ones among them."""
    return Found(fits, fits.take(np.zeros(0, int)), np.zeros(0, int), fits.variance)


def link_of(*talkers: Talker, rivals: tuple = ()) -> Link:
    period = float(talkers[0].runs.period[0])
    model = Model(float(talkers[0].runs.omega[0]) * RATE_HZ / (2 * np.pi), period, True)
    return Link(model, Period(period, 1e-4 * period, True), talkers, rivals, 1.0)


def assembled(made: Capture, **settings: str) -> tuple[Burst, ...]:
    link = link_of(talker_of(made, true_fits(made)))
    return bursts_of(made.record, (link,), DecodeSettings(**settings))


def test_every_field_of_a_burst():
    made = capture((40,), 1, esn0_db=14.0)
    burst, sent = assembled(made)[0], made.bursts[0]
    assert burst.start_s == burst.first_symbol_s == pytest.approx(sent.start_s)
    assert burst.end_s == pytest.approx(sent.end_s)
    assert burst.symbols == sent.relative_symbols
    assert burst.symbols[0] == "1"
    assert burst.carrier_hz == pytest.approx(sent.carrier_hz)
    assert burst.symbol_rate_bd == pytest.approx(sent.symbol_rate_bd)
    assert burst.symbol_rate_std_bd == pytest.approx(1e-4 * sent.symbol_rate_bd)
    assert burst.cycles_per_symbol == pytest.approx(6.3)
    assert burst.amplitude == pytest.approx(1.0)
    assert abs(burst.esn0_db - 14.0) < 4.0 * burst.esn0_std_db
    assert burst.bits_per_symbol == 1
    assert len(burst.confidence) == 40
    assert min(burst.confidence) >= 0.5
    assert max(burst.confidence) <= 1.0
    assert min(burst.start_probability, burst.end_probability) > 0.5
    assert (burst.cut_at_start, burst.cut_at_end, burst.warnings) == (False, False, ())
    assert (burst.talker, burst.characters, burst.symbol_rate_alternatives_bd) == (0, None, ())
    found, due = np.array(burst.flips_s), np.array(sent.flips_s)
    assert found.shape == due.shape
    assert np.max(np.abs(found - due)) < 0.4 / sent.symbol_rate_bd
    assert all(low < flip < high for flip, (low, high) in zip(found, burst.flips_interval_s, strict=True))


@pytest.mark.parametrize("line_code", LINE_CODES)
@pytest.mark.parametrize("polarity", ["normal", "inverted"])
def test_line_code_and_polarity_make_the_bits_and_leave_the_symbols(line_code, polarity):
    made = capture((33,), 2)
    burst = assembled(made, line_code=line_code, polarity=polarity)[0]
    assert burst.symbols == made.bursts[0].relative_symbols
    assert burst.line_code == line_code
    assert burst.bits == to_bits(burst.symbols, line_code, polarity)


def test_no_line_code_told_is_plain():
    burst = assembled(capture((33,), 2))[0]
    assert (burst.line_code, burst.bits) == ("plain", burst.symbols)


def test_bursts_are_in_time_order_and_talkers_numbered_as_they_first_speak():
    made = capture((20, 20, 20, 20), 3)
    strip = strip_from(made)
    groups = [talker_of(made, true_fits(made, *which), strip) for which in ((1, 3), (2,), (0,))]
    links = (link_of(*groups[:2]), link_of(groups[2]))
    bursts = bursts_of(made.record, links, DecodeSettings())
    assert [b.start_s for b in bursts] == pytest.approx([b.start_s for b in made.bursts])
    assert [b.talker for b in bursts] == [0, 1, 2, 1]


def test_rival_periods_are_told_as_symbol_rates():
    made = capture((12,), 4)
    fits = true_fits(made)
    period = float(fits.period[0])
    link = link_of(talker_of(made, fits), rivals=(period / 2.0, period / 3.0))
    burst = bursts_of(made.record, (link,), DecodeSettings())[0]
    rate = made.bursts[0].symbol_rate_bd
    assert burst.symbol_rate_alternatives_bd == pytest.approx((2.0 * rate, 3.0 * rate))


def test_a_carrier_that_the_talker_shares_is_told():
    made = capture((40,), 5)
    link = link_of(talker_of(made, true_fits(made), carrier_hz=173_000.0))
    burst = bursts_of(made.record, (link,), DecodeSettings())[0]
    assert burst.carrier_hz == pytest.approx(173_000.0)
    assert burst.carrier_std_hz == pytest.approx(0.5)
    assert burst.cycles_per_symbol == pytest.approx(173_000.0 / burst.symbol_rate_bd)


def test_stated_carrier_uncertainty_is_the_bound():
    """Cramer-Rao (Rife and Boorstyn 1974) from Fisher's matrix of the very samples."""
    made = capture((60,), 6, esn0_db=12.0)
    burst = assembled(made)[0]
    bound = carrier_std_bound_hz(made.bursts, RATE_HZ, made.sigma)
    assert burst.carrier_std_hz == pytest.approx(bound, rel=0.25)
    assert burst.amplitude_std == pytest.approx(np.sqrt(2.0 / 60 / RATE_HZ * 27462.1) * made.sigma, rel=0.25)


def test_stated_energy_and_amplitude_err_as_they_say():
    """24 bursts: squares of error over uncertainty are chi-square of 24 degrees of freedom."""
    energy, amplitude = [], []
    for draw in range(24):
        made = capture((30,), 100 + draw, esn0_db=13.0)
        link = link_of(*talkers_of(strip_from(made), found_of(carry(true_fits(made)))))
        burst = bursts_of(made.record, (link,), DecodeSettings())[0]
        energy.append((burst.esn0_db - 13.0) / burst.esn0_std_db)
        amplitude.append((burst.amplitude - 1.0) / burst.amplitude_std)
    low, high = stats.chi2.ppf([0.0005, 0.9995], 24) / 24
    assert low < np.mean(np.square(energy)) < high
    assert low < np.mean(np.square(amplitude)) < high


def parted(made: Capture, edges: tuple[int, ...], times_s: tuple[float, ...]) -> Record:
    bounds = (0, *edges, len(made.samples))
    parts = tuple(zip(bounds[:-1], bounds[1:], times_s, strict=True))
    return make_record(made.samples, RATE_HZ, 0.0, 1.0, 0.0, parts)


def talker_within(made: Capture, which: int, low: int, high: int, count: int, skip: int = 0) -> Talker:
    """The burst as seen in samples ``[low, high)`` only, ``count`` symbols of it after ``skip``."""
    truth = true_fits(made, which)
    samples = made.samples[low:high]
    start = truth.start + skip * truth.period - low
    fits = replace(
        truth,
        turned=turn_back(samples, truth.turned.omega, True),
        phase=truth.phase + truth.omega * low,
        start=start,
        centre=start,
        count=np.array([count]),
        high=np.array([float(high - low)]),
    )
    flag = np.array([True])
    strip = Strip(samples, np.array([0]), np.array([low]), flag, flag, made.sigma**2, high - low)
    return talker_of(made, fits, strip)


def test_times_are_those_of_the_segment():
    made = capture((24, 24), 7)
    edge = int((made.bursts[0].end_s + 5.0 / made.bursts[0].symbol_rate_bd) * RATE_HZ)
    record = parted(made, (edge,), (100.0, 7.0))
    link = link_of(talker_within(made, 0, 0, edge, 24), talker_within(made, 1, edge, len(made.samples), 24))
    second, first = bursts_of(record, (link,), DecodeSettings())
    assert first.start_s == pytest.approx(100.0 + made.bursts[0].start_s)
    assert first.end_s == pytest.approx(100.0 + made.bursts[0].end_s)
    assert second.start_s == pytest.approx(7.0 + made.bursts[1].start_s - edge / RATE_HZ)
    assert np.array(second.flips_s).min() > 7.0
    # sent by one: amplitude and carrier are the same
    assert first.talker == second.talker == 0


def test_one_strip_of_several_segments_gives_each_burst_its_own_axis():
    """Two parts of two segments, some samples of each left out, one after the other in a strip."""
    made = capture((24, 20), 11, gap_symbols=30.0)
    edge = int((made.bursts[0].end_s + 15.0 / made.bursts[0].symbol_rate_bd) * RATE_HZ)
    record = parted(made, (edge,), (100.0, 7.0))
    skip = 300
    kept = np.concatenate((made.samples[skip:edge], made.samples[edge + skip :]))
    flags = np.array([False, False])
    strip = Strip(
        kept,
        np.array([0, edge - skip]),
        np.array([skip, edge + skip]),
        flags,
        flags,
        made.sigma**2,
        kept.size,
    )
    truth = true_fits(made)
    shift = np.array([skip, 2 * skip])
    fits = replace(
        truth,
        turned=turn_back(kept, truth.turned.omega, True),
        phase=truth.phase + truth.omega * shift,
        start=truth.start - shift,
        centre=truth.start - shift,
    )
    second, first = bursts_of(record, (link_of(talker_of(made, fits, strip)),), DecodeSettings())
    assert first.symbols == made.bursts[0].relative_symbols
    assert second.symbols == made.bursts[1].relative_symbols
    assert (first.start_s, first.end_s) == pytest.approx(
        (100.0 + made.bursts[0].start_s, 100.0 + made.bursts[0].end_s)
    )
    later = made.bursts[1].start_s - edge / RATE_HZ
    assert second.start_s == pytest.approx(7.0 + later)
    due = np.array(made.bursts[1].flips_s) - edge / RATE_HZ + 7.0
    assert np.max(np.abs(np.array(second.flips_s) - due)) < 0.4 / made.bursts[1].symbol_rate_bd


@pytest.mark.parametrize("beyond", [0.4, 0.0, -0.4])
def test_a_burst_cut_by_the_end_of_a_segment_ends_on_the_segments_own_axis(beyond):
    """``beyond`` is by how many symbols the last edge lies outside the samples."""
    made = capture((24,), 8)
    burst = made.bursts[0]
    period = RATE_HZ / burst.symbol_rate_bd
    edge = round(burst.start_s * RATE_HZ + (16 - beyond) * period)
    record = parted(made, (edge,), (100.0, 7.0))
    found = bursts_of(record, (link_of(talker_within(made, 0, 0, edge, 16)),), DecodeSettings())[0]
    assert found.cut_at_end
    assert not found.cut_at_start
    assert found.end_s == pytest.approx(100.0 + burst.start_s + 16 / burst.symbol_rate_bd, abs=1e-9)
    assert any("ends within" in warning for warning in found.warnings)


@pytest.mark.parametrize("beyond", [0.4, 0.0, -0.4])
def test_a_burst_cut_by_the_start_of_a_segment_starts_on_the_segments_own_axis(beyond):
    made = capture((24,), 9)
    burst = made.bursts[0]
    period = RATE_HZ / burst.symbol_rate_bd
    edge = round(burst.start_s * RATE_HZ + (8 + beyond) * period)
    record = parted(made, (edge,), (100.0, 7.0))
    talker = talker_within(made, 0, edge, len(made.samples), 16, skip=8)
    found = bursts_of(record, (link_of(talker),), DecodeSettings())[0]
    assert found.cut_at_start
    assert not found.cut_at_end
    due = 7.0 + burst.start_s + 8 / burst.symbol_rate_bd - edge / RATE_HZ
    assert found.start_s == pytest.approx(due, abs=1e-9)
    assert any("begins within" in warning for warning in found.warnings)


def test_amplitude_uncertainty_is_the_cramer_rao_bound():
    """var A = 2 s^2 / N: at 10 dB over 1000 samples 1 % (Kay's form, from memory)."""
    rate, amplitude = 20_000.0, 3.0
    # A^2 / (2 s^2) = 10 is an Es/N0 of 10 A^2 T / 2 over 2 s^2: 250 for 50 samples a symbol
    made = capture((20,), 12, carrier_hz=160e3, cycles=8.0, esn0_db=10.0 * np.log10(250.0))
    assert made.bursts[0].symbol_rate_bd == rate
    assert made.sigma == pytest.approx(np.sqrt(0.5 / 10.0))
    assert sigma_for(10.0 * np.log10(250.0), rate, amplitude) == pytest.approx(3.0 * made.sigma)
    louder = replace(
        made,
        samples=amplitude * made.samples,
        sigma=amplitude * made.sigma,
        bursts=(replace(made.bursts[0], amplitude=amplitude),),
    )
    burst = assembled(louder)[0]
    assert burst.amplitude == pytest.approx(3.0)
    assert burst.amplitude_std == pytest.approx(0.03)


def test_shared_lengths_are_said():
    made = capture((20, 20), 13)
    talker = talker_of(made, true_fits(made))
    for shared in (None, 20):
        ends = replace(talker.ends, shared=shared)
        bursts = bursts_of(made.record, (link_of(replace(talker, ends=ends)),), DecodeSettings())
        for burst in bursts:
            assert any("share their length" in w and "20 symbols" in w for w in burst.warnings) == bool(
                shared
            )


@pytest.mark.parametrize(("samples_per_cycle", "warned"), [(3.2, True), (8.0, False)])
def test_a_carrier_that_may_be_folded_is_told(samples_per_cycle, warned):
    """Product rule: under about five samples a cycle aliasing cannot be excluded."""
    made = capture((24,), 10, carrier_hz=RATE_HZ / samples_per_cycle, cycles=8.0)
    burst = assembled(made)[0]
    assert any("folded" in warning for warning in burst.warnings) == warned
