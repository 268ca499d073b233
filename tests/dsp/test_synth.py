"""The made signals are what they say they are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from generators.lines import Sent, add_burst

from dsp import synth, synth_line
from dsp.synth import BurstSpec, Synthetic, transmissions

RATE_HZ = 1.7e6
SPEC = BurstSpec(31.3e-6, "1101000101", 41_234.5, 173_911.7, 0.7, 1.1)


def test_a_burst_equals_the_one_made_sample_by_sample():
    made = transmissions([SPEC], RATE_HZ, 700).samples
    slow = [0.0] * 700
    truth = Sent(SPEC.start_s, SPEC.symbols, SPEC.carrier_hz, SPEC.symbol_rate_bd, SPEC.amplitude, 0.0)
    add_burst(slow, RATE_HZ, truth, SPEC.phase_rad / (2 * np.pi))
    np.testing.assert_allclose(made, slow, atol=1e-9)


def test_a_burst_outside_the_capture_is_cut():
    whole = transmissions([SPEC], RATE_HZ, 700).samples
    early = transmissions([replace(SPEC, start_s=SPEC.start_s - 100 / RATE_HZ)], RATE_HZ, 300).samples
    np.testing.assert_allclose(early, whole[100:400], atol=1e-9)


def test_flips_end_and_relative_symbols():
    spec = BurstSpec(1.0, "0110", 10.0)
    assert spec.end_s == pytest.approx(1.4)
    assert spec.flips_s == pytest.approx((1.1, 1.3))
    assert spec.relative_symbols == "1001"


@pytest.mark.parametrize("esn0_db", [-3.0, 7.0, 20.0])
def test_amplitude_gives_the_energy_asked_for(esn0_db):
    sigma, symbol_rate = 0.3, 20_000.0
    amplitude = synth.amplitude_for(esn0_db, sigma, RATE_HZ, symbol_rate)
    spec = BurstSpec(0.0, "10" * 300, symbol_rate, 200_000.0, amplitude)
    samples = transmissions([spec], RATE_HZ, int(600 / symbol_rate * RATE_HZ)).samples
    energy = np.sum(samples**2) / RATE_HZ / 600
    assert 10 * np.log10(energy / (2 * sigma**2 / RATE_HZ)) == pytest.approx(esn0_db, abs=0.02)


def test_root_raised_cosine_squared_has_no_intersymbol_interference():
    place = np.arange(-40, 40, 1 / 64)
    pulse = synth.root_raised_cosine(place, 0.35)
    for shift in range(4):
        moved = synth.root_raised_cosine(place - shift, 0.35)
        assert np.sum(pulse * moved) / 64 == pytest.approx(float(shift == 0), abs=2e-4)


def test_root_raised_cosine_is_smooth_at_its_removable_singularities():
    for rolloff in (0.2, 0.35, 1.0):
        for centre in (0.0, 0.25 / rolloff):
            near = synth.root_raised_cosine(centre + np.array([-1e-4, 0.0, 1e-4]), rolloff)
            assert near[1] == pytest.approx((near[0] + near[2]) / 2, abs=1e-6)


def test_soft_edges_reach_full_level_and_leave_none_outside():
    spec = BurstSpec(0.001, "1001", 1000.0, 0.0, 2.0, modulation="baseband", pulse="soft", rolloff=0.5)
    samples = transmissions([spec], 100_000.0, 700).samples
    assert samples[150] == pytest.approx(2.0)
    assert samples[300] == pytest.approx(-2.0)
    assert samples[200] == pytest.approx(0.0, abs=0.05)
    assert not samples[:75].any()
    assert not samples[525:].any()


def test_frequency_shift_keying_is_two_tones_of_continuous_phase():
    spec = BurstSpec(0.0, "0" * 40 + "1" * 40, 1000.0, 20_000.0, modulation="fsk", shift_hz=3000.0)
    samples = transmissions([spec], 400_000.0, 32_000).samples
    strongest = [np.argmax(np.abs(np.fft.rfft(part))) * 25.0 for part in np.split(samples, 2)]
    assert strongest == [17_000.0, 23_000.0]
    assert np.max(np.abs(np.diff(samples))) < 2 * np.pi * 23_100 / 400_000


def test_on_off_keying_is_silent_in_a_zero():
    spec = BurstSpec(0.0, "101", 1000.0, 20_000.0, modulation="ook")
    samples = transmissions([spec], 400_000.0, 1200).samples
    assert not samples[400:800].any()
    assert np.std(samples[:400]) == pytest.approx(np.sqrt(0.5))


def test_captures_add_up_and_keep_their_truth():
    one, two = (transmissions([replace(SPEC, talker=k)], RATE_HZ, 700) for k in (0, 1))
    both = one + two + np.full(700, 24.0)
    assert isinstance(both, Synthetic)
    np.testing.assert_allclose(both.samples, 2 * one.samples + 24.0)
    assert [b.talker for b in both.bursts] == [0, 1]


@pytest.mark.parametrize("change", [{"symbols": ""}, {"symbols": "102"}, {"pulse": "x"}, {"modulation": "x"}])
def test_what_cannot_be_sent_is_refused(change):
    with pytest.raises(ValueError, match=r"unknown|symbols"):
        transmissions([replace(SPEC, **change)], RATE_HZ, 10)


def test_line_codes():
    assert synth.manchester("101") == "100110"
    assert synth.differential("0110") == "11011"
    text = synth.random_symbols(400, np.random.default_rng(3), longest_run=3)
    assert "0000" not in text
    assert "1111" not in text
    assert 150 < text.count("1") < 250


def test_ripple_is_a_rectangle_wave_without_mean():
    ripple = synth_line.pwm_ripple(20_000, 1e6, 1000.0, 0.5, duty=0.3)
    assert np.mean(ripple) == pytest.approx(0, abs=1e-9)
    high, low = np.percentile(ripple, [90, 30])
    assert high - low == pytest.approx(0.5, abs=0.01)
    assert np.mean(ripple > 0.1) == pytest.approx(0.3, abs=0.01)


def test_smoothed_ripple_loses_its_harmonics():
    rough, smooth = (
        np.abs(np.fft.rfft(synth_line.pwm_ripple(10_000, 1e6, 1000.0, 1.0, corner_hz=corner)))
        for corner in (None, 5000.0)
    )
    # one pole at 5 kHz: 1/sqrt(1 + (f/5 kHz)^2)
    for harmonic in (1, 11, 101):
        expected = 1 / np.sqrt(1 + (harmonic / 5) ** 2)
        assert smooth[harmonic * 10] / rough[harmonic * 10] == pytest.approx(expected, rel=1e-6)


def test_high_pass_droops_with_its_time_constant():
    level = synth_line.high_pass(synth_line.step(3000, 1000, 1.0), 1e6, 500.0)
    tau = 1e6 / (2 * np.pi * 500.0)
    assert level[1000 + round(tau)] == pytest.approx(np.exp(-1), rel=0.01)


def test_band_limit_keeps_the_band_and_nothing_else():
    wide = synth_line.noise(8192, 1.0, np.random.default_rng(5))
    spectrum = np.abs(np.fft.rfft(synth_line.band_limit(wide, 8192.0, 1000.0, 2000.0)))
    assert np.max(spectrum[:999]) < 1e-9
    assert np.max(spectrum[2002:]) < 1e-9
    np.testing.assert_allclose(spectrum[1000:2001], np.abs(np.fft.rfft(wide))[1000:2001])


def test_converter_codes_saturate_and_step():
    codes = synth_line.quantise(np.array([-9.0, -1.0, -0.99, 0.0, 0.999, 9.0]), 8, -1.0, 1.0)
    assert codes.tolist() == [0, 0, 1, 128, 255, 255]
    assert synth_line.clip(np.array([-3.0, 3.0]), -1.0, 2.0).tolist() == [-1.0, 2.0]


def test_a_chirp_sweeps_from_one_frequency_to_the_other():
    sweep = synth_line.chirp(100_000, 1e6, 10e3, 60e3, 1.0)
    crossings = np.flatnonzero(np.diff(np.signbit(sweep)))
    assert len(crossings) == pytest.approx(2 * 35e3 * 0.1, abs=2)
    assert crossings[1] - crossings[0] > 4 * (crossings[-1] - crossings[-2])


def test_others_have_the_strength_asked_for():
    rng = np.random.default_rng(9)
    assert np.std(synth_line.wander(5000, 0.4, rng)) == pytest.approx(0.4)
    assert np.std(synth_line.speech_like(20_000, 8000.0, 0.2, rng)) == pytest.approx(0.2)
    carriers = synth_line.many_carriers(50_000, 1e6, (50e3, 71e3, 93e3), 0.5, rng)
    assert np.std(carriers) == pytest.approx(0.5 * np.sqrt(1.5), rel=0.02)
    gated = synth_line.gated(np.ones(1000), 1e3, ((0.1, 0.2), (0.5, 0.9)))
    assert gated.sum() == 500
