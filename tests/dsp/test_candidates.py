"""Which cuts into transmissions are right: close ones stay apart, weak symbols do not cut one."""

from __future__ import annotations

from dataclasses import asdict
from itertools import combinations

import numpy as np
import pytest
from generators.scoring import score
from generators.truths import RATE_HZ, Capture, capture, model_of, strip_from, true_fits
from hypothesis import given
from hypothesis import strategies as st

from dsp.candidates import Candidates, _joins, _likeliest, settle_parts
from dsp.decoder import decode
from dsp.detect import Parts, find_parts, make_grid
from dsp.extract import extract
from dsp.on_off import OWN_NATS
from dsp.synth import BurstSpec, random_symbols, transmissions
from dsp.synth_line import noise

ACCEPT = 22.0
NOWHERE = np.zeros(0)


def candidates_in(made: Capture, parts: Parts | None = None, *, borders: np.ndarray = NOWHERE) -> Candidates:
    strip, model = strip_from(made), model_of(made)
    turned = strip.turned(2.0 * np.pi * model.carrier_hz / RATE_HZ)
    grid = make_grid(turned, strip.variance, model.period, 0.0, float(strip.size))
    return settle_parts(grid, find_parts(grid, borders) if parts is None else parts, ACCEPT)


def parts_at(made: Capture, *pieces: tuple[float, float]) -> Parts:
    """Parts given in symbols from the start of the first burst, free to move half way to their neighbours.

    As `dsp.detect` has it, the rooms of neighbours overlap by the symbol that either may be late.
    """
    truth = true_fits(made)
    period, start = float(truth.period[0]), float(truth.start[0])
    first, last = np.array(pieces, float).T
    begin = np.rint(start / period + first).astype(int)
    end = np.rint(start / period + last).astype(int)
    walls = np.concatenate((begin[:1] - 4.0, (begin[1:] + end[:-1]) / 2.0, end[-1:] + 4.0))
    return Parts(begin, end, walls[:-1] * period, (walls[1:] + 0.5) * period)


@pytest.mark.parametrize(
    ("gap", "esn0_db"), [(2.0, 18.0), (3.0, 18.0), (3.0, 15.0), (5.0, 15.0), (6.0, 12.0)]
)
def test_close_transmissions_stay_apart(gap, esn0_db):
    """Talkers with their own phases and timing, so much silence between them that noise does not fill it:
    of each silent symbol a sent one differs by ``g^2 / 2``, two of them by 63 at 18 dB.
    """
    for draw in range(6):
        made = capture((24, 30, 16), 10 + draw, gap_symbols=gap, esn0_db=esn0_db)
        truth, model = true_fits(made), model_of(made)
        fits = extract(strip_from(made), float(truth.turned.omega), model).fits
        assert fits.count.tolist() == [24, 30, 16]
        assert fits.start == pytest.approx(truth.start, abs=0.1 * truth.period[0] + 0.5)


def test_transmissions_that_follow_without_a_pause_are_parted_where_the_phase_turns():
    """One is parted from the others at a time, and neither piece reaches over the place.

    Of 1200 drawn 704 come out as sent, 264 without such cuts, 485 where pieces may reach over; with one cut or with two
    of them, 522 or 656. Of the 600 here it is 340, and 312 with two.
    """
    lengths, right = (16, 20, 14, 18, 22), 0
    for draw in range(120):
        made = capture(lengths, 60 + draw, gap_symbols=0.0, esn0_db=18.0)
        truth, model = true_fits(made), model_of(made)
        fits = extract(strip_from(made), float(truth.turned.omega), model).fits
        near = np.abs(fits.start[:, None] - truth.start) < 0.3 * truth.period[0]
        right += int(np.any(near & (fits.count[:, None] == lengths), axis=0).sum())
    assert right >= 326


@pytest.mark.parametrize("draw", [2, 18, 19])
def test_what_is_to_be_cut_stands_against_a_whole_as_it_is(draw):
    """Four that follow at two symbols each, the first two as one part: all of them are no one, only since that is cut."""
    rng = np.random.default_rng([draw, 318])
    period, at, specs = 64.2, 40.0, []
    for count, phase in zip((40, 44, 54, 25, 40, 50), (2.0, 0.52, 0.0, 4.79, 0.0, 1.0), strict=True):
        symbols = random_symbols(count, rng)
        rate_bd = RATE_HZ / period
        specs.append(BurstSpec(at * period / RATE_HZ, symbols, rate_bd, 3.0 * rate_bd, 1.0, phase))
        at += count + 2.0
    size = int((at + 40.0) * period)
    samples = transmissions(specs, RATE_HZ, size).samples
    samples = samples + noise(size, float(np.sqrt(period / 4.0 / 10.0**1.2)), rng)
    assert score(specs, asdict(decode(samples, RATE_HZ))).complaints() == []


def weakened(made: Capture, symbols: tuple[int, ...], factor: float) -> Capture:
    """The first burst with these symbols of it scaled."""
    truth = true_fits(made)
    out = made.samples.copy()
    clean_rng = np.random.default_rng(99)
    for k in symbols:
        low = int(np.ceil(truth.start[0] + k * truth.period[0]))
        high = int(np.ceil(truth.start[0] + (k + 1) * truth.period[0]))
        out[low:high] = factor * out[low:high]
        # the noise stays as strong as elsewhere
        out[low:high] += clean_rng.normal(0.0, made.sigma * np.sqrt(1.0 - factor**2), high - low)
    return Capture(out, made.bursts, made.sigma)


