"""The shape of smooth pulses as their own symbols show it, and what it tells about the ends of transmissions."""

from __future__ import annotations

from dataclasses import asdict, replace

import numpy as np
import pytest
from benchmarks.bounds import clopper_pearson
from generators.long_runs import long_but
from generators.scoring import score
from generators.smooth import RATE_HZ, end_error_rate, raised_cosine, smooth_capture
from generators.truths import Capture, capture, true_fits

from dsp.decoder import decode
from dsp.ends import decide_ends
from dsp.fits import Fits
from dsp.pulse import REACH, Pulse, pulse_of
from dsp.pulse_ends import Room, decide_followed_ends, decide_pulse_ends, resized
from dsp.pulse_timing import straightened
from dsp.runs import runs_of

ROLLOFFS = (0.2, 0.35, 0.5, 0.7, 1.0)


def _true(lengths: tuple[int, ...], draw: int, rolloff: float, esn0_db: float = 14.0) -> Fits:
    made = smooth_capture(lengths, draw, rolloff, period_samples=37.3, cycles=6.4, esn0_db=esn0_db)
    return true_fits(Capture(made.samples, made.bursts, made.sigma), sharp=False)


def _room(fits: Fits) -> Room:
    return Room(np.array([0.0, fits.turned.length]), fits.start, fits.stop)


def _known(fits: Fits) -> Pulse:
    pulse = pulse_of(runs_of(fits))
    assert pulse is not None
    return pulse


@pytest.mark.parametrize("rolloff", ROLLOFFS)
def test_symbols_show_the_pulse_that_they_are_made_of(rolloff: float) -> None:
    fits = _true((60, 80, 70), 3, rolloff)
    pulse = _known(fits)
    fine = (np.arange(-40 * (2 * REACH + 1), 40 * (2 * REACH + 1)) + 0.5) / 80.0
    sent = raised_cosine(fine, rolloff).reshape(2 * REACH + 1, pulse.parts, -1).mean(axis=2)
    # each part of 200 symbols is known to 0.03, at 14 dB with eight parts a symbol: 1 / (7.1 root(200 / 8))
    error = (pulse.shape - sent) / np.sqrt(pulse.parts / (2.0 * 10.0**1.4 * 198.0))
    assert float(np.sqrt(np.mean(error**2))) < 1.3
    # nothing of the neighbours is left in the noise
    assert pulse.variance / fits.variance == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("draw", range(8))
