"""What a first look says: whether the level wanders, and the step of the converter."""

from __future__ import annotations

import numpy as np
import pytest
from generators.truths import capture, record_of

from dsp.look import converter_step, looked_at
from dsp.noise import estimate_noise
from dsp.source import make_record

RNG = np.random.default_rng(4)
NOISE = RNG.normal(size=200_000)


@pytest.mark.parametrize(
    ("dtype", "factor", "offset"),
    [(np.int8, 20.0, 0.0), (np.int16, 20.0, 0.0), (np.float32, 0.7, 24.0), (np.float64, 1e-6, -3.0)],
)
def test_step_of_whole_codes(dtype, factor, offset):
    """Codes in steps of one; as floats, times a factor and on a level."""
    codes = np.rint(20.0 * NOISE)
    if np.issubdtype(dtype, np.integer):
        record = make_record(codes.astype(dtype), 1e6, 0.0, 0.25, 1.0, None)
        assert looked_at(record).step == pytest.approx(0.25)
    else:
        record = record_of((codes * factor + offset).astype(dtype))
        assert looked_at(record).step == pytest.approx(factor, rel=1e-3)


def test_step_of_codes_shifted_up():
    record = record_of((np.rint(20.0 * NOISE) * 16).astype(np.int16))
    assert looked_at(record).step == 16.0


def test_step_where_only_some_codes_are_met():
    """No two of them are neighbours, but what divides all their distances is one."""
    assert converter_step(np.array([0.0, 6.0, 15.0, 25.0]), 2.0**-52) == 1.0


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_the_finest_step_where_values_are_smooth(dtype):
    values = NOISE.astype(dtype).astype(np.float64)
    assert converter_step(values, float(np.finfo(dtype).eps)) == 0.0
    assert looked_at(record_of(NOISE.astype(dtype))).step == pytest.approx(np.ptp(values) / 2**16, rel=0.2)


def test_a_computed_silence_has_a_floor():
    samples = np.zeros(20_000)
    samples[9_000:9_900] = np.sin(np.arange(900))
    floor = estimate_noise(looked_at(record_of(samples)))
    assert floor is not None
    assert float(floor.floor.min()) > 0.0


def test_floor_is_no_lower_than_rounding():
    """A step squared over twelve, spread over half the sample rate, where the line is silent."""
    codes = np.zeros(20_000, np.int8)
    codes[9_000:9_900] = np.rint(60.0 * np.sin(np.arange(900)))
    noise = estimate_noise(looked_at(make_record(codes, 1e6, 0.0, 0.5, 0.0, None)))
    assert noise is not None
    np.testing.assert_allclose(noise.floor[8:-8].min(), 2.0 * 0.5**2 / 12.0 / 1e6)


def test_noise_and_transmissions_do_not_wander():
    assert not looked_at(record_of(NOISE + 2_400.0)).wanders
    for carrier, cycles in ((10_000.0, 1.0), (173_000.0, 6.3)):
        made = capture((30, 24), 3, carrier_hz=carrier, cycles=cycles)
        assert not looked_at(made.record).wanders


@pytest.mark.parametrize("count", [3_000, 200_000])
def test_hum_and_ramps_wander(count):
    place = np.linspace(0.0, 1.0, count)
    for slow in (10.0 * np.sin(3.0 * place), 10.0 * place):
        assert looked_at(record_of(NOISE[:count] + slow)).wanders


def test_what_is_not_finite_is_passed_over():
    values = NOISE.copy()
    values[::100] = np.nan
    assert looked_at(record_of(values)).step == 0.0
    assert not looked_at(record_of(np.zeros(0))).wanders
