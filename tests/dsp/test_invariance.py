"""What must not matter to a decode: gain, level, polarity, time, sample rate, stored type, how it is cut."""

from __future__ import annotations

from dataclasses import asdict
from itertools import pairwise

import numpy as np
import pytest
from generators.scoring import score
from generators.truths import RATE_HZ, Capture, capture

from dsp.decoder import decode
from dsp.results import Burst, Decode


@pytest.fixture(scope="module")
def made() -> Capture:
    """Two talkers, 3 dB apart."""
    return capture((30, 24, 40), 32, esn0_db=18.0, cycles=3.3, amplitudes=(1.0, 0.7, 1.0))


@pytest.fixture(scope="module")
def plain(made) -> Decode:
    result = decode(made.samples, RATE_HZ)
    assert score(made.bursts, asdict(result)).complaints() == []
    return result


def assert_same(
    found: Decode,
    due: Decode,
    *,
    amplitude: float = 1.0,
    later_s: float = 0.0,
    off: float = 0.02,
) -> None:
    """Same bursts, symbols and talkers; times to ``off`` symbols, numbers to ``40 off`` deviations."""
    assert found.signalling.kind == due.signalling.kind
    assert [b.symbols for b in found.bursts] == [b.symbols for b in due.bursts]
    assert [b.talker for b in found.bursts] == [b.talker for b in due.bursts]
    for a, b in zip(found.bursts, due.bursts, strict=True):
        period = 1.0 / b.symbol_rate_bd
        times = (np.array([x.start_s, x.end_s, x.first_symbol_s]) for x in (a, b))
        assert np.max(np.abs(next(times) - next(times) - later_s)) < off * period
        # each flip is told by the samples next to it alone, and may jump from one gap to the next
        flips = (np.array(x.flips_s) for x in (a, b))
        assert np.max(np.abs(next(flips) - next(flips) - later_s)) < off * period + 1.0 / RATE_HZ
        assert abs(a.carrier_hz - b.carrier_hz) < 40.0 * off * b.carrier_std_hz
        rate_std = np.hypot(a.symbol_rate_std_bd, b.symbol_rate_std_bd)
        assert abs(a.symbol_rate_bd - b.symbol_rate_bd) < 40.0 * off * rate_std
        assert a.amplitude / amplitude == pytest.approx(b.amplitude, rel=2.0 * off)
        assert a.esn0_db == pytest.approx(b.esn0_db, abs=20.0 * off)
        assert a.confidence == pytest.approx(b.confidence, abs=2.0 * off)
        assert (a.cut_at_start, a.cut_at_end) == (b.cut_at_start, b.cut_at_end)


@pytest.mark.parametrize("gain", [1e-6, 1e6])
def test_gain(made, plain, gain):
    assert_same(decode(made.samples * gain, RATE_HZ), plain, amplitude=gain)


def test_level(made, plain):
    assert_same(decode(made.samples + 2_400.0, RATE_HZ), plain)


@pytest.mark.parametrize("slow", ["hum", "ramp"])
def test_slow_changes_of_the_level(made, plain, slow):
    """Ten times the carrier, but a thousand times slower than the symbols."""
    place = np.linspace(0.0, 1.0, len(made.samples))
    level = 10.0 * np.sin(2.5 * place + 1.0) if slow == "hum" else 10.0 * place
    assert_same(decode(made.samples + level, RATE_HZ), plain, off=0.1)


def test_polarity(made, plain):
    assert_same(decode(-made.samples, RATE_HZ), plain)


def test_scale_and_offset_are_those_of_the_samples(made, plain):
    found = decode(made.samples, RATE_HZ, scale=-0.01, offset=-3.0)
    assert_same(found, plain, amplitude=0.01)


def test_start_time(made, plain):
    assert_same(decode(made.samples, RATE_HZ, start_s=-7.25), plain, later_s=-7.25)


@pytest.mark.parametrize(("dtype", "step"), [(np.int8, 0.03), (np.int16, 1e-4), (np.float32, 0.0)])
def test_stored_type(made, plain, dtype, step):
    """Whole codes of a converter with its scale and offset; eight bits add noise of a step / sqrt(12)."""
    if step:
        stored = np.rint((made.samples - 0.5) / step).astype(dtype)
        found = decode(stored, RATE_HZ, scale=step, offset=0.5)
    else:
        found = decode(made.samples.astype(dtype), RATE_HZ)
    assert_same(found, plain)


def test_label_of_the_time_axis(made, plain):
    """Samples know nothing of seconds: frequencies scale with the rate, times against it."""
    found, factor = decode(made.samples, 8_000.0), 8_000.0 / RATE_HZ
    assert [b.symbols for b in found.bursts] == [b.symbols for b in plain.bursts]
    for a, b in zip(found.bursts, plain.bursts, strict=True):
        for name in ("carrier_hz", "carrier_std_hz", "symbol_rate_bd", "symbol_rate_std_bd"):
            assert getattr(a, name) == pytest.approx(factor * getattr(b, name), rel=1e-6)
        for name in ("start_s", "end_s", "flips_s"):
            assert np.array(getattr(a, name)) * factor == pytest.approx(np.array(getattr(b, name)), rel=1e-6)
        for name in ("amplitude", "esn0_db", "cycles_per_symbol", "confidence"):
            assert getattr(a, name) == pytest.approx(getattr(b, name), rel=1e-6)


