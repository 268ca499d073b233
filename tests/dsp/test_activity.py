"""Boxes of energy: none in noise, all of it where something is sent, and the filters before them."""

from __future__ import annotations

import numpy as np
import pytest
from generators.truths import RATE_HZ, capture, flat_floor, record_of

from dsp.activity import (
    BLOCK,
    Active,
    blocks_of,
    filtered,
    find_activity,
    found_nats,
    weights,
    whitened,
)
from dsp.boxes import _live, _live_cells, ratio_of
from dsp.errors import CancelledError
from dsp.noise import NoiseFloor, estimate_noise
from dsp.source import Watch


def found_in(samples: np.ndarray, noise: NoiseFloor | None = None, **options: float) -> list[Active]:
    record = record_of(samples)
    noise = noise or estimate_noise(record)
    return find_activity(record, noise, Watch(), **options)


@pytest.mark.parametrize("count", [1, 2, 3, 100, 4_099])
def test_a_filter_that_passes_all_changes_nothing(count):
    samples = np.random.default_rng(1).normal(size=count) + 24.0
    np.testing.assert_allclose(filtered(samples, RATE_HZ, np.ones_like), samples, atol=1e-10)


def test_a_filter_is_linear_keeps_the_phase_and_knows_frequencies():
    count, place = 8_000, np.arange(8_000)
    low, high = np.cos(0.2 * place + 0.7), np.cos(1.9 * place - 0.4)

    def gain(hz: np.ndarray) -> np.ndarray:
        return np.where(hz < RATE_HZ / 8.0, 0.25, 3.0)

    out = filtered(2.0 * low + high, RATE_HZ, gain)
    parts = 2.0 * filtered(low, RATE_HZ, gain) + filtered(high, RATE_HZ, gain)
    np.testing.assert_allclose(out, parts, atol=1e-9)
    inside = slice(500, count - 500)
    np.testing.assert_allclose(out[inside], (0.5 * low + 3.0 * high)[inside], atol=0.02)


def test_neither_end_sees_the_other():
    samples = np.zeros(6_000)
    samples[:50] = 1e6
    out = filtered(samples, RATE_HZ, lambda hz: np.exp(-hz / 3e5))
    assert np.abs(out[-100:]).max() < 1e-3 * 1e6


@pytest.mark.parametrize("count", [500, 2_700, 9_000])
def test_whitening_leaves_no_level_in_few_samples(count):
    """Reflected about its first sample, noise goes on at another level, which is part of the whole that is taken out."""
    hz = np.linspace(0.0, RATE_HZ / 2.0, 65)
    for draw in range(20):
        samples = np.random.default_rng(draw).normal(size=count)
        samples[[0, -1]] = 3.0
        noise = NoiseFloor(RATE_HZ, hz, (2.0 + np.cos(hz / 3e4)) / RATE_HZ, hz, np.ones(65))
        white = whitened(record_of(samples), noise, 0, count)
        # a Hann frame shows a level in its first bin, a quarter of it by power, where noise has a mean power of one
        assert float(white.mean()) ** 2 * 64 / 6.0 < 0.1


def test_whitening_gives_unit_variance_at_every_frequency():
    from scipy.signal import lfilter

    rng = np.random.default_rng(2)
    coloured = 5.0 * lfilter([1.0], [1.0, -0.7], rng.normal(size=40_000)) + 24.0
    record = record_of(coloured)
    white = whitened(record, estimate_noise(record), 0, 40_000)
    spectrum = np.abs(np.fft.rfft(white)) ** 2 / white.size
    bands = [float(part.mean()) for part in np.array_split(spectrum[800:-800], 8)]
    assert bands == pytest.approx([1.0] * 8, rel=0.25)


def test_whitening_takes_steady_lines_out():
    place = np.arange(40_000)
    samples = np.random.default_rng(3).normal(size=40_000) + 3.0 * np.sin(0.9 * place)
    record = record_of(samples)
    white = whitened(record, estimate_noise(record), 0, 40_000)
    left = 2.0 * np.abs(np.mean(white * np.exp(-0.9j * place)))
    assert left < 0.15


