"""Several transmissions that go on all the time, side by side or beside audio."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from dsp.all_along import has_hump, with_all_along
from dsp.at_once import is_of, without_links
from dsp.bpsk import find_links
from dsp.decoder import decode
from dsp.look import looked_at
from dsp.noise import NoiseFloor, estimate_noise
from dsp.one_band import by_itself
from dsp.outcome import Link
from dsp.results import Decode, DecodeSettings
from dsp.source import Floats, Record, Watch, make_record
from dsp.unbroken import Unbroken, all_unbroken

RATE_HZ = 8_000.0
SYMBOL_RATE_BD = 125.0
SECONDS = 4.0
WATCH = Watch()


def smooth(carrier_hz: float, amplitude: float, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Signs and samples of 125 Bd through the whole record, each reversal the half of a cosine from middle to middle."""
    count = int(SECONDS * SYMBOL_RATE_BD)
    signs = rng.choice((-1.0, 1.0), count + 2)
    t = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
    at = t * SYMBOL_RATE_BD + 0.5
    number = at.astype(np.int64)
    half = 0.5 * (1.0 + np.cos(np.pi * (at - number)))
    envelope = half * signs[number] + (1.0 - half) * signs[number + 1]
    wave = np.cos(2.0 * np.pi * carrier_hz * t + rng.uniform(0.0, 2.0 * np.pi))
    return signs[1:-1], amplitude * envelope * wave


def in_a_receiver(samples: Floats, esn0_db: float, rng: np.random.Generator) -> Floats:
    """The same with noise of this level for a carrier of amplitude one, in whole numbers, through 200 to 2900 Hz."""
    energy = 0.375 * RATE_HZ / SYMBOL_RATE_BD
    noise = np.sqrt(energy / (2.0 * 10.0 ** (esn0_db / 10.0))) * rng.standard_normal(samples.size)
    band = butter(4, [200.0, 2_900.0], "band", fs=RATE_HZ, output="sos")
    return np.asarray(np.rint(2_000.0 * sosfilt(band, samples + noise)))


def wrong_of(decoded: Decode, carrier_hz: float, signs: Floats) -> tuple[int, int]:
    """Symbols told on a carrier, and wrong reversals between them."""
    told = wrong = 0
    for burst in decoded.bursts:
        if burst.carrier_hz is None or abs(burst.carrier_hz - carrier_hz) > 10.0:
            continue
        assert burst.symbol_rate_bd == pytest.approx(SYMBOL_RATE_BD, rel=3e-3)
        mine = np.array([1.0 if s == "1" else -1.0 for s in burst.symbols])
        first = round(burst.first_symbol_s * SYMBOL_RATE_BD)
        fewest = mine.size
        for off in (first - 1, first, first + 1):
            low, high = max(0, off), min(signs.size, off + mine.size)
            same = mine[low - off : high - off] * signs[low:high]
            fewest = min(fewest, int(np.sum(same[1:] != same[:-1])))
        told, wrong = told + mine.size, wrong + fewest
    return told, wrong


@pytest.mark.long
def test_carriers_that_never_pause_are_found_side_by_side() -> None:
    # three draws were seen to pass; half a minute each is enough for one
    rng = np.random.default_rng([1300, 0])
    carriers = (620.0 + rng.uniform(-40.0, 40.0), 1_310.0, 2_240.0 + rng.uniform(-40.0, 40.0))
    sent = [smooth(carrier, size, rng) for carrier, size in zip(carriers, (1.0, 0.8, 1.6), strict=True)]
    samples = in_a_receiver(np.sum([wave for _, wave in sent], axis=0), 17.0, rng)
    decoded = decode(samples.astype(np.int16), RATE_HZ)
    for carrier, (signs, _) in zip(carriers, sent, strict=True):
        told, wrong = wrong_of(decoded, carrier, signs)
        assert abs(told - signs.size) <= 3
        # smooth pulses lie half in their neighbours, and ends are on-off decisions
        assert wrong <= 4
    assert all(min(abs(b.carrier_hz - carrier) for carrier in carriers) < 10.0 for b in decoded.bursts)


def _prepared(samples: Floats, rate_hz: float = RATE_HZ) -> tuple[Record, NoiseFloor]:
    record = looked_at(make_record(samples.astype(np.float32), rate_hz, 0.0, 1.0, 0.0, None))
    noise = estimate_noise(record)
    assert noise is not None
    return record, noise


