"""Records of several segments, short and long: each on its own time axis, nothing across a border."""

from __future__ import annotations

from dataclasses import asdict, replace
from itertools import pairwise

import numpy as np
import pytest
from generators.scoring import score
from generators.truths import RATE_HZ, Capture, capture, sigma_for

from dsp.decoder import decode
from dsp.results import Burst, Decode
from dsp.synth import BurstSpec, random_symbols, transmissions

Parts = tuple[tuple[int, int, float], ...]


def on_axes(bursts: tuple[BurstSpec, ...], parts: Parts) -> list[BurstSpec]:
    """The bursts as the segments' own axes have them."""
    out = []
    for burst in bursts:
        middle = (burst.start_s + burst.end_s) / 2.0 * RATE_HZ
        (first, _, start_s) = next(p for p in parts if p[0] <= middle < p[1])
        out.append(replace(burst, start_s=burst.start_s - first / RATE_HZ + start_s))
    return sorted(out, key=lambda b: b.start_s)


def assert_found(result: Decode, bursts: tuple[BurstSpec, ...], parts: Parts) -> None:
    assert score(on_axes(bursts, parts), asdict(result)).complaints() == []


def quiet(made: Capture, after: int) -> int:
    """A sample in the middle of the silence after a burst."""
    return int((made.bursts[after].end_s + made.bursts[after + 1].start_s) / 2.0 * RATE_HZ)


@pytest.fixture(scope="module")
def made() -> Capture:
    return capture((30, 44, 24, 38, 20, 50), 61, esn0_db=16.0, gap_symbols=24.0)


def test_segments_of_any_length_each_on_its_own_axis(made):
    """One of three bursts, one of two, one of one; axes that overlap and run backwards."""
    edges = [0, quiet(made, 2), quiet(made, 4), len(made.samples)]
    parts = tuple((a, b, at) for (a, b), at in zip(pairwise(edges), (9.0, 0.0, -3.0), strict=True))
    assert_found(decode(made.samples, RATE_HZ, segments=parts), made.bursts, parts)


def test_samples_in_no_segment_are_not_looked_at(made):
    """A thousand times as loud as anything, or no numbers at all."""
    cut, resume = quiet(made, 1) - 150, quiet(made, 1) + 150
    parts = ((0, cut, 0.0), (resume, len(made.samples), 5.0))
    due = decode(made.samples, RATE_HZ, segments=parts)
    assert_found(due, made.bursts, parts)
    for fill in (1e3, np.nan):
        samples = made.samples.copy()
        samples[cut:resume] = fill
        assert decode(samples, RATE_HZ, segments=parts) == due


def test_segments_without_bursts_and_too_short_ones_do_no_harm(made):
    rng = np.random.default_rng(62)
    noise = rng.normal(0.0, made.sigma, 2_000)
    samples = np.concatenate((noise[:900], made.samples, noise[900:]))
    first = 900
    last = first + len(made.samples)
    parts = (
        (0, 5, 1.0),
        (5, 900, 2.0),
        (first, last, 50.0),
        (last, last + 40, 80.0),
        (last + 40, last + 1_100, 90.0),
    )
    shifted = tuple(replace(b, start_s=b.start_s + first / RATE_HZ) for b in made.bursts)
    assert_found(decode(samples, RATE_HZ, segments=parts), shifted, parts)


def cut_in_two(made: Capture, which: int, symbols: float) -> tuple[Decode, int]:
    """A border in the middle of a burst, after so many of its symbols."""
    burst = made.bursts[which]
    edge = round(burst.start_s * RATE_HZ + symbols * RATE_HZ / burst.symbol_rate_bd)
    parts = ((0, edge, 0.0), (edge, len(made.samples), 1_000.0))
    return decode(made.samples, RATE_HZ, segments=parts), edge


@pytest.mark.parametrize("symbols", [15.0, 22.0, 22.5])
def test_a_burst_that_a_border_cuts_is_two_whatever_fits_across(made, symbols):
    """The same phase and timing on both sides: nothing but the border says that there are two."""
    result, edge = cut_in_two(made, 1, symbols)
    burst = made.bursts[1]
    assert len(result.bursts) == len(made.bursts) + 1
    heads = [b for b in result.bursts if b.cut_at_end]
    tails = [b for b in result.bursts if b.cut_at_start]
    assert len(heads) == len(tails) == 1
    head, tail = heads[0], tails[0]
    period = 1.0 / burst.symbol_rate_bd
    assert head.end_s == pytest.approx(edge / RATE_HZ, abs=0.6 * period)
    assert tail.start_s == pytest.approx(1_000.0, abs=0.6 * period)
    assert abs(len(head.symbols) - symbols) <= 0.5
    assert abs(len(tail.symbols) - (44 - symbols)) <= 0.5
    whole = burst.symbols + burst.symbols.translate(str.maketrans("01", "10"))
    assert head.symbols in whole
    assert tail.symbols[1:] in whole or tail.symbols[1:].translate(str.maketrans("01", "10")) in whole


def near_alike(found: Burst, due: Burst) -> bool:
    return found.symbols == due.symbols and abs(found.esn0_db - due.esn0_db) < 0.5


def test_a_long_record_of_segments_is_decoded_as_its_parts_are():
    """Two million samples, so that silence is passed over: each burst once, on its segment's axis."""
    rng = np.random.default_rng(63)
    carrier, rate, count = 173_011.0, 27_462.0, 2_000_000
    bursts, now = [], 2e-3
    while now < count / RATE_HZ - 10e-3:
        text = random_symbols(int(rng.integers(20, 70)), rng, longest_run=6)
        bursts.append(BurstSpec(now, text, rate, carrier, 1.0, rng.uniform(0, 6)))
        now = bursts[-1].end_s + rng.uniform(1e-3, 60e-3)
    sigma = sigma_for(16.0, rate)
    samples = transmissions(bursts, RATE_HZ, count).samples + rng.normal(0.0, sigma, count)
    edges = [0]
    for k in range(7, len(bursts) - 1, 9):
        edges.append(int((bursts[k].end_s + bursts[k + 1].start_s) / 2.0 * RATE_HZ))
    edges.append(count)
    parts = tuple((a, b, 100.0 * k) for k, (a, b) in enumerate(pairwise(edges)))
    result = decode(samples.astype(np.float32), RATE_HZ, segments=parts)
    assert_found(result, tuple(bursts), parts)
    assert {b.talker for b in result.bursts} == {0}
    # one of the segments by itself
    first, last, start_s = parts[2]
    alone = decode(samples[first:last], RATE_HZ, start_s=start_s)
    mine = [b for b in result.bursts if start_s <= b.start_s < start_s + 100.0]
    assert len(alone.bursts) == len(mine)
    assert all(near_alike(a, b) for a, b in zip(alone.bursts, mine, strict=True))
