"""Pictures of lines whose truth is made here, apart from the decoder."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import welch

from dsp.errors import BadInputError
from dsp.picture_fold import flip_intervals, folded, interval_bins, stacked
from dsp.picture_phase import SymbolGrid, constellation, eye, phase_track
from dsp.picture_spectrum import spectrum, squared_spectrum
from dsp.probe import carrier_at, values_at
from dsp.source import make_record

RATE = 2_000_000.0
CARRIER = 200_000.0
PERIOD = 40e-6  # eight cycles
SYMBOLS = "1101000110111001"
FIRST = 1e-3
START = -0.5e-3


def line(noise: float = 0.0, level: float = 24.0, repeats: int = 1) -> np.ndarray:
    times = START + np.arange(int(4e-3 * RATE)) / RATE
    symbols = SYMBOLS * repeats
    number = np.floor((times - FIRST) / PERIOD).astype(int)
    sent = (number >= 0) & (number < len(symbols))
    sign = np.array([1.0 if one == "1" else -1.0 for one in symbols])[np.clip(number, 0, len(symbols) - 1)]
    ripple = 0.5 * np.sin(2 * np.pi * 100 * times)
    rng = np.random.default_rng(1)
    wave = np.sin(2 * np.pi * CARRIER * (times - FIRST)) * sign * sent * 0.8
    return level + ripple + wave + rng.normal(0, noise, times.size)


@pytest.fixture
def record():
    return make_record(line(0.02), RATE, START)


GRID = SymbolGrid(FIRST, PERIOD, len(SYMBOLS))


def test_values_between_samples_lie_on_the_straight_line():
    record = make_record(np.array([0, 2, 4, 10], np.int16), 10.0, 5.0, 0.5, 1.0)
    got = values_at(record, np.array([[4.9, 5.0], [5.05, 5.25], [5.3, 5.31]]))
    assert np.isnan(got[0, 0])
    assert np.isnan(got[2, 1])
    assert got[0, 1] == 1.0
    assert got[1] == pytest.approx([1.5, 4.5])
    assert got[2, 0] == pytest.approx(6.0)


def test_nothing_is_read_across_the_edge_of_a_segment():
    record = make_record(np.arange(20.0), 10.0, segments=((0, 10, 0.0), (10, 20, 100.0)))
    got = values_at(record, np.array([0.95, 50.0, 100.0, 100.85]))
    assert np.isnan(got[:2]).all()
    assert got[2:] == pytest.approx([10.0, 18.5])


def test_carrier_amplitude_and_phase_are_those_of_the_line(record):
    middle = FIRST + 0.5 * PERIOD
    z = carrier_at(record, np.array([middle]), CARRIER)[0]
    assert abs(z) == pytest.approx(0.8, rel=0.03)
    flat = carrier_at(record, np.array([middle]), CARRIER, width_s=PERIOD)[0]
    assert abs(flat) == pytest.approx(0.8, rel=0.02)
    # of a sine that is zero and rising at FIRST the complex amplitude is -i exp(-2 pi i f FIRST)
    wanted = -1j * np.exp(-2j * np.pi * CARRIER * FIRST)
    assert np.degrees(np.angle(z / wanted)) == pytest.approx(0.0, abs=3)


def test_level_and_ripple_leave_nothing_at_the_carrier():
    record = make_record(np.full(4000, 24.0), RATE)
    assert np.abs(carrier_at(record, np.linspace(2e-4, 1.5e-3, 50), CARRIER)).max() < 1e-9


def test_a_carrier_beyond_half_the_rate_is_refused(record):
    with pytest.raises(BadInputError, match="cannot be followed"):
        carrier_at(record, np.array([0.0]), RATE)


def test_phase_steps_by_half_a_turn_at_each_flip(record):
    end = FIRST + len(SYMBOLS) * PERIOD
    track = phase_track(record, (FIRST, end), CARRIER, points=1600)
    number = ((track.times_s - FIRST) / PERIOD).astype(int)
    middle = np.abs((track.times_s - FIRST) / PERIOD - number - 0.5) < 0.2
    high = np.abs(track.phase_deg - 180) < 20
    low = np.abs(track.phase_deg) < 20
    assert (high | low)[middle].all()
    read = [bool(high[middle & (number == k)].all()) for k in range(len(SYMBOLS))]
    wanted = [one == "1" for one in SYMBOLS]
    assert read in (wanted, [not one for one in wanted])


def test_no_phase_is_told_where_there_is_no_carrier(record):
    track = phase_track(record, (START, FIRST + len(SYMBOLS) * PERIOD), CARRIER)
    before = track.times_s < FIRST - 2 / CARRIER
    assert np.isnan(track.phase_deg[before]).all()
    assert np.isfinite(track.phase_deg).any()


def test_constellation_has_two_points_of_the_symbols(record):
    z, owner, number = constellation(record, [GRID], CARRIER)
    assert list(number) == list(range(len(SYMBOLS)))
    assert set(owner) == {0}
    assert np.abs(z.real) == pytest.approx(0.8, rel=0.03)
    assert np.abs(z.imag).max() < 0.05
    read = "".join("1" if x > 0 else "0" for x in z.real)
    assert SYMBOLS in (read, read.translate(str.maketrans("01", "10")))


def test_symbols_of_many_grids_are_spread_evenly(record):
    grids = [GRID, SymbolGrid(FIRST, PERIOD, 8)]
    z, owner, number = constellation(record, grids, CARRIER, symbols=6)
    assert len(z) == 6
    assert set(owner) == {0, 1}
    assert all(k < grids[g].count for g, k in zip(owner, number, strict=True))


def test_eye_is_open_in_the_middle_and_crosses_at_the_edges(record):
    places, rows = eye(record, [SymbolGrid(FIRST + PERIOD, PERIOD, len(SYMBOLS) - 2)], CARRIER)
    middle = rows[:, np.argmin(np.abs(places - 0.5))]
    assert np.abs(middle).min() > 0.7
    assert {True, False} == set(middle > 0)
    plain_places, plain = eye(record, [GRID], None)
    assert plain.shape == (len(SYMBOLS), plain_places.size)
    assert np.nanmean(plain) == pytest.approx(24, abs=1)


def test_spectrum_is_welchs_and_its_integral_the_power():
    rng = np.random.default_rng(2)
    samples = rng.normal(0, 1.5, 1 << 15)
    found = spectrum(make_record(samples, RATE), 0, samples.size)
    length = round(1.5 * RATE / found.resolution_hz)
    freq, power = welch(samples, RATE, "hann", length, detrend="constant")
    assert found.frequency_hz == pytest.approx(freq[1:])
    assert found.density == pytest.approx(power[1:])
    # Parseval: white noise of variance s^2 has the one-sided density 2 s^2 / rate
    assert np.median(found.density) == pytest.approx(2 * 1.5**2 / RATE, rel=0.1)


def test_a_long_range_is_represented_by_pieces():
    samples = np.sin(2 * np.pi * 0.1 * np.arange(1 << 16))
    found = spectrum(make_record(samples, 1.0), 0, samples.size, most=1 << 12)
    assert found.used <= 1 << 12
    assert found.among == 1 << 16
    assert found.frequency_hz[np.argmax(found.density)] == pytest.approx(0.1, abs=found.resolution_hz)


@pytest.mark.parametrize("told", [None, CARRIER])
def test_the_square_has_a_line_at_the_carrier_that_the_signal_has_not(told):
    record = make_record(line(0.02, repeats=4), RATE, START)
    first = int((FIRST - START) * RATE)
    stop = first + int(4 * len(SYMBOLS) * PERIOD * RATE)
    found = squared_spectrum(record, first, stop, carrier_hz=told)
    near = np.abs(found.frequency_hz - CARRIER) < 0.3 * CARRIER
    at = found.frequency_hz[near][np.argmax(found.density[near])]
    assert at == pytest.approx(CARRIER, abs=found.resolution_hz)
    ratio = found.density[near].max() / np.median(found.density[near])
    assert ratio > 1e3


def test_too_few_samples_are_refused(record):
    with pytest.raises(BadInputError, match="too few"):
        spectrum(record, 0, 10)


def test_folds_at_the_symbol_show_turned_rows(record):
    rows = folded(record, FIRST, FIRST + len(SYMBOLS) * PERIOD, PERIOD)
    assert rows.values.shape == (len(SYMBOLS), 240)
    like = rows.values @ rows.values[0]
    assert "".join("1" if one > 0 else "0" for one in like) == SYMBOLS
    assert rows.starts_s == pytest.approx(FIRST + np.arange(len(SYMBOLS)) * PERIOD)
    few = folded(record, FIRST, FIRST + len(SYMBOLS) * PERIOD, PERIOD, most=5)
    assert (len(few.values), few.left_out) == (5, len(SYMBOLS) - 5)
    with pytest.raises(BadInputError, match="shorter"):
        folded(record, FIRST, FIRST + PERIOD / 2, PERIOD)


def test_stacked_bursts_agree_however_their_carrier_stands():
    gap = 3e-3
    one = line(0.01)
    record = make_record(np.concatenate([one, 48.0 - one]), RATE, START)
    second = FIRST + one.size / RATE
    rows = stacked(
        record, [FIRST, second], len(SYMBOLS) * PERIOD, carrier_hz=CARRIER, columns=len(SYMBOLS) * 10
    )
    middles = rows.values[:, 5::10]
    for row in middles:
        assert "".join("1" if value > 0 else "0" for value in row) == SYMBOLS
    plain = stacked(record, [FIRST, second], gap / 10, columns=50)
    assert np.corrcoef(plain.values)[0, 1] < -0.9
    with pytest.raises(BadInputError, match="no burst"):
        stacked(record, [], 1.0)


def test_intervals_stay_within_a_burst_and_fall_on_whole_symbols():
    edges = [k for k in range(1, len(SYMBOLS)) if SYMBOLS[k] != SYMBOLS[k - 1]]
    flips = [[FIRST + k * PERIOD for k in edges], [0.1 + k * PERIOD for k in edges], [0.2]]
    intervals = flip_intervals(flips, CARRIER)
    assert intervals.size == 2 * (len(edges) - 1)
    bins, counts = interval_bins(intervals, symbol_cycles=8.0)
    assert counts.sum() == intervals.size
    middles = (bins[1:] + bins[:-1]) / 2
    assert (middles[counts > 0] % 8) == pytest.approx(0, abs=1e-9)
    assert interval_bins(np.zeros(0))[1].size == 0
    assert interval_bins(np.array([1.0, 1e6]), symbol_cycles=8.0)[1].size <= 402
