"""Cutting stretches into transmissions where silence lies between them."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from generators.truths import RATE_HZ, Capture, capture, flat_floor, record_of

from dsp.activity import Active, Box, find_activity, weights, whitened
from dsp.noise import estimate_noise
from dsp.segment import Piece, _pieces, _row, band_energy, cut, windows_of
from dsp.source import Watch


def cut_all(made: Capture, octave: int = 1) -> list[Piece]:
    """The pieces of the octave that holds the carrier, the floor being known."""
    noise = flat_floor(made.sigma)
    actives = [a for a in find_activity(made.record, noise, Watch()) if a.octave == octave]
    return [piece for active in actives for piece in cut(made.record, noise, active)]


def assert_pieces_are_bursts(pieces: list[Piece], made: Capture) -> None:
    assert len(pieces) == len(made.bursts)
    for piece, burst in zip(pieces, made.bursts, strict=True):
        # a frame and its neighbour is as sharp as energies can be
        assert piece.start == pytest.approx(burst.start_s * RATE_HZ, abs=2.0 * piece.frame)
        assert piece.stop == pytest.approx(burst.end_s * RATE_HZ, abs=2.0 * piece.frame)
        assert piece.low_hz < burst.carrier_hz < piece.high_hz
        assert piece.ratio > 1.0


@pytest.mark.parametrize("lengths", [(40,), (30, 44, 24), (16, 16, 16, 16)])
def test_bursts_between_silences_come_out_one_by_one(lengths):
    made = capture(lengths, 1, gap_symbols=20.0)
    assert_pieces_are_bursts(cut_all(made), made)


def test_weak_talker_beside_a_strong_one():
    made = capture((30, 30, 30), 2, esn0_db=30.0, gap_symbols=30.0, amplitudes=(1.0, 0.2, 1.0))
    pieces = cut_all(made)
    assert_pieces_are_bursts(pieces, made)
    # 14 dB between the talkers
    assert (pieces[0].ratio - 1.0) / (pieces[1].ratio - 1.0) == pytest.approx(25.0, rel=0.5)


def test_energy_and_evidence_of_a_piece():
    piece = Piece(1000, 2024, 1e5, 2e5, 64, 5.0, bins=3)
    # four times the floor above the floor, in 16 frames of 3 bins, two components each
    assert piece.energy == pytest.approx(4.0 * 3 * 2 * 16)
    assert piece.nats == pytest.approx(16 * (5.0 - 1.0 - np.log(5.0)))
    silent = Piece(1000, 2024, 1e5, 2e5, 64, 1.0)
    assert (silent.energy, silent.nats) == (0.0, 0.0)


def test_energy_is_that_of_the_symbols():
    """The sum of g^2 = 2 Es/N0 over the symbols, which is the docstring's promise."""
    made = capture((60,), 3, esn0_db=15.0)
    piece = cut_all(made)[0]
    due = 60 * 2.0 * 10**1.5
    # a rectangle's spectrum has side lobes beyond the piece's band
    assert 0.5 * due < piece.energy < 1.2 * due


def test_band_energy_is_the_mean_of_periodograms_over_the_floor():
    made = capture((30,), 4)
    noise = estimate_noise(made.record)
    white = whitened(made.record, noise, 500, 2_500)
    energy, bins = band_energy(white, noise, 32, (140e3, 210e3))
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(32) / 32)
    hz = [k * RATE_HZ / 32 for k in range(17)]
    inside = [k for k in range(17) if 140e3 <= hz[k] <= 210e3]
    assert bins == len(inside)
    weight = weights(noise, 32, np.array(inside))
    assert weight is not None
    for row, value in enumerate(energy):
        frame = white[16 * row : 16 * row + 32].astype(float) * window
        powers = [abs(np.sum(frame * np.exp(-2j * np.pi * k * np.arange(32) / 32))) ** 2 for k in inside]
        # single precision
        assert value == pytest.approx(np.mean(weight * powers) / np.sum(window**2), rel=1e-5)
    assert len(energy) == (2_000 - 32) // 16 + 1


