"""Readings and their uncertainties against exact values, Monte Carlo and published bounds."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dsp.errors import BadInputError
from dsp.interpolate import find_crossings, middle_level, nearest_crossing, nearest_extremum
from dsp.measure import mean, noise_relative_std, noise_std, peak_to_peak, read_span, rms, slope
from dsp.measure_timing import carrier_readings, moving_level
from dsp.reading import Reading
from dsp.transition import find_transition

COUNT = 2000
INDEX = np.arange(COUNT)


def tone(cycles_per_sample, phase=0.3, count=COUNT):
    return np.sin(2 * np.pi * cycles_per_sample * np.arange(count) + phase)


def scatter(read, rounds=250):
    """Mean of the values, their spread, and the standard uncertainty that was claimed."""
    readings = [read() for _ in range(rounds)]
    values = np.array([r.value for r in readings])
    return values.mean(), values.std(ddof=1), np.mean([r.std for r in readings])


# Spread of a standard deviation estimated from 250 rounds: 1/sqrt(2*249) = 4.5 %; four of those are allowed.
WITHIN = 0.18


@pytest.mark.parametrize("noise", [0.02, 0.4])
@pytest.mark.parametrize("name", ["mean", "rms", "slope"])
def test_claimed_uncertainty_is_the_spread_seen(name, noise):
    rng = np.random.default_rng(7)
    read = {
        "mean": lambda v: mean(v, unit="V", noise=noise),
        "rms": lambda v: rms(v, unit="V", noise=noise),
        "slope": lambda v: slope(v, 1e6, unit="V", noise=noise),
    }[name]
    clean = 0.5 + tone(0.0371) + INDEX * 1e-4
    value, spread, claimed = scatter(lambda: read(clean + rng.normal(size=COUNT) * noise))
    assert spread == pytest.approx(claimed, rel=WITHIN)
    exact = {"mean": clean.mean(), "rms": math.sqrt(np.mean(clean**2) + noise**2)}.get(name)
    if exact is not None:
        assert value == pytest.approx(exact, abs=4 * claimed / math.sqrt(250))


def test_rms_of_noise_alone_has_the_textbook_uncertainty():
    # of n normal values the standard deviation has the uncertainty sigma / sqrt(2 n): JCGM 100:2008, E.4.3
    rng = np.random.default_rng(3)
    _, spread, claimed = scatter(lambda: rms(rng.normal(size=COUNT), unit="V", noise=1.0))
    assert claimed == pytest.approx(1 / math.sqrt(2 * COUNT), rel=0.02)
    assert spread == pytest.approx(claimed, rel=WITHIN)


@pytest.mark.parametrize("signal", [tone(0.0123), np.zeros(COUNT), np.sign(tone(0.01))])
def test_peak_to_peak_never_scatters_more_than_claimed(signal):
    rng = np.random.default_rng(4)
    value, spread, claimed = scatter(
        lambda: peak_to_peak(signal + rng.normal(size=COUNT) * 0.05, unit="V", noise=0.05), 100
    )
    assert 0.2 * claimed < spread < claimed
    assert value > np.ptp(signal)


def test_exact_readings_without_noise():
    whole = tone(1 / 40, phase=0.0)  # 50 whole cycles
    assert mean(whole + 3.0, unit="V", noise=0.0).value == pytest.approx(3.0, abs=1e-12)
    assert rms(whole, unit="V", noise=0.0).value == pytest.approx(1 / math.sqrt(2), abs=1e-12)
    assert peak_to_peak(whole, unit="V", noise=0.0).value == pytest.approx(2.0, abs=1e-12)
    ramp = slope(INDEX * 0.25, 1e3, unit="V", noise=0.0)
    assert (ramp.value, ramp.unit) == (pytest.approx(250.0), "V/s")


@pytest.mark.parametrize("offset", [0.0, 1e6])
def test_a_large_offset_costs_no_digits(offset):
    values = tone(0.037) + offset
    assert mean(values, unit="V", noise=0.0).value - offset == pytest.approx(tone(0.037).mean(), abs=1e-9)
    assert slope(values, 1.0, unit="V", noise=0.0).value == pytest.approx(
        np.polyfit(INDEX, tone(0.037), 1)[0], rel=1e-6
    )


def test_nan_is_passed_over_and_counted_out():
    values = tone(1 / 40, phase=0.0)
    values[100:140] = np.nan
    reading = mean(values, unit="V", noise=0.1)
    assert reading.count == COUNT - 40
    assert reading.value == pytest.approx(0.0, abs=1e-12)
    assert reading.std == pytest.approx(0.1 / math.sqrt(COUNT - 40))
    with pytest.raises(BadInputError, match="no finite sample"):
        mean(np.full(5, np.nan), unit="V", noise=0.1)


def test_a_converter_step_that_noise_does_not_smooth_stays():
    assert mean(np.zeros(10_000), unit="V", noise=0.0, resolution=0.01).std == pytest.approx(
        0.01 / math.sqrt(12)
    )
    smoothed = mean(np.zeros(10_000), unit="V", noise=0.01, resolution=0.01).std
    assert smoothed == pytest.approx(0.01 / 100)


def test_tolerance_is_kept_apart_and_combined():
    # JCGM 100:2008, 4.3.7: half width a, standard uncertainty a / sqrt(3)
    reading = Reading(1000.0, 3.0, "Hz").with_tolerance(50e-6)
    assert reading.std == 3.0
    assert reading.tolerance_std == pytest.approx(0.05 / math.sqrt(3))
    assert reading.combined_std == pytest.approx(math.hypot(3.0, 0.05 / math.sqrt(3)))
    assert Reading(1.0, None, "V").combined_std is None


@pytest.mark.parametrize("signal", [np.zeros(COUNT), 24 + 0.3 * tone(0.0421), 5 * np.sign(tone(0.05))])
def test_noise_is_found_under_a_signal(signal):
    rng = np.random.default_rng(9)
    found = [noise_std(signal + rng.normal(size=COUNT) * 0.1) for _ in range(20)]
    assert np.mean(found) == pytest.approx(0.1, rel=0.06)


def test_noise_of_a_few_samples_and_of_none():
    rng = np.random.default_rng(2)
    found = [noise_std(rng.normal(size=20) + 0.1 * np.arange(20)) for _ in range(300)]
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(1.0, rel=0.1)
    assert math.isnan(noise_std(np.zeros(3)))


# --- crossings


@pytest.mark.parametrize(("cycles_per_sample", "largest_error"), [(0.01, 1e-6), (0.1, 1e-3), (0.25, 0.03)])
def test_crossings_of_a_tone_lie_where_they_are(cycles_per_sample, largest_error):
    for phase in np.linspace(0, 6, 17):
        crossings = find_crossings(tone(cycles_per_sample, phase, 600))
        inner = crossings.positions[1:-1]
        turns = 2 * cycles_per_sample * inner + phase / np.pi
        assert np.abs(turns - np.round(turns)).max() / (2 * cycles_per_sample) < largest_error
        np.testing.assert_array_equal(crossings.rising[1:-1], np.round(turns) % 2 == 0)


def naive_crossings(values, hysteresis):
    """One sample at a time; straight lines."""
    found, side, last = [], 0, None
    for k, value in enumerate(values):
        if last is not None and (values[k - 1] < 0) != (value < 0):
            last.append(k - 1 - values[k - 1] / (value - values[k - 1]))
        if abs(value) > hysteresis:
            new = 1 if value > 0 else -1
            if side and new != side:
                found.append((np.mean(last), new > 0))
            if new != side or last:
                last = []
            side = new
    return found


@pytest.mark.parametrize("hysteresis", [0.0, 0.3])
def test_crossings_equal_naive_twin(hysteresis):
    rng = np.random.default_rng(11)
    values = tone(0.013, count=3000) + 0.1 * rng.normal(size=3000)
    expected = naive_crossings(values, hysteresis)
    crossings = find_crossings(values, hysteresis=hysteresis)
    assert list(crossings.rising) == [up for _, up in expected]
    np.testing.assert_allclose(crossings.positions, [at for at, _ in expected], atol=0.25)


def test_hysteresis_keeps_noise_from_making_crossings():
    rng = np.random.default_rng(1)
    values = tone(0.002, phase=1.0, count=10_000) + 0.1 * rng.normal(size=10_000)
    assert len(find_crossings(values)) > 60
    assert len(find_crossings(values, hysteresis=0.5)) == 40


def test_crossings_at_the_edge_of_definition():
    assert len(find_crossings(np.array([-1.0, 0.0, -1.0, -2.0]))) == 0  # a touch
    np.testing.assert_allclose(find_crossings(np.array([-1.0, 0.0, 1.0])).positions, [1.0])
    np.testing.assert_allclose(find_crossings(np.array([1.0, 0.0, -1.0])).positions, [1.0])
    for few in (np.zeros(0), np.zeros(1), np.zeros(5), np.array([2.0, 3.0])):
        assert len(find_crossings(few)) == 0
    np.testing.assert_allclose(find_crossings(np.array([0, 10], np.int8), level=2.5).positions, [0.25])
    with pytest.raises(BadInputError, match="one-dimensional"):
        find_crossings(np.zeros((2, 2)))


def test_nothing_crosses_a_gap():
    values = np.array([-1.0, -1.0, np.nan, 1.0, 1.0, -1.0])
    np.testing.assert_allclose(find_crossings(values).positions, [4.5], atol=0.1)


@pytest.mark.parametrize("cycles_per_sample", [0.02, 0.11, 0.2])
def test_uncertainty_of_a_crossing(cycles_per_sample):
    rng = np.random.default_rng(12)
    noise = 0.01
    clean = tone(cycles_per_sample, phase=1.0, count=400)
    truth = find_crossings(clean).positions
    found = [
        find_crossings(clean + noise * rng.normal(size=400), hysteresis=0.2, noise=noise) for _ in range(300)
    ]
    spread = np.std([each.positions for each in found], axis=0, ddof=1)
    claimed = np.mean([each.stds for each in found], axis=0)
    assert spread.shape == truth.shape
    assert np.mean(spread / claimed) == pytest.approx(1.0, abs=0.06)


def test_nearest_crossing_and_extremum():
    values = 24 + tone(0.01, phase=0.0, count=1000)  # crossings at multiples of 50, peaks at 25 + 100 k
    assert nearest_crossing(values, 203, level=24) == pytest.approx(200, abs=1e-4)
    assert nearest_crossing(values, 226, level=24) == pytest.approx(250, abs=1e-4)
    assert nearest_crossing(values, 0, level=99) is None
    top = nearest_extremum(values, 231, level=24)
    assert (top.position, top.value, top.is_high) == (
        pytest.approx(225, abs=1e-3),
        pytest.approx(25, abs=2e-3),
        True,
    )
    bottom = nearest_extremum(values, 262, level=24)
    assert (bottom.position, bottom.is_high) == (pytest.approx(275, abs=1e-3), False)
    assert nearest_extremum(np.zeros(10), 5) is None


def test_extremum_between_samples_under_noise():
    rng = np.random.default_rng(8)
    errors = []
    for phase in rng.uniform(0, 2 * np.pi, 200):
        values = tone(0.004, phase, 1000) + 0.05 * rng.normal(size=1000)
        found = nearest_extremum(values, 500, hysteresis=0.3)
        turns = 2 * (0.004 * found.position + phase / (2 * np.pi)) - 0.5
        errors.append((turns - round(turns)) / (2 * 0.004))
        assert (round(turns) % 2 == 0) == found.is_high
    # the greatest sample alone scatters by some 20 samples here
    assert np.std(errors) < 8
    assert abs(np.mean(errors)) < 4 * np.std(errors) / math.sqrt(200)


def test_middle_level():
    assert middle_level(24 + tone(0.0123)) == pytest.approx(24, abs=2e-3)
    assert middle_level(np.array([1.0, 5.0, np.nan])) == 3.0
    assert math.isnan(middle_level(np.full(3, np.nan)))


# --- carrier


def cramer_rao_hz(noise, amplitude, count):
    """Least standard deviation of the frequency of a real tone, cycles a sample (Rife and Boorstyn 1974)."""
    return math.sqrt(24 * noise**2 / (amplitude**2 * count * (count**2 - 1))) / (2 * math.pi)


@pytest.mark.parametrize(("cycles_per_sample", "noise"), [(0.0123, 0.05), (0.1, 0.05), (0.2, 0.1)])
@pytest.mark.parametrize("told", [False, True])
def test_frequency_of_a_tone(cycles_per_sample, noise, told):
    rng = np.random.default_rng(5)
    carrier = cycles_per_sample * 1e6 * 1.002 if told else None
    clean = 24 + tone(cycles_per_sample)

    def read():
        values = clean + noise * rng.normal(size=COUNT)
        return carrier_readings(values, 1e6, noise=noise, carrier_hz=carrier).frequency

    value, spread, claimed = scatter(read, 150)
    assert value == pytest.approx(cycles_per_sample * 1e6, abs=5 * claimed / math.sqrt(150))
    assert 0.6 * claimed < spread < 1.25 * claimed
    assert spread > 0.9 * 1e6 * cramer_rao_hz(noise, 1.0, COUNT)


@pytest.mark.parametrize("cycles_per_symbol", [1, 2, 2.5, 8])
@pytest.mark.parametrize("shift", [0.0, 0.13, 0.25])
def test_frequency_of_a_carrier_with_flips(cycles_per_symbol, shift):
    rng = np.random.default_rng(6)
    turns = 0.0317 * np.arange(4000)
    errors = []
    for _ in range(40):
        signs = rng.choice([-1.0, 1.0], 200)
        values = signs[((turns + shift) // cycles_per_symbol).astype(int)] * np.sin(2 * np.pi * turns)
        values += 0.03 * rng.normal(size=values.size)
        reading = carrier_readings(values, 1.0, noise=0.03, carrier_hz=0.0315).frequency
        errors.append((reading.value - 0.0317) / reading.std)
    assert np.sqrt(np.mean(np.square(errors))) < 1.3


def test_what_crossings_cannot_decide_is_not_decided():
    # one cycle a symbol with flips at the peaks looks like twice the carrier with flips at crossings
    rng = np.random.default_rng(6)
    turns = 0.0317 * np.arange(4000)
    values = rng.choice([-1.0, 1.0], 200)[(turns + 0.25).astype(int)] * np.sin(2 * np.pi * turns)
    assert carrier_readings(values, 1.0) is None
    told = carrier_readings(values, 1.0, carrier_hz=0.032)
    assert told.frequency.value == pytest.approx(0.0317, abs=1e-5)


def test_whole_cycles_and_gaps():
    values = tone(0.01, phase=0.1, count=3000)
    found = carrier_readings(values, 1e6)
    assert (found.whole_cycles, found.crossings) == (29, 59)
    values[1000:2000] = 0.0
    split = carrier_readings(values, 1e6)
    assert split.frequency.value == pytest.approx(1e4, rel=1e-4)
    assert split.whole_cycles in (18, 19)


def test_carrier_on_ripple_needs_to_be_told():
    ripple = 3 * np.sin(2 * np.pi * 0.0004 * np.arange(5000))
    values = 24 + ripple + 0.5 * tone(0.03, count=5000)
    told = carrier_readings(values, 1e6, carrier_hz=30e3)
    assert told.frequency.value == pytest.approx(30e3, rel=1e-3)
    assert told.whole_cycles in (149, 150)


@pytest.mark.parametrize("values", [np.zeros(100), np.full(100, np.nan), np.arange(100.0), np.zeros(2)])
def test_no_carrier_gives_none(values):
    assert carrier_readings(values, 1.0) is None


def test_moving_level_leaves_the_carrier_out():
    values = tone(1 / 20, count=500) + np.linspace(0, 5, 500)
    level = moving_level(values, 20)
    np.testing.assert_allclose(level[20:-20], np.linspace(0, 5, 500)[20:-20], atol=1e-9)
    fractional = moving_level(tone(1 / 22.7, count=500), 22.7)
    assert np.abs(fractional).max() < 0.01
    with pytest.raises(BadInputError, match="does not fit"):
        moving_level(np.zeros(10), 20)


# --- spans and transitions


def test_read_span_reads_stored_samples_block_by_block():
    rng = np.random.default_rng(10)
    stored = np.round(1000 * tone(0.01, count=700_000) + 20 * rng.normal(size=700_000)).astype(np.int16)

    class Lazy:
        longest = 0

        def __len__(self):
            return len(stored)

        def __getitem__(self, key):
            part = stored[key]
            Lazy.longest = max(Lazy.longest, len(part))
            return part

    start, stop = 1234, 690_000
    readings = read_span(Lazy(), 1e6, start=start, stop=stop, scale=1e-3, offset=24.0, unit="V")
    part = stored[start:stop] * 1e-3 + 24.0
    assert readings.mean.value == pytest.approx(part.mean(), rel=1e-12)
    assert readings.rms.value == pytest.approx(math.sqrt(np.mean(part**2)), rel=1e-12)
    assert readings.peak_to_peak.value == pytest.approx(np.ptp(part), rel=1e-12)
    assert readings.slope.value == pytest.approx(np.polyfit(np.arange(part.size) / 1e6, part, 1)[0], rel=1e-6)
    assert readings.noise == pytest.approx(0.02, rel=0.05)
    assert readings.carrier.frequency.value == pytest.approx(1e4, abs=4 * readings.carrier.frequency.std)
    assert readings.carrier.whole_cycles == 6887


def test_read_span_invariances():
    rng = np.random.default_rng(13)
    values = tone(0.0317) + 0.02 * rng.normal(size=COUNT)
    plain = read_span(values, 1e6, noise=0.02)
    doubled = read_span(-2 * values + 5, 2e6, noise=0.04)
    assert doubled.carrier.frequency.value == pytest.approx(2 * plain.carrier.frequency.value, rel=1e-7)
    assert doubled.peak_to_peak.value == pytest.approx(2 * plain.peak_to_peak.value)
    assert doubled.peak_to_peak.std == pytest.approx(2 * plain.peak_to_peak.std)
    assert doubled.slope.value == pytest.approx(-4 * plain.slope.value)


def test_read_span_refuses_what_cannot_be_read():
    with pytest.raises(BadInputError, match="sample rate"):
        read_span(np.zeros(10), 0.0)
    with pytest.raises(BadInputError, match="no finite sample"):
        read_span(np.zeros(10), 1.0, start=4, stop=4)


@pytest.mark.parametrize("turn", [1, -1])
def test_transition_of_a_ramp(turn):
    rng = np.random.default_rng(14)
    clean = turn * np.interp(INDEX, [900.3, 1000.3], [-1.0, 1.0])
    exact = find_transition(clean, 1e6, unit="V", noise=0.0)
    assert exact.rising == (turn > 0)
    assert exact.duration.value == pytest.approx(80e-6, rel=1e-6)
    assert exact.slope.value == pytest.approx(turn * 2 / 100e-6, rel=1e-6)
    assert (exact.low.value, exact.high.value) == (-1.0, 1.0)

    def read():
        return find_transition(clean + 0.02 * rng.normal(size=COUNT), 1e6, unit="V", noise=0.02).duration

    value, spread, claimed = scatter(read, 100)
    assert value == pytest.approx(80e-6, abs=2 * claimed)
    assert 0.3 * claimed < spread < claimed


def test_more_than_one_transition_or_none_gives_none():
    for values in (tone(0.01), np.zeros(50), np.full(9, np.nan), np.zeros(2)):
        assert find_transition(values, 1.0, unit="V", noise=0.01) is None


@pytest.mark.parametrize("count", [64, 1000, 20_000])
def test_the_uncertainty_of_the_noise_is_its_scatter(count: int) -> None:
    """Over white Gaussian noise; the scatter of 400 draws is itself uncertain by 3.5 % (JCGM 100:2008, E.4.3)."""
    draw = np.random.default_rng(count)
    found = [noise_std(draw.normal(0.0, 2.0, count)) for _ in range(400)]
    assert np.std(found) / 2.0 == pytest.approx(noise_relative_std(count), rel=0.2)
    assert math.isnan(noise_relative_std(31))
