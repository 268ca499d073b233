"""Filters that transmissions and noise went through alike, made by scipy, undone again."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np
import pytest
from generators.long_runs import long_but
from generators.scoring import score
from generators.truths import record_of
from scipy.signal import butter, cheby1, sosfilt, sosfiltfilt, welch

from dsp.decoder import decode
from dsp.equalise import inverse_filters, may_be_filtered
from dsp.noise import estimate_noise
from dsp.synth import BurstSpec, random_symbols, transmissions

RATE_HZ = 1e6


def _sent(rng: np.random.Generator, rate_bd: float, carrier_hz: float, bursts: int = 8) -> list[BurstSpec]:
    now, out = 15.0 / rate_bd, []
    for _ in range(bursts):
        symbols = random_symbols(int(rng.integers(20, 120)), rng)
        out.append(BurstSpec(now, symbols, rate_bd, carrier_hz, 1.0, rng.uniform(0.0, 6.28)))
        now = out[-1].end_s + rng.uniform(8.0, 150.0) / rate_bd
    return out


def _drawn(rng: np.random.Generator) -> tuple[float, float, list[BurstSpec]]:
    """Symbol rate, carrier, and bursts of them."""
    rate_bd = rng.uniform(3e3, 30e3)
    carrier_hz = rate_bd * rng.uniform(2.0, 9.0)
    return rate_bd, carrier_hz, _sent(rng, rate_bd, carrier_hz)


def _noisy(sent: list[BurstSpec], rng: np.random.Generator, esn0_db: float = 14.0) -> np.ndarray:
    rate_bd = sent[0].symbol_rate_bd
    count = int((sent[-1].end_s + 20.0 / rate_bd) * RATE_HZ)
    sigma = float(np.sqrt(RATE_HZ / (4.0 * rate_bd) / 10.0 ** (esn0_db / 10.0)))
    return transmissions(sent, RATE_HZ, count).samples + rng.normal(0.0, sigma, count)


def _band(rate_bd: float, carrier_hz: float, reach: float, order: int) -> np.ndarray:
    low, high = carrier_hz - reach * rate_bd, carrier_hz + reach * rate_bd
    return butter(order, [max(low, 0.1 * carrier_hz), high], "band", output="sos", fs=RATE_HZ)


def _complaints(sent: list[BurstSpec], samples: np.ndarray) -> list[str]:
    """An end that noise has moved by one symbol left out: at 14 dB that is one in 1700, and of 32 bursts one is likely."""
    told = score(sent, asdict(decode(samples, RATE_HZ)))
    return [text for text in told.complaints() if " +1 symbols" not in text and " -1 symbols" not in text]


@pytest.mark.parametrize("draw", long_but(0, 1, of=range(6)))
def test_what_went_through_a_band_pass_with_the_noise_is_decoded(draw):
    """A filter of real parts, 0.8 to 1.8 symbol rates to either side of the carrier."""
    rng = np.random.default_rng([11, draw])
    rate_bd, carrier_hz, sent = _drawn(rng)
    line = sosfilt(
        _band(rate_bd, carrier_hz, rng.uniform(0.8, 1.8), int(rng.integers(1, 4))), _noisy(sent, rng)
    )
    assert _complaints(sent, line) == []


@pytest.mark.parametrize("draw", long_but(0, 1, of=range(4)))
def test_what_went_through_a_filter_of_equal_delay_is_decoded_where_it_is(draw):
    """Forwards and backwards, as computers filter: the decoded flips are not moved by it."""
    rng = np.random.default_rng([12, draw])
    rate_bd, carrier_hz, sent = _drawn(rng)
    line = sosfiltfilt(
        _band(rate_bd, carrier_hz, rng.uniform(0.9, 1.8), int(rng.integers(1, 3))), _noisy(sent, rng)
    )
    assert _complaints(sent, line) == []
    told = decode(line, RATE_HZ).bursts
    off = [b.first_symbol_s - s.start_s for b, s in zip(told, sent, strict=True)]
    assert np.median(np.abs(off)) * rate_bd < 0.1


def test_es_n0_is_that_before_the_filter():
    """Energy that a filter takes off the edges of the band is in what its inverse gives back, for signal and noise alike."""
    rng = np.random.default_rng(13)
    sent = _sent(rng, 10e3, 65e3, bursts=16)
    line = sosfilt(_band(10e3, 65e3, 0.9, 2), _noisy(sent, rng))
    found = decode(line, RATE_HZ)
    assert "before it" in found.signalling.reasons[-1]
    # and so is the amplitude, in the unit of the samples
    assert np.mean([b.amplitude for b in found.bursts]) == pytest.approx(1.0, rel=0.05)
    told = [b.esn0_db for b in found.bursts]
    assert np.mean(told) == pytest.approx(14.0, abs=0.8)


@pytest.mark.parametrize("filter_sos", [
    butter(3, [52e3, 78e3], "band", output="sos", fs=RATE_HZ),
    butter(4, 90e3, output="sos", fs=RATE_HZ),
    cheby1(3, 1.0, [50e3, 80e3], "band", output="sos", fs=RATE_HZ),
])  # fmt: skip
def test_noise_is_white_again_and_flips_are_where_they_were(filter_sos):
    """The least delay undoes a filter of real parts (Oppenheim and Schafer 2010, section 5.6)."""
    rng = np.random.default_rng(14)
    sent = _sent(rng, 10e3, 65e3)
    clean = _noisy(sent, rng, esn0_db=14.0)
    record = record_of(sosfilt(filter_sos, clean), RATE_HZ)
    least, _ = inverse_filters(record, estimate_noise(record))
    again = least.of(record).read_centred(0, clean.size)
    quiet = again[int((sent[2].end_s + 3e-4) * RATE_HZ) : int((sent[3].start_s - 1e-4) * RATE_HZ)]
    hz, power = welch(quiet, RATE_HZ, nperseg=256)
    inside = (hz > 20e3) & (hz < 470e3)
    assert power[inside].max() / power[inside].min() < 12.0
    # the waveform is that before the filter, as far as it let any through, and not delayed
    lags = np.arange(-200, 201)
    band = butter(2, [58e3, 72e3], "band", output="sos", fs=RATE_HZ)
    a, b = sosfiltfilt(band, again.astype(float)), sosfiltfilt(band, clean)
    across = np.array([a[300 + k : a.size - 300 + k] @ b[300:-300] for k in lags])
    assert abs(lags[np.argmax(across)]) <= 2
    assert across.max() / np.sqrt((a @ a) * (b @ b)) > 0.97


def test_samples_are_the_same_however_they_are_read_and_ends_do_not_click():
    rng = np.random.default_rng(15)
    line = sosfilt(butter(3, [52e3, 78e3], "band", output="sos", fs=RATE_HZ), rng.normal(size=200_000))[1000:]
    record = record_of(line, RATE_HZ)
    for source in (one.of(record).source for one in inverse_filters(record, estimate_noise(record))):
        whole = source[:]
        assert whole.size == len(source) == line.size
        for a, b in ((0, 10), (65_530, 65_550), (131_000, 199_000), (198_990, 199_000), (7, 7)):
            np.testing.assert_array_equal(source[a:b], whole[a:b])
        usual = float(np.std(whole[5_000:-5_000]))
        assert np.abs(whole[:50]).max() < 6.0 * usual
        assert np.abs(whole[-50:]).max() < 6.0 * usual


def test_a_flat_floor_was_through_no_filter():
    rng = np.random.default_rng(16)
    sent = _sent(rng, 10e3, 65e3)
    record = record_of(_noisy(sent, rng), RATE_HZ)
    assert inverse_filters(record, estimate_noise(record)) == []


@pytest.mark.parametrize("phases", [2, 4])
def test_a_floor_that_is_sent_all_the_time_was_through_no_filter(phases):
    rng = np.random.default_rng(17)
    turn = np.repeat(rng.integers(0, phases, 1200), 67) * 2.0 * np.pi / phases
    sent = np.cos(2.0 * np.pi * 0.078 * np.arange(turn.size) + turn)
    record = record_of(sent + rng.normal(0.0, 0.22, turn.size), RATE_HZ)
    noise = estimate_noise(record)
    assert may_be_filtered(noise)
    assert inverse_filters(record, noise) == []