def test_band_energy_of_noise_is_one_and_a_narrow_band_still_has_a_bin():
    record = record_of(np.random.default_rng(5).normal(0.0, 0.1, 40_000))
    noise = estimate_noise(record)
    for band in ((100e3, 200e3), (151e3, 152e3)):
        energy, bins = band_energy(whitened(record, noise, 0, 40_000), noise, 64, band)
        assert bins >= 1
        assert float(energy.mean()) == pytest.approx(1.0, abs=0.15)
    short = whitened(record, noise, 0, 63)
    assert band_energy(short, noise, 64, (100e3, 200e3))[0].size == 0


def left(made: Capture, *spans: tuple[float, float]) -> list[Piece]:
    """Pieces of the carrier's octave that are left beside what is covered."""
    noise = flat_floor(made.sigma)
    covered = np.array(spans, float).reshape(-1, 2)
    actives = find_activity(made.record, noise, Watch(), covered=covered)
    return [p for a in actives if a.octave == 1 for p in cut(made.record, noise, a, covered)]


def test_nothing_is_left_outside_what_explains_all():
    made = capture((30, 30), 6)
    assert left(made, *((b.start_s * RATE_HZ, b.end_s * RATE_HZ) for b in made.bursts)) == []
    assert left(made, (-10.0, 1e9)) == []


def test_what_is_not_explained_is_left():
    made = capture((30, 30), 7)
    first, second = made.bursts
    pieces = left(made, (first.start_s * RATE_HZ, first.end_s * RATE_HZ))
    assert len(pieces) == 1
    assert pieces[0].start == pytest.approx(second.start_s * RATE_HZ, abs=64)
    assert pieces[0].stop == pytest.approx(second.end_s * RATE_HZ, abs=64)
    assert left(made) == cut_all(made)
    assert left(made, (1e6, 2e6)) == cut_all(made)


@pytest.mark.parametrize("length", [1_000, 30_000, 3_000_000])
def test_of_a_long_stretch_some_windows_are_looked_at(length):
    """The most telling part among them, all within the stretch, in order and apart."""
    record = record_of(np.zeros(8))
    box = Box(length // 3, length // 3 + 400, 125e3, 250e3, 64, 90.0)
    windows = windows_of(record, Active(500, 500 + length, 1, box))
    assert 1 <= len(windows) <= 6
    assert all(500 <= w.start < w.stop <= 500 + length for w in windows)
    assert all(w.stop - w.start <= max(length, 1 << 16) for w in windows)
    assert all(a.stop <= b.start for a, b in pairwise(windows))
    middle = (box.start + box.stop) / 2.0
    assert any(w.start <= middle < w.stop for w in windows)
    assert all((w.octave, w.best) == (1, box) for w in windows)


def test_no_piece_crosses_a_segment():
    made = capture((40, 40), 8, gap_symbols=1.0, esn0_db=18.0)
    edge = int(made.bursts[0].end_s * RATE_HZ)
    record = record_of(made.samples, RATE_HZ, ((0, edge, 0.0), (edge, len(made.samples), 9.0)))
    noise = estimate_noise(record)
    pieces = [p for a in find_activity(record, noise, Watch()) for p in cut(record, noise, a)]
    assert pieces
    assert all(p.stop <= edge or p.start >= edge for p in pieces)


def test_noise_that_was_called_active_gives_no_strong_piece():
    record = record_of(np.random.default_rng(9).normal(size=8_000))
    active = Active(2_000, 6_000, 1, Box(2_000, 6_000, 125e3, 250e3, 64, 31.0))
    pieces = cut(record, estimate_noise(record), active)
    assert sum(p.nats for p in pieces) < 30.0


def test_no_runs_tell_more_than_their_frames_do_one_by_one():
    """By that bound frame lengths and stretches are left out unseen, so it must hold whatever was sent."""
    rng = np.random.default_rng(10)
    for draw in range(40):
        energy = rng.gamma(2.0, 0.5, 400)
        for _ in range(draw % 5):
            first = int(rng.integers(0, 360))
            energy[first : first + int(rng.integers(1, 40))] *= rng.uniform(2.0, 30.0)
        row = _row(energy, 2, 0, 400 * 16, 32, (100e3, 200e3))
        nats, pieces = _pieces(row)
        assert nats <= row.bound * (1.0 + 1e-12)
        assert (nats > 0.0) == bool(pieces)
