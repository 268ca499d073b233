"""Several carriers of smooth reversals at once in a receiver's band: all of them are found, and nothing else."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from dsp.all_along import with_all_along
from dsp.look import looked_at
from dsp.noise import NoiseFloor, estimate_noise
from dsp.results import DecodeSettings
from dsp.source import Floats, Record, Watch, make_record
from dsp.unbroken import Unbroken, own_range

RATE_HZ = 8_000.0
SYMBOL_RATE_BD = 125.0
SECONDS = 3.0
WATCH = Watch()


def smooth(carrier_hz: float, begin_s: float, end_s: float, rng: np.random.Generator) -> Floats:
    """Samples of 125 Bd that are sent for a time, each reversal the half of a cosine from middle to middle."""
    t = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
    at = (t - begin_s) * SYMBOL_RATE_BD + 0.5
    count = round((end_s - begin_s) * SYMBOL_RATE_BD)
    signs = np.concatenate(([0.0], rng.choice((-1.0, 1.0), count), [0.0, 0.0]))
    number = np.floor(at).astype(np.int64)
    half = 0.5 * (1.0 + np.cos(np.pi * (at - number)))
    before, after = signs[np.clip(number, 0, count + 1)], signs[np.clip(number + 1, 0, count + 1)]
    envelope = np.where((number < 0) | (number > count), 0.0, half * before + (1.0 - half) * after)
    return np.asarray(envelope * np.cos(2.0 * np.pi * carrier_hz * t + rng.uniform(0.0, 2.0 * np.pi)))


def received(samples: Floats, esn0_db: float, rng: np.random.Generator, RATE_HZ: float = RATE_HZ) -> Floats:
    """The same with noise of this level for a carrier of amplitude one, through 200 to 2900 Hz."""
    energy = 0.375 * RATE_HZ / SYMBOL_RATE_BD
    noise = np.sqrt(energy / (2.0 * 10.0 ** (esn0_db / 10.0))) * rng.standard_normal(samples.size)
    band = butter(6, [200.0, 2_900.0], "band", fs=RATE_HZ, output="sos")
    return np.asarray(np.rint(2_000.0 * sosfilt(band, samples + noise)))


def _prepared(samples: Floats) -> tuple[Record, NoiseFloor]:
    record = looked_at(make_record(samples.astype(np.float32), RATE_HZ, 0.0, 1.0, 0.0, None))
    noise = estimate_noise(record)
    assert noise is not None
    return record, noise


def test_strong_smooth_carriers_close_together_are_each_found_as_they_are() -> None:
    rng = np.random.default_rng([1311, 0])
    carriers = (1_500.0, 2_240.0)
    spans = ((0.4, 2.5), (0.7, 2.5))
    sent = [
        size * smooth(carrier, *span, rng)
        for carrier, span, size in zip(carriers, spans, (0.55, 1.0), strict=True)
    ]
    record, noise = _prepared(received(np.sum(sent, axis=0), 28.5, rng))
    links = with_all_along(record, noise, (), DecodeSettings(), WATCH)
    assert len(links) == 2
    for link in links:
        number = int(np.argmin([abs(link.model.carrier_hz - carrier) for carrier in carriers]))
        assert link.model.carrier_hz == pytest.approx(carriers[number], abs=2.0)
        assert RATE_HZ / link.period.value == pytest.approx(SYMBOL_RATE_BD, rel=3e-3)
        begin_s, end_s = spans[number]
        counts = np.concatenate([talker.runs.count for talker in link.talkers])
        assert int(counts.sum()) == pytest.approx((end_s - begin_s) * SYMBOL_RATE_BD, abs=4)


def test_a_range_ends_half_way_to_what_is_seen_beside_it() -> None:
    rng = np.random.default_rng(1312)
    _, noise = _prepared(1_000.0 * rng.standard_normal(int(SECONDS * RATE_HZ)))
    one = Unbroken(1_000.0, 900.0, 1_100.0, 1.0, 200.0, 1.0)

    def beside(carrier_hz: float, power: float) -> Unbroken:
        return Unbroken(carrier_hz, carrier_hz - 100.0, carrier_hz + 100.0, 1.0, power, 1.0)

    far = own_range(noise, one)
    assert far[0] < 100.0
    assert far[1] > 3_900.0
    assert own_range(noise, one, [one, beside(1_800.0, 100.0)]) == (far[0], 1_400.0)
    assert own_range(noise, one, [beside(500.0, 2_000.0), beside(1_800.0, 100.0)]) == (750.0, 1_400.0)
    # sidelobes and parts of itself are no other
    assert own_range(noise, one, [beside(1_800.0, 10.0), beside(1_050.0, 150.0)]) == far
    # its own band belongs to it in any case
    assert own_range(noise, one, [beside(1_140.0, 100.0)]) == (far[0], 1_100.0)
