"""How many symbols there are: probabilities that hold when counted, and what shared lengths are worth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.bounds import clopper_pearson
from generators.draws import drawn, signs
from generators.truths import Capture, capture, record_of, signs_of, strip_from, true_fits

from dsp.ends import _length_prior, decide_ends, outward_sums, run_ends
from dsp.fits import Fits
from dsp.runs import MARGIN


def naive_end(outside: np.ndarray, inside: np.ndarray, gain: float, fewer: int) -> float:
    """Posterior of this end among six symbols more and ``fewer`` fewer, each equally likely before.

    ``outside`` counts outwards from the end, ``inside`` inwards.
    """
    line = np.concatenate((outside[5::-1], inside[: fewer + 1]))
    odds = []
    for first in range(7 + fewer):
        sent = line[first : 6 + fewer + 1]
        on = -((sent - gain) ** 2) / 2.0, -((sent + gain) ** 2) / 2.0
        odds.append(float(np.sum(np.logaddexp(*on) - np.log(2.0) + sent**2 / 2.0)))
    odds = np.exp(np.array(odds) - max(odds))
    return float(odds[6] / odds.sum())


def test_ends_of_runs_have_their_posterior_probability():
    rng = np.random.default_rng(9)
    for gain in (1.5, 3.0, 5.0):
        runs = drawn([signs(20, rng), signs(31, rng)], gain, rng)
        ends = run_ends(runs)
        for i in range(2):
            y = runs.symbols.real[runs.offset[i] : runs.offset[i + 1]]
            start = naive_end(runs.before[i].real[::-1], y, gain, 5)
            end = naive_end(runs.after[i].real, y[::-1], gain, 5)
            assert ends.start_probability[i] == pytest.approx(start)
            assert ends.end_probability[i] == pytest.approx(end)
    assert ends.shared is None


def test_of_ends_of_runs_reported_at_a_probability_so_many_are_right():
    """Ends placed where they are likeliest, the true one being anywhere within six symbols."""
    rng = np.random.default_rng(10)
    gain, hits, lines, margins = 2.8, [], [], []
    for _ in range(1_500):
        true = int(rng.integers(0, 12))
        line = rng.normal(size=26)
        line[true:] += gain * signs(26 - true, rng)
        nats = np.logaddexp(gain * line, -gain * line) - np.log(2.0) - gain**2 / 2.0
        best = int(np.argmax(np.cumsum(nats[::-1])[::-1][:12]))
        # silence goes on beyond what the twelve places of the end could be in
        before = np.concatenate((rng.normal(size=MARGIN), line[:best]))
        lines.append(line[best:])
        margins.append(before[-MARGIN:])
        hits.append(best == true)
    runs = drawn([np.ones(x.size) for x in lines], gain, rng)
    runs = replace(runs, symbols=np.concatenate(lines) + 0j, before=np.array(margins) + 0j)
    stated = run_ends(runs).start_probability
    # whole set, and the doubtful half of it
    doubtful = stated < np.median(stated)
    for mine in (np.ones(len(hits), bool), doubtful):
        low, high = clopper_pearson(int(np.sum(np.array(hits)[mine])), int(mine.sum()), 0.999)
        assert low - 0.03 < float(np.mean(stated[mine])) < high + 0.03


def nats_of(line: np.ndarray, gain: float) -> np.ndarray:
    """Log-likelihood ratio of each symbol of a line (n,) being sent."""
    return np.asarray(np.logaddexp(gain * line, -gain * line) - np.log(2.0) - gain**2 / 2.0)


@pytest.mark.parametrize("gap", [2, 3])
def test_a_next_transmission_after_a_short_pause_makes_no_end_doubtful(gap):
    """In the same timing and phase, and not known: ends are wrong as often as they are said to be.

    A single silent symbol is more likely one that noise hid.
    """
    rng = np.random.default_rng(19)
    gain, wrong, doubted, total = 4.2, 0, 0.0, 4_000
    for _ in range(total):
        line = gain * np.concatenate((signs(6, rng), np.zeros(gap), signs(6 - gap, rng)))
        odds = outward_sums(nats_of(line + rng.normal(size=12), gain)[None, :])[0]
        wrong += int(np.argmax(odds)) != 6
        doubted += 1.0 - float(np.exp(odds.max() - np.logaddexp.reduce(odds)))
    low, high = clopper_pearson(wrong, total, 0.99)
    assert low < 1.25 * doubted / total
    assert high > 0.8 * doubted / total


def test_silence_beyond_an_end_counts_as_before():
    """No other transmission is seen in it: the sums of the likelihood ratios alone."""
    rng = np.random.default_rng(20)
    nats = np.array(
        [nats_of(np.r_[5.0 * signs(6, rng), np.zeros(6)] + rng.normal(size=12), 5.0) for _ in range(99)]
    )
    plain = np.concatenate((np.zeros((99, 1)), np.cumsum(nats, axis=1)), axis=1)
    told = outward_sums(nats)
    np.testing.assert_allclose(told - told[:, :1], plain, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("gap", [1, 2, 3])
def test_a_run_that_was_followed_ends_before_the_known_next_one(gap):
    """Rivals of its end are the symbols of the pause and its own last ones, however surely the next one's are sent."""
    rng = np.random.default_rng(21)
    runs = drawn([signs(20, rng) for _ in range(50)], 3.0, rng)
    sent = np.arange(MARGIN) >= gap
    runs = replace(runs, before=runs.before + 9.0 * sent[::-1], after=runs.after + 9.0 * sent)
    far = gap * runs.period
    ends = run_ends(runs, runs.first - far, runs.last + far)
    for i in range(50):
        y = runs.symbols.real[runs.offset[i] : runs.offset[i + 1]]
        for outside, inside, found in (
            (runs.before[i].real[::-1], y, ends.start_probability[i]),
            (runs.after[i].real, y[::-1], ends.end_probability[i]),
        ):
            # silent beyond the pause as far as it is asked
            line = np.concatenate((outside[:gap], np.zeros(6 - gap)))
            odds = np.concatenate(
                (-np.cumsum(nats_of(inside[:5], 3.0))[::-1], [0.0], np.cumsum(nats_of(line, 3.0))[:gap])
            )
            assert found == pytest.approx(float(1.0 / np.sum(np.exp(odds))))