def test_rectangles_have_no_shape_of_their_own(draw: int) -> None:
    esn0_db = (5.0, 9.0, 14.0, 24.0)[draw % 4]
    made = capture((64, 40, 200), draw, cycles=(1.0, 6.3)[draw // 4], esn0_db=esn0_db)
    assert pulse_of(runs_of(true_fits(made))) is None


def test_a_talker_with_few_symbols_has_the_pulse_of_all() -> None:
    fits = _true((60, 80, 70, 14), 5, 0.35)
    shared = _known(fits)
    assert pulse_of(runs_of(fits.take(np.array([3]))), shared) is shared
    # and with some more one that does not differ much
    own = pulse_of(runs_of(fits.take(np.array([0]))), shared)
    assert own is not None
    alone = _known(fits.take(np.array([0])))
    assert np.mean((own.shape - shared.shape) ** 2) < np.mean((alone.shape - shared.shape) ** 2)


def _wrong_ends(fits: Fits, moved: Fits) -> int:
    off = np.rint((moved.start - fits.start) / fits.period), np.rint((moved.stop - fits.stop) / fits.period)
    return int(sum(np.count_nonzero(side) for side in off))


@pytest.mark.parametrize("rolloff", ROLLOFFS)
def test_ends_are_as_sure_as_the_energy_of_a_pulse_allows(rolloff: float) -> None:
    """Timing, phase and carrier known; ends taken up to two symbols too far in or out."""
    rng = np.random.default_rng(11)
    fits = _true(tuple(int(n) for n in rng.integers(14, 40, 300)), 12, rolloff, 11.0)
    pulse = _known(fits)
    before, after = rng.integers(-2, 3, (2, len(fits)))
    rough = replace(fits, start=fits.start - before * fits.period, count=fits.count + before + after)
    smooth, ends = decide_pulse_ends(rough, pulse, _room(rough))
    wrong, ideal = _wrong_ends(fits, smooth), end_error_rate(11.0, rolloff)
    assert clopper_pearson(wrong, 600)[0] < 1.4 * ideal
    # as often as the probabilities say
    doubted = float(np.sum(2.0 - ends.start_probability - ends.end_probability))
    assert clopper_pearson(wrong, 600)[0] < 1.25 * doubted / 600
    # which rectangles do not come near where pulses ring
    flat, _ = decide_ends(rough)
    if rolloff < 0.5:
        assert _wrong_ends(fits, flat) > 2 * wrong


def test_ends_far_beyond_a_dip_are_found() -> None:
    """What was taken for a pause before them is looked through, up to the next transmission."""
    fits = _true((50, 60, 40), 21, 0.2)
    short = replace(fits, count=fits.count - 15, high=fits.stop - 14 * fits.period)
    found, ends = decide_pulse_ends(short, _known(fits), _room(short))
    assert _wrong_ends(fits, found) == 0
    assert min(ends.start_probability.min(), ends.end_probability.min()) > 0.9
    # but no farther than a neighbour or the end of the samples
    cramped = Room(
        _room(fits).walls, fits.start, np.sort(np.append(fits.stop, fits.start[1] + 20 * fits.period[0]))
    )
    kept, _ = decide_pulse_ends(
        replace(
            fits,
            low=fits.start + 20 * fits.period,
            start=fits.start + 20 * fits.period,
            count=fits.count - 20,
        ),
        _known(fits),
        cramped,
    )
    assert np.rint((kept.start[1] - fits.start[1]) / fits.period[1]) == 20


def test_followed_transmissions_end_where_fitted_ones_do() -> None:
    fits = _true((50, 60, 40, 33), 22, 0.35)
    pulse, whole = _known(fits), runs_of(fits)
    cut = runs_of(replace(fits, start=fits.start + 8 * fits.period, count=fits.count - 11))
    again, ends = decide_followed_ends(cut, pulse, _room(fits))
    assert again.count.tolist() == whole.count.tolist()
    np.testing.assert_allclose(again.first, whole.first, atol=1e-6)
    np.testing.assert_allclose(again.symbols, whole.symbols, atol=1e-3)
    np.testing.assert_allclose(again.before, whole.before, atol=1e-3)
    assert min(ends.start_probability.min(), ends.end_probability.min()) > 0.5
    # one symbol fewer leaves the others as they are
    less = resized(whole, np.zeros(4, dtype=np.int64), np.array([0, -1, 0, 0]))
    assert less.count.tolist() == [50, 59, 40, 33]
    np.testing.assert_allclose(less.symbols[50:109], whole.symbols[50:109], atol=1e-3)
    np.testing.assert_allclose(less.after[1, 0], whole.symbols[109], atol=1e-3)


@pytest.mark.parametrize("rolloff", [0.2, 0.5, 1.0])
def test_edges_of_followed_transmissions_are_as_sure_as_the_pulse_allows(rolloff: float) -> None:
    """Edges taken up to a quarter of a symbol late at one end and early at the other."""
    fits = _true((150, 120, 90, 60), 31, rolloff)
    pulse = _known(fits)
    tilt = np.array([0.2, -0.25, 0.15, -0.1])
    off = replace(
        fits, start=fits.start - tilt * fits.period, period=fits.period * (1.0 + 2.0 * tilt / fits.count)
    )
    runs = straightened(runs_of(off), pulse)
    first, last = (runs.first - fits.start) / fits.period, (runs.last - fits.stop) / fits.period
    # Cramer-Rao bound of a line of edges at its ends, 2 / (g rms(slope) root(n)); the slope of a pulse is 0.9 to 1.3
    due = 2.0 / (np.sqrt(2.0 * 10.0**1.4) * 0.9 * np.sqrt(fits.count))
    assert float(np.max(np.abs(np.concatenate((first, last))) / np.tile(due, 2))) < 3.5
    assert float(np.abs(first).max()) < 0.2 * float(np.abs(tilt).max())
    # with the symbols that are there
    whole = runs_of(fits)
    np.testing.assert_array_equal(runs.symbols.real > 0.0, whole.symbols.real > 0.0)
    assert runs.offset.tolist() == whole.offset.tolist()


def _complaints(draw: int, lengths: tuple[int, ...], rng: np.random.Generator) -> list[str]:
    period = rng.uniform(12.0, 60.0)
    cycles = min(rng.uniform(1.2, 8.0), 0.4 * period)
    made = smooth_capture(lengths, draw, ROLLOFFS[draw % 5], period_samples=period, cycles=cycles)
    result = score(made.bursts, asdict(decode(made.samples, RATE_HZ)))
    # where noise has the last word on an end, its probability says so
    unsure = tuple(
        f"burst at {pair.truth.start_s:.6g} s"
        for pair in result.pairs
        if abs(pair.length_error) == 1
        and min(pair.found["start_probability"], pair.found["end_probability"]) < 0.8
    )
    return [text for text in result.complaints() if ", ends " not in text or not text.startswith(unsure)]


@pytest.mark.parametrize("draw", long_but(0, 1, of=[9, 10, 11, 12]))
def test_no_symbol_of_smooth_pulses_is_missing_nor_too_many(draw: int) -> None:
    """Drawn in a row; taken for rectangles, three of the four had a burst one to four symbols too long or short."""
    rng = np.random.default_rng([draw, 5])
    assert _complaints(draw, tuple(int(n) for n in rng.integers(20, 120, 7)), rng) == []


@pytest.mark.parametrize("draw", long_but(0, 3, of=[1, 5, 10, 16]))
def test_long_bursts_of_smooth_pulses_are_not_cut(draw: int) -> None:
    """Beside a short one, which by itself tells the symbol period too roughly for them."""
    rng = np.random.default_rng([draw, 5])
    assert _complaints(draw, (22, *(int(n) for n in rng.integers(130, 220, 3))), rng) == []


@pytest.mark.parametrize("draw", [15])
def test_short_bursts_of_smooth_pulses_are_not_taken_for_another_clock(draw: int) -> None:
    """Timed half a symbol off, symbols are as uneven as those of another period."""
    assert _complaints(draw, (30,) * 6, np.random.default_rng([draw, 5])) == []


@pytest.mark.parametrize("rolloff", [0.35, 1.0])
def test_energy_of_smooth_symbols_is_that_of_their_pulse(rolloff: float) -> None:
    made = smooth_capture((90, 120, 80, 110), 11, rolloff, period_samples=37.3, cycles=6.4, esn0_db=14.0)
    told = [burst.esn0_db for burst in decode(made.samples.astype(np.float32), RATE_HZ).bursts]
    # a pulse has 1 - r / 4 of the energy of an unbroken carrier (Proakis, Digital Communications, section 9.2)
    due = 14.0 + 10.0 * np.log10(1.0 - rolloff / 4.0)
    assert len(told) == 4
    assert float(np.mean([level for level in told if level is not None])) == pytest.approx(due, abs=0.5)