def test_shift_by_whole_samples(made, plain):
    assert_same(decode(made.samples[137:], RATE_HZ), plain, later_s=-137 / RATE_HZ, off=0.05)


def delayed(samples: np.ndarray, by: float) -> np.ndarray:
    """By a part of a sample, as a band-limited signal."""
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(len(samples)) * by)
    return np.fft.irfft(np.fft.rfft(samples) * turn, len(samples))


@pytest.mark.parametrize("part", [0.2, 0.35, 0.5, 0.65, 0.8])
def test_shift_by_a_part_of_a_sample(made, plain, part):
    assert_same(decode(delayed(made.samples, part), RATE_HZ), plain, later_s=part / RATE_HZ, off=0.05)


@pytest.mark.parametrize(("up", "down"), [(2, 1), (3, 2), (4, 5), (5, 3), (7, 4)])
def test_resampling(made, plain, up, down):
    """Samples that lie between the ideal points tell no other rate, to within what is stated."""
    from scipy.signal import resample_poly

    found = decode(resample_poly(made.samples, up, down), RATE_HZ * up / down)
    assert_same(found, plain, off=0.1)


def test_time_turned_round(made, plain):
    """Played backwards, the symbols come backwards."""
    found = decode(made.samples[::-1], RATE_HZ)
    end = (len(made.samples) - 1) / RATE_HZ
    assert len(found.bursts) == len(plain.bursts)
    for a, b in zip(found.bursts[::-1], plain.bursts, strict=True):
        backwards = b.symbols[::-1]
        assert a.symbols in (backwards, backwards.translate(str.maketrans("01", "10")))
        assert end - a.start_s == pytest.approx(b.end_s, abs=0.05 / b.symbol_rate_bd)
        assert end - a.end_s == pytest.approx(b.start_s, abs=0.05 / b.symbol_rate_bd)
        assert a.carrier_hz == pytest.approx(b.carrier_hz, abs=b.carrier_std_hz)


def test_spectrum_turned_round(made, plain):
    """Every second sample turned over: a carrier is mirrored at a quarter of the sample rate."""
    found = decode(made.samples * (-1.0) ** np.arange(len(made.samples)), RATE_HZ)
    assert [b.symbols for b in found.bursts] == [b.symbols for b in plain.bursts]
    for a, b in zip(found.bursts, plain.bursts, strict=True):
        assert a.carrier_hz == pytest.approx(RATE_HZ / 2 - b.carrier_hz, abs=b.carrier_std_hz)
        assert a.start_s == pytest.approx(b.start_s, abs=0.1 / b.symbol_rate_bd)


def quiet_places(made: Capture) -> list[int]:
    """The middles of the silences between bursts, as samples."""
    return [int((a.end_s + b.start_s) / 2.0 * RATE_HZ) for a, b in pairwise(made.bursts)]


def test_cut_into_segments_where_it_is_quiet(made, plain):
    """Each on a time axis of its own."""
    edges = [0, *quiet_places(made), len(made.samples)]
    parts = tuple((a, b, 1_000.0 * k) for k, (a, b) in enumerate(pairwise(edges)))
    found = decode(made.samples, RATE_HZ, segments=parts)
    assert [b.talker for b in found.bursts] == [b.talker for b in plain.bursts]
    for a, b, (first, _, start_s) in zip(found.bursts, plain.bursts, parts, strict=True):
        assert a.symbols == b.symbols
        assert a.start_s - start_s == pytest.approx(b.start_s - first / RATE_HZ, abs=0.05 / b.symbol_rate_bd)
        assert a.carrier_hz == pytest.approx(b.carrier_hz, abs=b.carrier_std_hz)
        assert a.esn0_db == pytest.approx(b.esn0_db, abs=1.0)


def symbols_of(bursts: tuple[Burst, ...]) -> list[str]:
    return [b.symbols for b in bursts]


@pytest.mark.long
def test_the_same_again_behind_itself(made, plain):
    """Twice the capture has twice the bursts, the second half as long after as the capture lasts."""
    twice = np.concatenate((made.samples, made.samples))
    found = decode(twice, RATE_HZ)
    assert symbols_of(found.bursts) == 2 * symbols_of(plain.bursts)
    lasts = len(made.samples) / RATE_HZ
    half = len(plain.bursts)
    for a, b in zip(found.bursts[:half], found.bursts[half:], strict=True):
        assert b.start_s - a.start_s == pytest.approx(lasts, abs=0.05 / a.symbol_rate_bd)
        assert a.talker == b.talker


def test_more_silence_on_either_side(made, plain):
    rng = np.random.default_rng(5)
    before, after = (rng.normal(0.0, made.sigma, n) for n in (3_000, 7_000))
    found = decode(np.concatenate((before, made.samples, after)), RATE_HZ)
    assert_same(found, plain, later_s=3_000 / RATE_HZ, off=0.05)


def test_a_little_more_noise(made, plain):
    """20 dB under the noise there is: nothing may hang by so thin a thread."""
    rng = np.random.default_rng(6)
    noisy = made.samples + rng.normal(0.0, 0.1 * made.sigma, len(made.samples))
    assert_same(decode(noisy, RATE_HZ), plain, off=0.1)