def test_missing_margins_leave_fewer_rivals():
    rng = np.random.default_rng(11)
    ends = run_ends(drawn([signs(20, rng)], 8.0, rng, margin=0))
    assert 0.9 < ends.start_probability[0] <= 1.0
    assert 0.9 < ends.end_probability[0] <= 1.0


def test_huge_gains_do_not_overflow():
    rng = np.random.default_rng(12)
    ends = run_ends(drawn([signs(20, rng)], 1e4, rng))
    assert (ends.start_probability, ends.end_probability) == (pytest.approx([1.0]), pytest.approx([1.0]))
    made = capture((12,) * 5, 12, esn0_db=70.0)
    decided, ends = decide_ends(true_fits(made))
    assert decided.count.tolist() == [12] * 5
    assert ends.start_probability == pytest.approx(np.ones(5))


def test_polarity_is_all_the_same():
    rng = np.random.default_rng(13)
    runs = drawn([signs_of("1101001011010"), signs_of("011010")], 3.0, rng)
    other = replace(runs, symbols=-runs.symbols, before=-runs.before, after=-runs.after)
    for name in ("start_probability", "end_probability"):
        np.testing.assert_array_equal(getattr(run_ends(other), name), getattr(run_ends(runs), name))


def test_decided_ends_have_their_posterior_probability():
    """Lengths free: each end by itself, six symbols more and six fewer equally likely before."""
    fits = true_fits(capture((21, 30, 17), 14, esn0_db=7.0))
    decided, ends = decide_ends(fits)
    assert ends.shared is None
    more = np.rint((fits.start - decided.start) / fits.period)
    after = decided.count - fits.count - more
    for i in range(3):
        line = fits.symbol_nats(6, 6)[i, : fits.count[i] + 12]
        for found, mine, moved in (
            (ends.start_probability[i], line, more[i]),
            (ends.end_probability[i], line[::-1], after[i]),
        ):
            # the likelihood of all symbols from the k-th on: what lies further in is the same for all
            odds = np.array([mine[k:12].sum() for k in range(13)])
            weight = np.exp(odds - odds.max())
            assert int(np.argmax(weight)) == 6 - moved
            assert found == pytest.approx(weight.max() / weight.sum())


