"""What was judged to be nothing is not gone through again, and nothing else is left out."""

from __future__ import annotations

from dataclasses import replace
from itertools import chain

import numpy as np
import pytest

import dsp
import dsp.bpsk as module
from dsp.judged import are_judged
from dsp.segment import Piece

RATE_HZ = 1e6
PIECE = Piece(10_000, 14_000, 0.0, 107_400.0, 16, 24.0, bins=2)
OTHER = replace(PIECE, start=30_000, stop=33_000)


def test_the_same_bins_of_the_same_samples_were_judged():
    # another octave sees the same through a band that reaches less far
    beside = [replace(piece, high_hz=91_800.0) for piece in (PIECE, OTHER)]
    assert are_judged(beside, [OTHER, PIECE])
    # and another floor
    assert are_judged([replace(PIECE, ratio=33.0)], [PIECE])
    assert not are_judged([PIECE], [])
    assert not are_judged([], [PIECE])


@pytest.mark.parametrize(
    "other",
    [
        replace(PIECE, frame=32),
        replace(PIECE, bins=3),
        replace(PIECE, start=12_000, stop=16_000),
        replace(PIECE, stop=15_000),
        replace(PIECE, ratio=40.0),
        replace(PIECE, low_hz=53_700.0, high_hz=161_100.0),
    ],
)
def test_anything_else_was_not(other):
    assert not are_judged([other], [PIECE])


def test_so_was_a_part_of_what_was_judged_but_not_more_than_it():
    assert are_judged([PIECE], [PIECE, OTHER])
    assert not are_judged([PIECE, OTHER], [PIECE])
    faint = replace(OTHER, ratio=1.5)
    assert are_judged([PIECE, faint], [PIECE])


def four_phases(rng):
    """A carrier of 48 kHz that takes four phases, in bursts under which the floor is seen."""
    count, symbol = 30_000, 64
    at = np.arange(count)
    phase = np.pi / 2.0 * rng.integers(0, 4, count // symbol + 1)[at // symbol]
    sent = (at // (40 * symbol)) % 2 == 1
    wave = np.cos(2.0 * np.pi * 0.048 * at + phase)
    return sent * wave + 0.1 * rng.standard_normal(count)


@pytest.mark.long
def test_what_was_refused_in_one_octave_is_not_sought_in_the_next(monkeypatch):
    sought = []
    search = module._one_link

    def seen(record, noise, pieces, *rest):
        sought.append(pieces)
        return search(record, noise, pieces, *rest)

    samples = four_phases(np.random.default_rng(8))
    # what takes four phases is refused before any of this by its moments (`dsp.other_phases`), which is not asked here
    monkeypatch.setattr(module, "of_other_phases", lambda *_: None)
    monkeypatch.setattr("dsp.searches.suspected", lambda *_: None)
    monkeypatch.setattr("dsp.searches._is_otherwise", lambda *_: False)
    monkeypatch.setattr(module, "_one_link", seen)
    quick = dsp.decode(samples, RATE_HZ)
    few = len(sought)
    for number, pieces in enumerate(sought):
        assert not are_judged(pieces, chain(*sought[:number]))
    monkeypatch.setattr(module, "are_judged", lambda pieces, judged: False)
    assert dsp.decode(samples, RATE_HZ) == quick
    assert quick.refusal is not None
    assert not quick.bursts
    assert len(sought) - few > few
