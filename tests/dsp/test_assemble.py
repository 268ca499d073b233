"""From runs to reported bursts: every field from known truth, on the capture's own time axis."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.bounds import carrier_std_bound_hz
from generators.truths import RATE_HZ, Capture, capture, true_fit
from scipy import stats

from dsp.assemble import bursts_of
from dsp.bpsk import Link, Talker
from dsp.burstfit import Fit, Region, carry
from dsp.correlate import turn_back
from dsp.discover import Model
from dsp.linecode import to_bits
from dsp.pool import Period
from dsp.quality import fitness
from dsp.results import LINE_CODES, Burst, DecodeSettings
from dsp.source import Record, make_record
from dsp.track import run_of


def link_of(groups: list[list[Fit]], *, rivals: tuple = (), **talker: float) -> Link:
    """A link whose talkers have sent the bursts that the fits are of."""
    period = groups[0][0].period
    talkers = []
    for fits in groups:
        runs = tuple(run_of(fit) for fit in fits)
        shared = {"carrier_hz": None, "carrier_std_hz": None, **talker}
        talkers.append(Talker(runs, fitness(list(runs)), Period(period, 1e-4 * period, True), **shared))
    carrier = groups[0][0].omega * RATE_HZ / (2 * np.pi)
    return Link(Model(carrier, period, True), tuple(talkers), rivals)


def assembled(made: Capture, **settings: str) -> tuple[Burst, ...]:
    link = link_of([[true_fit(made, k) for k in range(len(made.bursts))]])
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
    fits = [true_fit(made, k) for k in range(4)]
    links = (link_of([[fits[3], fits[1]], [fits[2]]]), link_of([[fits[0]]]))
    bursts = bursts_of(made.record, links, DecodeSettings())
    assert [b.start_s for b in bursts] == pytest.approx([b.start_s for b in made.bursts])
    assert [b.talker for b in bursts] == [0, 1, 2, 1]


def test_rival_periods_are_told_as_symbol_rates():
    fit = true_fit(capture((12,), 4))
    made = capture((12,), 4)
    link = link_of([[fit]], rivals=((fit.period / 2.0, 0.1), (fit.period / 3.0, 0.01)))
    burst = bursts_of(made.record, (link,), DecodeSettings())[0]
    rate = made.bursts[0].symbol_rate_bd
    assert burst.symbol_rate_alternatives_bd == pytest.approx((2.0 * rate, 3.0 * rate))


def test_a_carrier_that_the_talker_shares_is_told():
    made = capture((40,), 5)
    link = link_of([[true_fit(made)]], carrier_hz=173_000.0, carrier_std_hz=0.5)
    burst = bursts_of(made.record, (link,), DecodeSettings())[0]
    assert burst.carrier_hz == 173_000.0
    # with the noise met instead of the one assumed
    assert burst.carrier_std_hz == pytest.approx(0.5 * np.sqrt(link.talkers[0].fitness.noise))
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
        burst = bursts_of(made.record, (link_of([[carry(true_fit(made))]]),), DecodeSettings())[0]
        energy.append((burst.esn0_db - 13.0) / burst.esn0_std_db)
        amplitude.append((burst.amplitude - 1.0) / burst.amplitude_std)
    low, high = stats.chi2.ppf([0.0005, 0.9995], 24) / 24
    assert low < np.mean(np.square(energy)) < high
    assert low < np.mean(np.square(amplitude)) < high


def parted(made: Capture, edges: tuple[int, ...], times_s: tuple[float, ...]) -> Record:
    bounds = (0, *edges, len(made.samples))
    parts = tuple(zip(bounds[:-1], bounds[1:], times_s, strict=True))
    return make_record(made.samples, RATE_HZ, 0.0, 1.0, 0.0, parts)


def fit_within(made: Capture, which: int, low: int, high: int, count: int, skip: int = 0) -> Fit:
    """The burst as seen in samples ``[low, high)`` only, ``count`` symbols of it after ``skip``."""
    truth = true_fit(made, which)
    samples = made.samples[low:high]
    return replace(
        truth,
        region=Region(samples, low, made.sigma**2, True, True),
        turned=turn_back(samples, truth.omega, True),
        phase=truth.phase + truth.omega * low,
        start=truth.start + skip * truth.period - low,
        count=count,
    )


def test_times_are_those_of_the_segment():
    made = capture((24, 24), 7)
    edge = int((made.bursts[0].end_s + 5.0 / made.bursts[0].symbol_rate_bd) * RATE_HZ)
    record = parted(made, (edge,), (100.0, 7.0))
    fits = [fit_within(made, 0, 0, edge, 24), fit_within(made, 1, edge, len(made.samples), 24)]
    bursts = {b.talker: b for b in bursts_of(record, (link_of([[fits[0]], [fits[1]]]),), DecodeSettings())}
    second, first = bursts[0], bursts[1]
    assert first.start_s == pytest.approx(100.0 + made.bursts[0].start_s)
    assert first.end_s == pytest.approx(100.0 + made.bursts[0].end_s)
    assert second.start_s == pytest.approx(7.0 + made.bursts[1].start_s - edge / RATE_HZ)
    assert np.array(second.flips_s).min() > 7.0


@pytest.mark.parametrize("beyond", [0.4, 0.0, -0.4])
def test_a_burst_cut_by_the_end_of_a_segment_ends_on_the_segments_own_axis(beyond):
    """``beyond`` is by how many symbols the last edge lies outside the samples."""
    made = capture((24,), 8)
    burst = made.bursts[0]
    period = RATE_HZ / burst.symbol_rate_bd
    edge = round(burst.start_s * RATE_HZ + (16 - beyond) * period)
    record = parted(made, (edge,), (100.0, 7.0))
    found = bursts_of(record, (link_of([[fit_within(made, 0, 0, edge, 16)]]),), DecodeSettings())[0]
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
    fit = fit_within(made, 0, edge, len(made.samples), 16, skip=8)
    found = bursts_of(record, (link_of([[fit]]),), DecodeSettings())[0]
    assert found.cut_at_start
    assert not found.cut_at_end
    due = 7.0 + burst.start_s + 8 / burst.symbol_rate_bd - edge / RATE_HZ
    assert found.start_s == pytest.approx(due, abs=1e-9)
    assert any("begins within" in warning for warning in found.warnings)


@pytest.mark.parametrize(("samples_per_cycle", "warned"), [(3.2, True), (8.0, False)])
def test_a_carrier_that_may_be_folded_is_told(samples_per_cycle, warned):
    """Product rule: under about five samples a cycle aliasing cannot be excluded."""
    made = capture((24,), 10, carrier_hz=RATE_HZ / samples_per_cycle, cycles=8.0)
    burst = assembled(made)[0]
    assert any("folded" in warning for warning in burst.warnings) == warned