def many(draw: int, lengths: np.ndarray, esn0_db: float) -> tuple[Capture, Fits]:
    """Bursts of these lengths, known but for their ends, which are off by up to three symbols."""
    made = capture(
        tuple(lengths.tolist()), draw, esn0_db=esn0_db, cycles=5.0, carrier_hz=250e3, gap_symbols=20.0
    )
    truth = true_fits(made)
    rng = np.random.default_rng(draw)
    start, stop = rng.integers(-3, 4, len(truth)), rng.integers(-3, 4, len(truth))
    room = 8.0 * truth.period
    return made, replace(
        truth,
        start=truth.start + start * truth.period,
        count=truth.count - start + stop,
        low=truth.start - room,
        high=truth.stop + room,
    )


def judged(truth: Fits, decided: Fits) -> tuple[np.ndarray, np.ndarray]:
    """Whether first and last symbol (b,) are right."""
    starts = np.rint((decided.start - truth.start) / truth.period) == 0
    return starts, np.rint((decided.stop - truth.stop) / truth.period) == 0


@pytest.mark.parametrize("esn0_db", [4.0, 7.0])
def test_with_free_lengths_nothing_is_shared_and_probabilities_hold(esn0_db):
    hits, stated = [], []
    for draw in range(6):
        lengths = np.random.default_rng(50 + draw).integers(12, 90, 90)
        made, rough = many(50 + draw, lengths, esn0_db)
        decided, ends = decide_ends(rough)
        assert ends.shared is None
        hits.extend(np.concatenate(judged(true_fits(made), decided)).tolist())
        stated.extend(np.concatenate((ends.start_probability, ends.end_probability)).tolist())
    right, sure = np.array(hits), np.array(stated)
    for mine in (np.ones(sure.size, bool), sure < np.quantile(sure, 0.3), sure >= np.quantile(sure, 0.7)):
        low, high = clopper_pearson(int(right[mine].sum()), int(mine.sum()), 0.999)
        assert low < sure[mine].mean() < high


def told(fits: Fits, chance: dict[int, float]) -> tuple[np.ndarray, np.ndarray]:
    """What a receiver does that is told how often each length is sent: the likeliest of all pairs of ends."""
    first, last = [], []
    for i in range(len(fits)):
        one = fits.take(np.array([i]))
        total = np.concatenate(([0.0], np.cumsum(one.symbol_nats(6, 6)[0])))
        pairs = [
            (total[b] - total[a] + np.log(chance[b - a]), a, b)
            for a in range(13)
            for b in range(one.count[0], one.count[0] + 13)
            if b - a in chance
        ]
        _, a, b = max(pairs)
        first.append(one.start[0] + (a - 6) * one.period[0])
        last.append(one.start[0] + (b - 6) * one.period[0])
    return np.array(first), np.array(last)


@pytest.mark.parametrize("chance", [{40: 1.0}, {24: 0.8, 40: 0.2}, {16: 0.6, 24: 0.2, 72: 0.2}])
def test_a_shared_length_is_said_and_makes_ends_right_more_often(chance):
    """Weak bursts of few lengths: nearly as good as told them, and much better than each by itself."""
    lengths = list(chance)
    alone = together = ideal = 0
    stated, hits = [], []
    for draw in range(6):
        sent = np.random.default_rng(70 + draw).choice(lengths, 60, p=list(chance.values()))
        made, rough = many(70 + draw, sent, 4.0)
        truth = true_fits(made)
        decided, ends = decide_ends(rough)
        assert ends.shared == lengths[0]
        starts, stops = judged(truth, decided)
        # of a burst whose length is known either both ends are right or neither
        stated.extend(ends.start_probability.tolist())
        hits.extend(starts.tolist())
        together += int(np.sum(~starts)) + int(np.sum(~stops))
        for i in range(60):
            one, own = decide_ends(rough.take(np.array([i])))
            assert own.shared is None
            alone += sum(int(not x[0]) for x in judged(truth.take(np.array([i])), one))
        first, last = told(rough, chance)
        ideal += int(np.sum(np.abs(first - truth.start) > 0.5 * truth.period))
        ideal += int(np.sum(np.abs(last - truth.stop) > 0.5 * truth.period))
    assert together < 0.75 * alone
    # lengths learnt from sixty bursts, not told: a tenth more errors at most, and what chance adds
    assert together < 1.1 * ideal + 2.0 * np.sqrt(ideal)
    low, high = clopper_pearson(int(np.sum(hits)), len(hits), 0.999)
    assert low < np.mean(stated) < high


