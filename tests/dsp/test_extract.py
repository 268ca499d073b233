"""All transmissions of a known carrier and period, and none where there is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from generators.truths import RATE_HZ, Capture, capture, flat_floor, record_of, region_of, same_or_opposite

from dsp.burstfit import Region
from dsp.discover import Model
from dsp.errors import CancelledError
from dsp.extract import Found, extract, extract_region, regions_of
from dsp.segment import Piece
from dsp.source import Watch


def piece_of(start: float, stop: float) -> Piece:
    return Piece(int(start), int(stop), 140e3, 210e3, 32, 3.0)


def model_of(made: Capture, **changes: float) -> Model:
    burst = made.bursts[0]
    gain = float(np.sqrt(RATE_HZ / burst.symbol_rate_bd / (2.0 * made.sigma**2)))
    return replace(Model(burst.carrier_hz, RATE_HZ / burst.symbol_rate_bd, gain=gain), **changes)


def found_in(made: Capture, model: Model | None = None, spans=None) -> list[Found]:
    model = model or model_of(made)
    omega = 2.0 * np.pi * model.carrier_hz / RATE_HZ
    return extract_region(region_of(made), omega, model, spans or [(0.0, float(len(made.samples)))])


def assert_all_found(found: list[Found], made: Capture) -> None:
    assert [f.run.count for f in found] == [len(b.symbols) for b in made.bursts]
    for one, burst in zip(found, made.bursts, strict=True):
        start = one.run.region.origin + one.run.edges[0]
        assert start == pytest.approx(burst.start_s * RATE_HZ, abs=0.1 * RATE_HZ / burst.symbol_rate_bd + 0.5)
        assert same_or_opposite(one.run.symbols.real, burst.symbols)
        assert one.nats > 0.0


@pytest.mark.parametrize(("cycles", "gap"), [(1.5, 6.0), (6.3, 3.0), (6.3, 14.0), (20.0, 5.0)])
def test_every_burst_with_its_own_length(cycles, gap):
    made = capture((12, 40, 7, 64, 25), 1, cycles=cycles, gap_symbols=gap, esn0_db=16.0)
    assert_all_found(found_in(made), made)


def test_long_bursts_are_followed_and_short_ones_fitted():
    made = capture((30, 260, 30), 2, esn0_db=16.0)
    found = found_in(made)
    assert_all_found(found, made)
    assert [f.fit is None for f in found] == [False, True, False]
    assert [f.run.drift for f in found] == [False, True, False]


def test_weak_talkers_beside_strong_ones():
    made = capture((24, 24, 24, 24), 3, esn0_db=28.0, amplitudes=(1.0, 0.2, 1.0, 0.2), gap_symbols=8.0)
    assert_all_found(found_in(made), made)


def test_only_free_spans_are_looked_at():
    made = capture((24, 24, 24), 4)
    second = made.bursts[1]
    low, high = second.start_s * RATE_HZ - 100.0, second.end_s * RATE_HZ + 100.0
    size = float(len(made.samples))
    outer = found_in(made, spans=[(0.0, low), (high, size)])
    assert_all_found(outer, replace(made, bursts=(made.bursts[0], made.bursts[2])))
    inner = found_in(made, spans=[(low, high)])
    assert_all_found(inner, replace(made, bursts=(second,)))


def test_what_is_covered_is_not_found_again():
    made = capture((24, 24, 24), 5)
    noise = flat_floor(made.sigma)
    piece = piece_of(0, len(made.samples))
    first = made.bursts[0]
    covered = [(first.start_s * RATE_HZ, first.end_s * RATE_HZ)]
    found = extract(made.record, noise, [piece], model_of(made), Watch(), covered)
    assert_all_found(found, replace(made, bursts=made.bursts[1:]))
    assert extract(made.record, noise, [piece], model_of(made), Watch(), [(-1e9, 1e9)]) == []


def test_nothing_is_found_in_noise():
    """Forty regions of 220 symbols: at 18 nats none may look like a burst."""
    rng = np.random.default_rng(6)
    model = Model(173e3, 36.4, gain=6.0)
    omega = 2.0 * np.pi * 0.173
    wrong = 0
    for _ in range(40):
        region = Region(rng.normal(size=8_000), 0, 1.0, True, True)
        wrong += len(extract_region(region, omega, model, [(0.0, 8_000.0)]))
    assert wrong == 0


def test_too_short_spans_hold_nothing():
    made = capture((24,), 7)
    assert found_in(made, spans=[(0.0, 0.0), (5.0, 3.0), (10.0, 60.0)]) == []


def test_regions_hold_their_pieces_and_are_joined_where_they_meet():
    made = capture((30, 30, 30), 8, gap_symbols=200.0)
    starts = [int(b.start_s * RATE_HZ) for b in made.bursts]
    pieces = [piece_of(s, s + 1_000) for s in starts]
    close = piece_of(starts[1] + 1_100, starts[1] + 1_500)
    unordered = [pieces[2], close, *pieces[:2]]
    long = record_of(np.concatenate((made.samples, np.zeros(1 << 20))))
    regions = regions_of(long, flat_floor(made.sigma), unordered, model_of(made))
    assert [inside for _, inside in regions] == [[pieces[0]], [pieces[1], close], [pieces[2]]]
    for region, inside in regions:
        assert region.origin <= inside[0].start
        assert region.origin + region.samples.size >= inside[-1].stop
        assert region.samples.size < 5_000
    # short stretches are looked at as a whole
    [(region, inside)] = regions_of(made.record, flat_floor(made.sigma), unordered, model_of(made))
    assert (region.origin, region.samples.size) == (0, len(made.samples))
    assert inside == [pieces[0], pieces[1], close, pieces[2]]


def test_regions_do_not_cross_segments():
    made = capture((30, 30), 9, gap_symbols=2.0)
    edge = int(made.bursts[0].end_s * RATE_HZ) + 20
    count = len(made.samples)
    record = record_of(made.samples, RATE_HZ, ((0, edge, 0.0), (edge, count, 7.0)))
    pieces = [piece_of(edge - 1_000, edge), piece_of(edge, edge + 1_000)]
    regions = regions_of(record, flat_floor(made.sigma), pieces, model_of(made))
    assert len(regions) == 2
    assert regions[0][0].origin + regions[0][0].samples.size == edge
    assert regions[1][0].origin == edge


def test_progress_and_cancel():
    made = capture((24, 24), 10, gap_symbols=200.0)
    noise, model = flat_floor(made.sigma), model_of(made)
    pieces = [piece_of(b.start_s * RATE_HZ, b.end_s * RATE_HZ) for b in made.bursts]
    heard: list[float] = []
    found = extract(made.record, noise, pieces, model, Watch(heard.append), [])
    assert_all_found(found, made)
    assert heard == sorted(heard)
    assert heard
    with pytest.raises(CancelledError):
        extract(made.record, noise, pieces, model, Watch(None, lambda: True), [])