@pytest.mark.long
def test_data_beside_audio_are_found() -> None:
    # a frequency-modulated broadcast, slowed down sixteen times: audio, the difference of its channels on a suppressed
    # carrier, and data on three halves of that
    rng = np.random.default_rng(1301)
    rate_hz, data_hz, data_bd = 12_000.0, 3_562.5, 148.4375
    t = np.arange(int(3.0 * rate_hz)) / rate_hz
    band = butter(4, 900.0, fs=rate_hz, output="sos")
    left, right = (sosfilt(band, rng.standard_normal(t.size)) for _ in range(2))
    signs = rng.choice((-1.0, 1.0), int(3.0 * data_bd) + 1)
    smoothed = sosfilt(butter(3, 1.2 * data_bd, fs=rate_hz, output="sos"), signs[(t * data_bd).astype(int)])
    samples = left + right + (left - right) * np.cos(2.0 * np.pi * 2_375.0 * t)
    samples += 0.12 * smoothed * np.cos(2.0 * np.pi * data_hz * t + 0.4) + 0.02 * rng.standard_normal(t.size)
    decoded = decode(np.rint(5_000.0 * samples).astype(np.int16), rate_hz)
    told = 0
    for burst in decoded.bursts:
        assert burst.carrier_hz == pytest.approx(data_hz, abs=5.0)
        assert burst.symbol_rate_bd == pytest.approx(data_bd, rel=2e-3)
        told += len(burst.symbols)
    assert 0.98 * signs.size < told <= signs.size + 2


def _at(record: Record, carrier_hz: float) -> Unbroken:
    return max(
        (one for one in all_unbroken(record) if abs(one.carrier_hz - carrier_hz) < 5.0),
        key=lambda one: one.weight,
    )


def _known(record: Record, noise: NoiseFloor, carrier_hz: float) -> Link:
    alone = by_itself(record, noise, _at(record, carrier_hz))
    return max(find_links(*alone, DecodeSettings(), WATCH, likeliest=True).links, key=lambda link: link.nats)


def test_only_a_floor_with_a_hump_beside_the_links_asks_for_more() -> None:
    rng = np.random.default_rng(1302)
    _, wave = smooth(1_310.0, 1.0, rng)
    quiet = 0.3 * rng.standard_normal(wave.size)
    record, noise = _prepared(2_000.0 * (wave + quiet))
    link = _known(record, noise, 1_310.0)
    assert has_hump(record, noise, [])
    assert not has_hump(record, noise, [link])
    assert not has_hump(*_prepared(2_000.0 * quiet), [])
    _, other = smooth(2_240.0, 1.0, rng)
    assert has_hump(*_prepared(2_000.0 * (wave + other + quiet)), [link])


def test_what_is_left_of_a_link_is_no_other_one() -> None:
    rng = np.random.default_rng(1303)
    _, wave = smooth(1_310.0, 1.0, rng)
    record, noise = _prepared(2_000.0 * (wave + 0.4 * rng.standard_normal(wave.size)))
    link = _known(record, noise, 1_310.0)
    # rectangles were taken off smooth symbols: 19 % of the power of reversals that follow each other is left
    rest = without_links(record, [link])
    assert any(abs(one.carrier_hz - 1_310.0) > 100.0 for one in all_unbroken(rest))
    assert with_all_along(record, noise, [link], DecodeSettings(), WATCH) == (link,)


def test_links_that_go_on_throughout_are_told_apart_by_their_reversals() -> None:
    rng = np.random.default_rng(1304)
    lines = []
    for carrier_hz in (1_310.0, 2_240.0):
        _, wave = smooth(carrier_hz, 1.0, rng)
        record, noise = _prepared(2_000.0 * (wave + 0.4 * rng.standard_normal(wave.size)))
        lines.append(_known(record, noise, carrier_hz))
    one, two = lines
    assert not is_of(record, one, two)
    # the same symbols on another carrier are its harmonic, or its image
    moved = replace(one, model=replace(one.model, carrier_hz=3_000.0))
    assert is_of(record, moved, one)
    # and so is one of half the symbol rate three half symbol rates aside
    aside = replace(
        two,
        model=replace(two.model, carrier_hz=one.model.carrier_hz + 3.5 * SYMBOL_RATE_BD),
        period=replace(two.period, value=2.0 * one.period.value),
    )
    assert is_of(record, aside, one)


def test_a_band_by_itself_is_in_white_noise() -> None:
    rng = np.random.default_rng(1305)
    _, wave = smooth(1_310.0, 1.0, rng)
    _, other = smooth(2_240.0, 6.0, rng)
    record, noise = _prepared(2_000.0 * (wave + other + 0.3 * rng.standard_normal(wave.size)))
    one = _at(record, 1_310.0)
    alone, told = by_itself(record, noise, one)
    length = len(alone.stretches[0])
    power = np.abs(np.fft.rfft(alone.read_centred(0, length))) ** 2 * 2.0 / (RATE_HZ * length)
    before = np.abs(np.fft.rfft(record.read_centred(0, length))) ** 2 * 2.0 / (RATE_HZ * length)
    hz = np.fft.rfftfreq(length, 1.0 / RATE_HZ)
    own, its = np.abs(hz - 1_310.0) < 60.0, np.abs(hz - 2_240.0) < 100.0
    assert float(power[own].sum()) == pytest.approx(float(before[own].sum()), rel=0.02)
    # noise of the density within the band has taken the other's place
    assert float(power[its].mean()) == pytest.approx(float(one.density), rel=0.2)
    assert float(before[its].mean()) > 50.0 * one.density
    assert float(told.density(2_240.0)) == pytest.approx(one.density, rel=0.05)