@pytest.mark.parametrize("frame", [16, 32, 64, 256, 1024])
def test_a_gentle_floor_is_told_by_the_weights_of_spectra(frame):
    """Noise with a narrow hump: what a frame gathers of it is spread by its window, and has a mean of one again."""
    hz = np.linspace(0.0, RATE_HZ / 2.0, 2049)
    hump = 1.0 + 7.0 * np.exp(-(((hz - 0.2 * RATE_HZ) / (0.006 * RATE_HZ)) ** 2))
    noise = NoiseFloor(RATE_HZ, hz, hump * 2.0 / RATE_HZ, hz, np.ones(2049))
    assert noise.gentle
    assert not noise.even
    count = 1 << 19
    spectrum = np.fft.rfft(np.random.default_rng(9).normal(size=count))
    spectrum *= np.sqrt(noise.density(np.fft.rfftfreq(count, 1.0 / RATE_HZ)) * RATE_HZ / 2.0)
    white = whitened(record_of(np.fft.irfft(spectrum)), noise, 0, count)
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(frame) / frame)
    frames = white[: count // frame * frame].reshape(-1, frame) * window
    power = np.abs(np.fft.rfft(frames, axis=1)) ** 2 / np.sum(window**2)
    bins = np.arange(2, frame // 2)
    told = power.mean(axis=0)[bins] * weights(noise, frame, bins)
    # exponential ordinates: six deviations of the mean of so many
    assert told == pytest.approx(np.ones(bins.size), abs=6.0 / np.sqrt(len(frames)))


def test_a_flat_floor_and_a_filtered_one_need_no_weights():
    hz = np.linspace(0.0, RATE_HZ / 2.0, 65)
    for floor in (np.ones(65), np.where(hz > 0.25 * RATE_HZ, 20.0, 1.0)):
        noise = NoiseFloor(RATE_HZ, hz, floor, hz, np.ones(65))
        assert weights(noise, 64, np.arange(2, 32)) is None


@pytest.mark.parametrize("draw", [10, 11, 12])
def test_nothing_is_found_in_noise(draw):
    assert found_in(np.random.default_rng(draw).normal(0.0, 0.2, 40_000)) == []


def test_nothing_is_found_in_noise_with_a_steady_tone():
    place = np.arange(40_000)
    assert found_in(np.random.default_rng(4).normal(size=40_000) + 2.0 * np.sin(0.5 * place)) == []


# carrier, cycles a symbol: octave 0 is the upper half of the band, octave 1 the quarter below, and so on
@pytest.mark.parametrize(
    ("carrier_hz", "cycles", "octave"), [(310e3, 12.0, 0), (173e3, 6.3, 1), (43e3, 5.0, 3)]
)
def test_a_burst_is_found_where_it_is(carrier_hz, cycles, octave):
    made = capture((40,), 5, carrier_hz=carrier_hz, cycles=cycles, esn0_db=14.0, lead_symbols=60.0)
    burst = made.bursts[0]
    actives = [a for a in found_in(made.samples) if a.octave == octave]
    assert len(actives) == 1
    best = actives[0].best
    assert best.low_hz <= carrier_hz <= best.high_hz
    assert best.nats > found_nats(len(made.samples))
    period, length = RATE_HZ / burst.symbol_rate_bd, (burst.end_s - burst.start_s) * RATE_HZ
    assert actives[0].start < burst.start_s * RATE_HZ + period
    assert actives[0].stop > burst.end_s * RATE_HZ - period
    # boxes grow by doubling: the most telling one is of the burst's size and holds most of it
    assert 0.5 * length < best.stop - best.start < 2.5 * length
    shared = min(best.stop, burst.end_s * RATE_HZ) - max(best.start, burst.start_s * RATE_HZ)
    assert shared > 0.5 * length


@pytest.mark.parametrize("at_the_end", [False, True])
def test_a_burst_cut_by_an_end_is_found(at_the_end):
    made = capture((60,), 6, esn0_db=14.0)
    middle = int((made.bursts[0].start_s + made.bursts[0].end_s) / 2.0 * RATE_HZ)
    samples = made.samples[:middle] if at_the_end else made.samples[middle:]
    actives = found_in(samples, flat_floor(made.sigma))
    assert any(a.stop > len(samples) - 100 if at_the_end else a.start < 100 for a in actives)
    assert all(0 <= a.start < a.stop <= len(samples) for a in actives)


def test_nothing_reaches_across_segments():
    made = capture((40, 40), 7, gap_symbols=1.0, esn0_db=18.0)
    edge = int(made.bursts[0].end_s * RATE_HZ)
    parts = ((0, edge, 0.0), (edge, len(made.samples), 9.0))
    record = record_of(made.samples, RATE_HZ, parts)
    actives = find_activity(record, flat_floor(made.sigma), Watch())
    assert any(a.stop <= edge for a in actives)
    assert any(a.start >= edge for a in actives)
    assert all(a.stop <= edge or a.start >= edge for a in actives)


def test_a_lower_threshold_finds_no_less():
    made = capture((20, 20), 8, esn0_db=11.0)
    floor = flat_floor(made.sigma)

    def covered(threshold: float) -> np.ndarray:
        mask = np.zeros(len(made.samples), bool)
        for active in found_in(made.samples, floor, threshold_nats=threshold):
            mask[active.start : active.stop] = True
        return mask

    few, more = covered(120.0), covered(30.0)
    assert few.any()
    assert np.all(more[few])
    assert more.sum() > few.sum()


def test_found_in_time_order_with_progress_and_cancel():
    made = capture((30, 30, 30), 9)
    record, floor = made.record, flat_floor(made.sigma)
    heard: list[float] = []
    actives = find_activity(record, floor, Watch(heard.append))
    assert [a.start for a in actives] == sorted(a.start for a in actives)
    assert heard == sorted(heard)
    assert heard
    with pytest.raises(CancelledError):
        find_activity(record, floor, Watch(None, lambda: True))


@pytest.mark.parametrize("nats", [1e-3, 0.3, 4.0, 60.0])
def test_ratio_of_is_where_the_likelihood_is_reached(nats):
    ratio = ratio_of(nats)
    assert ratio > 1.0
    assert ratio - 1.0 - np.log(ratio) == pytest.approx(nats, rel=1e-6)


def test_blocks_are_all_of_the_record_and_cross_no_segment():
    parts = ((0, 10, 0.0), (10, BLOCK + 500, 1.0), (BLOCK + 700, 3 * BLOCK, 2.0))
    record = record_of(np.zeros(3 * BLOCK, np.int8), RATE_HZ, parts)
    blocks = blocks_of(record)
    covered = [k for first, last, _ in parts for k in (first, last)]
    assert sum(b - a for a, b in blocks) == sum(last - first for first, last, _ in parts)
    assert all(0 < b - a <= BLOCK for a, b in blocks)
    assert set(covered) <= {k for block in blocks for k in block}
    assert all(any(first <= a < b <= last for first, last, _ in parts) for a, b in blocks)


def test_only_the_blocks_asked_for_are_looked_at():
    made = capture((40, 40, 40), 14, gap_symbols=60.0)
    record, floor = made.record, flat_floor(made.sigma)
    second = made.bursts[1]
    block = (int(second.start_s * RATE_HZ) - 500, int(second.end_s * RATE_HZ) + 500)
    actives = find_activity(record, floor, Watch(), blocks=[block])
    assert any(a.octave == 1 for a in actives)
    assert all(block[0] <= a.start < a.stop <= block[1] for a in actives)


def test_what_is_covered_is_silent():
    made = capture((40, 40, 40), 15, gap_symbols=60.0)
    record, floor = made.record, flat_floor(made.sigma)
    spans = np.array([(b.start_s * RATE_HZ, b.end_s * RATE_HZ) for b in made.bursts])
    assert find_activity(record, floor, Watch(), covered=spans) == []
    low, high = spans[1]
    actives = find_activity(record, floor, Watch(), covered=spans[[0, 2]])
    assert actives
    assert all(low - 200 < (a.best.start + a.best.stop) / 2.0 < high + 200 for a in actives)


@pytest.mark.parametrize("size", [4096, 4111])
@pytest.mark.parametrize("frame", [16, 64])
def test_frames_that_are_not_silent_are_found(size, frame):
    white = np.random.default_rng(4).standard_normal(size).astype(np.float32)
    white[100:700] = white[1500:3901] = 0.0
    frames = np.lib.stride_tricks.sliding_window_view(white, frame)[:: frame // 2]
    found = _live(_live_cells(white), size, frame)
    assert np.array_equal(found, np.flatnonzero((frames != 0.0).any(axis=1)))
