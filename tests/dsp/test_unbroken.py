"""What is sent all the time in noise that fills only a part of the spectrum: telemetry through a receiver's audio band."""

from __future__ import annotations

import numpy as np
import pytest
from generators.long_runs import long_but
from scipy.signal import butter, sosfilt

from dsp.decoder import decode
from dsp.look import looked_at
from dsp.noise import estimate_noise
from dsp.source import Floats, make_record
from dsp.unbroken import Unbroken, unbroken

RATE_HZ = 24_000.0
SYMBOL_RATE_BD = 1_200.0
CARRIER_HZ = 1_900.0
SYMBOLS = 2_000


def _band(samples: Floats, low_hz: float = 700.0, high_hz: float = 3_100.0, order: int = 3) -> Floats:
    return np.asarray(sosfilt(butter(order, [low_hz, high_hz], "band", fs=RATE_HZ, output="sos"), samples))


def telemetry(draw: int, esn0_db: float, *, shaped: bool) -> tuple[Floats, Floats, str]:
    """Symbols from end to end, their carrier moving by 20 Hz a second, and noise, both through one band-pass.

    Returns the samples, the noise in them, and the symbols. Pulses are rectangles, or raised cosines in frequency
    (roll-off 0.5).
    """
    rng = np.random.default_rng([1200, draw])
    per = RATE_HZ / SYMBOL_RATE_BD
    count = int(SYMBOLS * per)
    signs = rng.choice((-1.0, 1.0), SYMBOLS)
    if shaped:
        impulses = np.zeros(count)
        impulses[(np.arange(SYMBOLS) * per + per / 2.0).astype(int)] = signs
        at = np.fft.rfftfreq(count, 1.0 / RATE_HZ) / SYMBOL_RATE_BD
        shape = np.where(
            at < 0.25, 1.0, np.where(at < 0.75, 0.5 + 0.5 * np.cos(2.0 * np.pi * (at - 0.25)), 0.0)
        )
        envelope = np.fft.irfft(np.fft.rfft(impulses) * shape, count) * per
    else:
        envelope = np.repeat(signs, int(per))
    t = np.arange(count) / RATE_HZ
    sent = envelope * np.cos(2.0 * np.pi * (CARRIER_HZ + 10.0 * t) * t + rng.uniform(0.0, 6.28))
    deviation = np.sqrt(float(np.mean(sent**2)) * per / (2.0 * 10.0 ** (esn0_db / 10.0)))
    noise = _band(deviation * rng.standard_normal(count))
    return _band(sent) + noise, noise, "".join("1" if s > 0.0 else "0" for s in signs)


def _seen(samples: Floats) -> list[Unbroken]:
    record = looked_at(make_record(samples.astype(np.float32), RATE_HZ, 0.0, 1.0, 0.0, None))
    noise = estimate_noise(record)
    assert noise is not None
    return unbroken(record, noise)


@pytest.mark.parametrize(("draw", "shaped"), long_but(1, of=[(0, False), (0, True), (1, False), (1, True)]))
def test_telemetry_in_a_receivers_band_is_decoded(draw: int, shaped: bool) -> None:
    samples, _, sent = telemetry(draw, 13.0, shaped=shaped)
    decoded = decode(np.rint(samples * 6_000.0).astype(np.int16), RATE_HZ)
    assert decoded.signalling.kind == "bpsk"
    right = wrong = 0
    for burst in decoded.bursts:
        assert burst.symbol_rate_bd == pytest.approx(SYMBOL_RATE_BD, rel=1e-3)
        size = len(burst.symbols)
        # the filter delays by less than a symbol; which phase is which is open
        first = round(burst.first_symbol_s * SYMBOL_RATE_BD)
        differ = []
        for off in (first - 1, first, first + 1):
            truth = sent[max(0, off) : off + size]
            mine = burst.symbols[max(0, -off) :][: len(truth)]
            count = sum(a != b for a, b in zip(mine, truth, strict=True))
            differ.append(min(count, size - count))
        right, wrong = right + size, wrong + min(differ)
    # where one lot of samples ends a pair of symbols may be left out
    assert SYMBOLS - 6 <= right <= SYMBOLS + 2
    # at 13 dB a symbol is wrong in 10^9, but its pulse reaches into the next, and ends are on-off decisions
    assert wrong <= 4


@pytest.mark.parametrize("draw", range(4))
def test_noise_in_the_band_is_told_by_the_axis(draw: int) -> None:
    samples, noise, _ = telemetry(10 + draw, 9.0, shaped=bool(draw % 2))
    mine = max(_seen(samples), key=lambda one: one.weight)
    assert abs(mine.carrier_hz - CARRIER_HZ) < 60.0
    spectrum = np.abs(np.fft.rfft(noise)) ** 2 * 2.0 / (RATE_HZ * noise.size)
    hz = np.fft.rfftfreq(noise.size, 1.0 / RATE_HZ)
    density = float(spectrum[np.abs(hz - CARRIER_HZ) < 600.0].mean())
    # what turns within a look, and pulses the filter has made lopsided, count as noise
    assert 0.5 < mine.density / density < 2.0


@pytest.mark.parametrize("draw", range(12))
def test_no_axis_is_seen_in_noise_that_a_filter_has_shaped(draw: int) -> None:
    rng = np.random.default_rng([1201, draw])
    low = rng.uniform(100.0, 6_000.0)
    noise = _band(
        rng.standard_normal(60_000), low, low + rng.uniform(300.0, 4_000.0), int(rng.integers(1, 7))
    )
    assert not _seen(noise)


def test_audio_on_a_suppressed_carrier_is_not_taken_for_symbols() -> None:
    rng = np.random.default_rng(1202)
    audio = sosfilt(butter(2, 400.0, fs=RATE_HZ, output="sos"), rng.standard_normal(60_000))
    t = np.arange(audio.size) / RATE_HZ
    samples = _band(audio * np.cos(2.0 * np.pi * CARRIER_HZ * t) + 0.02 * rng.standard_normal(audio.size))
    assert not any(abs(one.carrier_hz - CARRIER_HZ) < 100.0 for one in _seen(samples))