def test_three_alike_are_not_enough_to_share():
    made = capture((40,) * 3, 15, esn0_db=16.0)
    decided, ends = decide_ends(true_fits(made))
    assert decided.count.tolist() == [40] * 3
    assert ends.shared is None


def test_one_of_another_length_among_strong_ones_keeps_it():
    made = capture((40,) * 9 + (33,), 16, esn0_db=16.0)
    decided, ends = decide_ends(true_fits(made))
    assert decided.count.tolist() == [40] * 9 + [33]
    assert ends.shared == 40
    assert ends.start_probability.min() > 0.999


def test_ends_stay_within_their_room():
    """Symbols beyond ``low`` and ``high`` belong to another, however surely they were sent."""
    made = capture((40,), 17, esn0_db=16.0)
    truth = true_fits(made)
    inner = replace(
        truth,
        start=truth.start + 10 * truth.period,
        count=np.array([20]),
        low=truth.start + 8 * truth.period,
        high=truth.stop - 7 * truth.period,
    )
    decided, _ = decide_ends(inner)
    assert decided.start == pytest.approx(inner.low)
    assert decided.stop == pytest.approx(inner.high)


def test_no_two_symbols_become_fewer():
    """A rough fit of three symbols in noise: at least two stay."""
    samples = np.random.default_rng(18).normal(size=4_000)
    made = capture((20,), 18)
    quiet = replace(made, samples=record_of(samples).read(0, 4_000), sigma=1.0)
    fits = replace(true_fits(made), turned=strip_from(quiet).turned(1.0), variance=1.0, count=np.array([3]))
    decided, _ = decide_ends(fits)
    assert decided.count[0] >= 2


def test_an_edge_on_the_wrong_side_of_a_sample_makes_no_silence():
    """4.6 samples a symbol at 16 dB, edges off by a fourteenth of a sample: of 1000 ends an ideal receiver gets none wrong.

    ``3 Q(sqrt(Es / 2 N0))`` is 1e-5; one symbol too few is what is given.
    """
    wrong = 0
    for draw in range(5):
        made = capture((30,) * 40, 70 + draw, carrier_hz=350_500.0, cycles=1.6, esn0_db=16.0)
        fits = true_fits(made)
        off = np.random.default_rng(draw).choice([-0.07, 0.07], len(fits))
        short = np.arange(len(fits)) % 3
        start = fits.start + off + (short == 1) * fits.period
        moved, _ = decide_ends(replace(fits, start=start, count=fits.count - (short > 0)))
        wrong += int(np.sum(moved.count != 30))
        assert np.abs(moved.start - fits.start).max() < 0.35
    assert wrong == 0


@pytest.mark.parametrize("cut", [(), (7,), (5, 9), (7, 120)])
def test_a_few_of_another_length_make_no_shared_one(cut):
    """Random lengths from 24 to 64, and one transmission or two that were cut: nobody shares a length."""
    near = -4.0 * np.abs(np.arange(-6, 7))
    near[6] = 0.0
    for draw in range(20):
        count = np.append(np.random.default_rng(draw).integers(24, 65, 110), cut).astype(np.int64)
        length = count[:, None, None] + np.arange(-6, 7)[:, None] + np.arange(-6, 7)[None, :]
        both = np.where(length >= 2, near[:, None] + near[None, :], -np.inf)
        assert _length_prior(both, length)[1] is None
        some = count.copy()
        some[:55] = 40
        assert _length_prior(both, length - count[:, None, None] + some[:, None, None])[1] == 40
