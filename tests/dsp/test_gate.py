"""The cheap pass over long records: every burst let through, most of the silence skipped."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from generators.truths import RATE_HZ, capture, flat_floor, model_of, record_of, sigma_for

from dsp.decoder import decode
from dsp.errors import CancelledError
from dsp.extract import Model
from dsp.gate import spans_of
from dsp.noise import NoiseFloor
from dsp.source import Record, Watch
from dsp.synth import BurstSpec, random_symbols, transmissions

COUNT = 3 << 20


def long_record(
    *, cycles: float, esn0_db: float, length: int, bursts: int, draw: int, carrier_hz: float = 173_011.0
) -> tuple[Record, NoiseFloor, Model, list[BurstSpec]]:
    """Bursts all alike, spread at random over three million samples."""
    rng = np.random.default_rng(draw)
    rate = carrier_hz / cycles
    apart = COUNT / RATE_HZ / bursts
    made = []
    for k in range(bursts):
        at = apart * (k + rng.uniform(0.05, 0.9)) if k else 3.0 / rate
        text = random_symbols(length, rng, longest_run=6)
        made.append(BurstSpec(at, text, rate, carrier_hz, 1.0, rng.uniform(0, 6)))
    sigma = sigma_for(esn0_db, rate)
    samples = transmissions(made, RATE_HZ, COUNT).samples + rng.normal(0.0, sigma, COUNT)
    model = Model(carrier_hz, RATE_HZ / rate, gain=float(np.sqrt(2.0 * 10.0 ** (esn0_db / 10.0))))
    return record_of(samples.astype(np.float32)), flat_floor(sigma), model, made


def inside(spans: list[tuple[int, int]], burst: BurstSpec) -> bool:
    """Whether one span holds all of a burst, with a symbol of room on either side or the record's end."""
    room = RATE_HZ / burst.symbol_rate_bd
    low, high = burst.start_s * RATE_HZ - room, burst.end_s * RATE_HZ + room
    return any(a <= max(0.0, low) and min(high, COUNT) <= b for a, b in spans)


@pytest.mark.parametrize("cycles", [1.5, 6.3, 40.0])
@pytest.mark.parametrize("length", [12, 40])
def test_every_burst_at_6_db_is_let_through_and_most_of_silence_is_skipped(cycles, length):
    bursts = 40
    record, noise, model, made = long_record(cycles=cycles, esn0_db=6.0, length=length, bursts=bursts, draw=1)
    spans = spans_of(record, noise, model, 1.0, Watch())
    assert [b for b in made if not inside(spans, b)] == []
    active = sum(b.end_s - b.start_s for b in made) * RATE_HZ
    # ten symbols and a frame on either side of what may be as much as fourteen symbols off
    room = bursts * (2 * 24.0 * model.period + 4 * 2.0 * model.period)
    assert sum(b - a for a, b in spans) < active + room + COUNT / 50


@pytest.mark.parametrize("cycles", [1.5, 11.9, 40.0])
def test_little_silence_is_let_through_beside_strong_bursts(cycles):
    bursts = 60
    record, noise, model, made = long_record(cycles=cycles, esn0_db=14.0, length=30, bursts=bursts, draw=6)
    spans = spans_of(record, noise, model, 1.0, Watch())
    assert [b for b in made if not inside(spans, b)] == []
    active = sum(b.end_s - b.start_s for b in made) * RATE_HZ
    # ten symbols and a frame on either side, and the frames that are left out and cut: each no more than two symbols
    room = bursts * 2 * (10.0 + 3 * 2.0) * model.period
    assert sum(b - a for a, b in spans) < active + room + COUNT / 50


def test_a_weaker_one_close_to_strong_bursts_is_let_through_whole():
    """One of 9 dB close to each of 14 dB: what is cut off the silence about them must be part of neither."""
    record, noise, model, made = long_record(cycles=6.0, esn0_db=14.0, length=30, bursts=60, draw=7)
    weak = weaker(made, esn0_db=9.0, after_symbols=8.0, draw=8)
    spans = spans_of(with_also(record, weak), noise, model, 1.0, Watch())
    assert [b for b in [*made, *weak] if not inside(spans, b)] == []


def test_a_talker_much_weaker_than_others_is_not_passed_over():
    """Frames are left out where all that was met is strong; where most had to be, 4 of these 59 bursts of 7 dB were."""
    record, _, _, made = long_record(cycles=6.0, esn0_db=14.0, length=30, bursts=60, draw=22)
    weak = weaker(made, esn0_db=7.0, after_symbols=400.0, draw=22)
    found = decode(with_also(record, weak).source, RATE_HZ).bursts
    near = 5.0 / weak[0].symbol_rate_bd
    missed = [b for b in weak if not any(abs(f.start_s - b.start_s) < near for f in found)]
    assert len(missed) == 0