@pytest.mark.parametrize("factor", [0.2, 0.5])
@pytest.mark.parametrize("symbol", [6, 20, 33])
def test_one_weak_symbol_does_not_cut_a_transmission(symbol, factor):
    """A dropout: 14 or 6 dB less for one symbol of forty."""
    made = weakened(capture((40,), 20, esn0_db=16.0), (symbol,), factor)
    assert candidates_in(made).fits.count.tolist() == [40]


def test_a_transmission_cut_for_trial_is_made_whole():
    """Cut where nothing is missing: one carrier, phase and timing explain all of it."""
    made = capture((40,), 21, esn0_db=13.0)
    found = candidates_in(made, parts_at(made, (0, 11), (12, 25), (27, 40)))
    assert found.fits.count.tolist() == [40]


def test_what_is_far_apart_is_never_one():
    """The same phase and timing, but six silent symbols: one burst of twice 20 would still be wrong."""
    made = capture((46,), 22, esn0_db=16.0)
    truth = true_fits(made)
    low, high = (int(truth.start[0] + k * truth.period[0]) for k in (20, 26))
    samples = made.samples.copy()
    samples[low:high] = np.random.default_rng(1).normal(0.0, made.sigma, high - low)
    assert candidates_in(Capture(samples, made.bursts, made.sigma)).fits.count.tolist() == [20, 20]


def test_no_transmission_is_joined_across_a_border():
    """One burst on both sides of a border, as if nothing lay between: two, each within its part."""
    made = capture((40,), 23, esn0_db=16.0)
    truth = true_fits(made)
    border = float(truth.start[0] + 17.0 * truth.period[0])
    fits = candidates_in(made, borders=np.array([border])).fits
    assert fits.count.tolist() == [17, 23]
    assert fits.stop[0] <= border + 0.6 * truth.period[0]
    assert fits.start[1] >= border - 0.6 * truth.period[0]


def test_a_long_transmission_is_windows_of_one_owner():
    made = capture((30, 260, 30, 150), 24, esn0_db=16.0)
    found = candidates_in(made)
    assert found.fits.count.tolist() == [30, 30]
    assert np.unique(found.owner).tolist() == [0, 1]
    truth = true_fits(made)
    for number, which in ((0, 1), (1, 3)):
        mine = found.windows.take(found.owner == number)
        assert mine.start.min() < truth.start[which] + 3 * truth.period[0]
        assert mine.stop.max() > truth.stop[which] - 3 * truth.period[0]
    start, stop = found.extent()
    assert start.size == stop.size == 2 + found.owner.size
    assert np.all(stop > start)


@pytest.mark.parametrize("most", [1, 3, 8])
def test_ways_to_join_are_all_of_close_neighbours(most):
    first = np.cumsum([10] * most) - 10
    parts = Parts(first, first + 8, first - 1.0, first + 9.5)
    a, b = _joins(parts, 6)
    pairs = list(zip(a.tolist(), b.tolist(), strict=True))
    assert len(set(pairs)) == len(pairs)
    assert {(k, k) for k in range(most)} <= set(pairs)
    due = {(i, j) for i, j in combinations(range(most), 2) if j - i < 6}
    # the whole row, too
    assert set(pairs) == {(k, k) for k in range(most)} | due | {(0, most - 1)}


def test_parts_far_apart_are_not_joined():
    first = np.array([0, 10, 24, 34])
    a, b = _joins(Parts(first, first + 8, first - 1.0, first + 9.5), 6)
    joined = {pair for pair in zip(a.tolist(), b.tolist(), strict=True) if pair[0] != pair[1]}
    assert joined == {(0, 1), (2, 3)}


@given(
    st.integers(1, 6).flatmap(
        lambda n: st.tuples(
            st.just(n),
            st.lists(
                st.tuples(st.integers(0, n - 1), st.integers(0, n - 1), st.integers(0, 60)),
                min_size=1,
                max_size=9,
                unique_by=lambda c: (min(c[:2]), max(c[:2])),
            ),
        )
    )
)
def test_the_likeliest_of_all_ways_to_cut_is_kept(case):
    """Against every subset: each costs what one of its own does, none so strong that it costs more."""
    count, chosen = case
    first, last = (np.array([f(c[:2]) for c in chosen]) for f in (min, max))
    nats = np.array([c[2] for c in chosen], float)
    # a million symbols each: next to nothing in any of them
    keep = _likeliest(nats, first, last, 1e6 * first, 1e6 * last + 9e5, 1.0, count)

    def value(rows: tuple[int, ...]) -> float:
        used = [k for i in rows for k in range(first[i], last[i] + 1)]
        return -np.inf if len(used) != len(set(used)) else float(np.sum(nats[list(rows)] - OWN_NATS))

    every = (rows for size in range(len(chosen) + 1) for rows in combinations(range(len(chosen)), size))
    due = max(value(rows) if rows else 0.0 for rows in every)
    assert value(tuple(np.flatnonzero(keep).tolist())) == pytest.approx(due, abs=1e-2)