def weaker(made: list[BurstSpec], *, esn0_db: float, after_symbols: float, draw: int) -> list[BurstSpec]:
    """A burst of another talker after each of 14 dB but the last, where it meets none of them."""
    rng = np.random.default_rng(draw)
    out = [
        replace(
            b,
            start_s=b.end_s + after_symbols / b.symbol_rate_bd,
            carrier_hz=1.003 * b.carrier_hz,
            phase_rad=rng.uniform(0, 6),
            symbols=random_symbols(24, rng, longest_run=6),
            amplitude=b.amplitude * 10.0 ** ((esn0_db - 14.0) / 20.0),
        )
        for b in made[:-1]
    ]
    return [w for w in out if all(w.end_s < b.start_s or w.start_s > b.end_s for b in made)]


def with_also(record: Record, weak: list[BurstSpec]) -> Record:
    return record_of(record.source + transmissions(weak, RATE_HZ, COUNT).samples.astype(np.float32))


@pytest.mark.parametrize("cycles", [1.5, 11.9, 40.0])
def test_hardly_a_burst_at_2_db_is_held_back(cycles):
    """Fourteen symbols of 2 dB are worth about what lets silence through; noise found too high by a tenth takes more."""
    record, noise, model, made = long_record(cycles=cycles, esn0_db=2.0, length=30, bursts=80, draw=5)
    spans = spans_of(record, noise, model, 1.1, Watch())
    # if as much were asked of them as of others, 32 to 43 of the 80 would be
    assert len([b for b in made if not inside(spans, b)]) <= 6


@pytest.mark.parametrize("carrier_hz", [4_000.0, 60_000.0, 420_000.0])
def test_carriers_at_either_end_of_the_band(carrier_hz):
    record, noise, model, made = long_record(
        cycles=5.0, esn0_db=6.0, length=24, bursts=12, draw=2, carrier_hz=carrier_hz
    )
    spans = spans_of(record, noise, model, 1.0, Watch())
    assert [b for b in made if not inside(spans, b)] == []


@pytest.mark.parametrize("period", [20.0, 90.0, 700.0])
def test_silence_is_skipped(period):
    samples = np.random.default_rng(3).normal(0.0, 0.1, COUNT).astype(np.float32)
    model = Model(150_000.0, period)
    spans = spans_of(record_of(samples), flat_floor(0.1), model, 1.0, Watch())
    # the module's own word: noise passes once in some fifty stretches
    assert sum(b - a for a, b in spans) < COUNT / 50


@pytest.mark.parametrize("scale", [0.25, 4.0])
def test_the_noise_that_was_met_counts(scale):
    """A floor wrong by four times, which the transmissions have shown."""
    record, noise, model, made = long_record(cycles=6.3, esn0_db=6.0, length=24, bursts=20, draw=4)
    plain = spans_of(record, noise, model, 1.0, Watch())
    wrong = replace(noise, floor=noise.floor / scale)
    spans = spans_of(record, wrong, model, scale, Watch())
    assert [b for b in made if not inside(spans, b)] == []
    assert sum(b - a for a, b in spans) == pytest.approx(sum(b - a for a, b in plain), rel=0.02)


def test_spans_are_in_order_and_cross_no_segment():
    record, noise, model, made = long_record(cycles=6.3, esn0_db=12.0, length=40, bursts=30, draw=5)
    # one border within a burst, one in the middle of nowhere, and samples that belong to no segment
    cut = int((made[9].start_s + made[9].end_s) / 2.0 * RATE_HZ)
    edge = int((made[19].end_s + made[20].start_s) / 2.0 * RATE_HZ)
    parts = ((0, cut, 0.0), (cut, edge, 5.0), (edge + 700, COUNT, 9.0))
    samples = np.asarray(record.source)
    spans = spans_of(record_of(samples, RATE_HZ, parts), noise, model, 1.0, Watch())
    assert all(a < b for a, b in spans)
    assert all(one[1] <= other[0] for one, other in pairwise(spans))
    assert all(any(first <= a and b <= last for first, last, _ in parts) for a, b in spans)
    # both halves of the burst that is cut
    assert any(a < cut - 5 * model.period and b == cut for a, b in spans)
    assert any(a == cut and b > cut + 5 * model.period for a, b in spans)
    whole = [b for k, b in enumerate(made) if k != 9]
    assert [b for b in whole if not inside(spans, b)] == []


def test_a_short_record_is_looked_at_as_a_whole():
    made = capture((24, 24), 6)
    count = len(made.samples)
    noise, model = flat_floor(made.sigma), model_of(made)
    assert spans_of(made.record, noise, model, 1.0, Watch()) == [(0, count)]
    parts = ((0, 900, 0.0), (1_000, count, 1.0))
    record = record_of(made.samples, RATE_HZ, parts)
    assert spans_of(record, noise, model, 1.0, Watch()) == [(0, 900), (1_000, count)]


def test_progress_and_cancel():
    record, noise, model, _ = long_record(cycles=6.3, esn0_db=12.0, length=40, bursts=3, draw=7)
    heard: list[float] = []
    spans_of(record, noise, model, 1.0, Watch(heard.append))
    assert heard == sorted(heard)
    assert len(heard) > 1
    with pytest.raises(CancelledError):
        spans_of(record, noise, model, 1.0, Watch(None, lambda: True))
