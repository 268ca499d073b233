"""Transmissions that leave no silence between them and go on from each other are one."""

from __future__ import annotations

from dataclasses import asdict, replace

import numpy as np
import pytest
from generators.truths import RATE_HZ, Capture, capture, model_of, strip_from, true_fits

from dsp import rejoin
from dsp.decoder import decode
from dsp.detect import Parts, acquire, make_grid, windows_of
from dsp.extract import extract
from dsp.fits import Fits, join
from dsp.pulse_ends import Room
from dsp.rejoin import rejoined
from dsp.runs import assemble
from dsp.settling import settle
from dsp.synth import transmissions

NOWHERE = np.zeros(0)


def _as_one(fits: Fits, borders: np.ndarray = NOWHERE) -> Fits:
    none = np.zeros(0, dtype=np.int64)
    return rejoined(fits, fits.take(none), none, borders)[0]


def _part(whole: Fits, symbols: int, count: int) -> Fits:
    start = whole.start + symbols * whole.period
    return settle(replace(whole, start=start, count=np.array([count])), ends=False)


def test_two_parts_of_a_transmission_are_one() -> None:
    fits = settle(true_fits(capture((44, 30), 7, esn0_db=15.0)), ends=False)
    whole = fits.take(np.array([0]))
    first, second = _part(whole, 0, 20), _part(whole, 19, 25)
    again = _as_one(join([second, first, fits.take(np.array([1]))]))
    assert again.count.tolist() == [44, 30]
    assert again.start[0] == pytest.approx(fits.start[0], abs=0.1 * fits.period[0])
    # nor where a border lies between them
    assert _as_one(join([first, second]), first.stop - 0.5 * first.period).count.tolist() == [20, 25]


def _in_step(draw: int) -> Fits:
    """Two with the same carrier, phase and timing before and after a silence of two symbols."""
    made = capture((44,), 20 + draw, esn0_db=12.0)
    whole = true_fits(made)
    clean = made.samples.copy()
    a, b = (round(float(whole.start[0] + k * whole.period[0])) for k in (20, 22))
    at = np.arange(a, b)
    clean[at] = np.random.default_rng(draw).normal(0.0, made.sigma, at.size)
    silent = true_fits(replace(made, samples=clean))
    return join([_part(silent, 0, 20), _part(silent, 22, 22)])


@pytest.mark.parametrize("draw", range(5))
def test_a_silence_of_two_symbols_parts_what_is_in_step(draw: int) -> None:
    assert _as_one(_in_step(draw)).count.tolist() == [20, 22]


def test_fits_less_good_than_they_could_be_make_no_silence_of_two_symbols_sent(monkeypatch) -> None:
    """One fit through both may be better than either's own by as much as the silence is worth."""
    halves = _in_step(0)
    none = np.zeros(0, dtype=np.int64)
    reached = rejoin._reached
    for less in (0.0, 25.0):
        monkeypatch.setattr(
            rejoin, "_reached", lambda side, *, first, less=less: reached(side, first=first) - less
        )
        items = rejoin._items(halves, halves.take(none), none)
        assert not rejoin._whole(items, np.array([0]), bends=False, held=False)[1].any()


def test_a_long_transmission_that_was_taken_for_two_is_followed_as_one() -> None:
    made = capture((400,), 9, esn0_db=12.0)
    model = model_of(made)
    found = extract(strip_from(made), 2.0 * np.pi * model.carrier_hz / RATE_HZ, model)
    assert np.unique(found.owner).size == 1
    middle = np.argsort(np.argsort(found.windows.start)) >= len(found.windows) // 2
    one, other = found.windows.take(~middle), found.windows.take(middle)
    # neither reaches over where they meet
    last = int(np.argmax(one.start))
    shared = np.rint((one.stop[last] - other.start.min()) / one.period[last])
    count = one.count.copy()
    count[last] -= int(shared)
    cut = join([replace(one, count=count), other])
    fits, windows, owner = rejoined(found.fits, cut, np.repeat([0, 1], [len(one), len(other)]), NOWHERE)
    assert len(fits) == 0
    assert np.unique(owner).size == 1
    assert windows.stop.max() - windows.start.min() == pytest.approx(400 * model.period, abs=2 * model.period)


def _halves(made: Capture, last: int, first: int) -> tuple[Fits, np.ndarray]:
    """Windows over the symbols before ``last``, and over those from ``first`` on, of the only transmission."""
    whole = true_fits(made)
    strip = strip_from(made)
    period = float(whole.period[0])
    grid = make_grid(whole.turned.sharpened(False), strip.variance, period, 0.0, float(strip.size))
    begin = (float(whole.start[0]) - grid.begin) / period
    edges = np.rint(begin + np.array([[0, last], [first, int(whole.count[0])]])).astype(np.int64)
    room = grid.begin + edges * period
    parts, owner = windows_of(Parts(edges[:, 0], edges[:, 1], room[:, 0], room[:, 1]), grid)
    return settle(acquire(grid, parts), ends=False), owner


@pytest.mark.parametrize(("last", "first"), [(190, 196), (200, 193)])
def test_what_was_not_looked_at_between_two_long_parts_or_was_in_both_makes_no_two_of_them(
    last: int, first: int
) -> None:
    made = capture((400,), 31, esn0_db=12.0)
    windows, owner = _halves(made, last, first)
    none = windows.take(np.zeros(0, dtype=np.int64))
    assert np.unique(rejoined(none, windows, owner, NOWHERE)[2]).size == 2
    fits, again, number = rejoined(none, windows, owner, NOWHERE, far=True)
    assert len(fits) == 0
    assert np.unique(number).size == 1
    run = assemble(again, number)
    assert run.count.tolist() == pytest.approx([400], abs=2)


@pytest.mark.parametrize("draw", range(4))
def test_a_pause_of_six_symbols_parts_long_transmissions_in_step(draw: int) -> None:
    made = capture((400,), 60 + draw, esn0_db=9.0)
    whole = true_fits(made)
    a, b = (round(float(whole.start[0] + k * whole.period[0])) for k in (190, 196))
    silent = made.samples.copy()
    silent[a:b] = np.random.default_rng(draw).normal(0.0, made.sigma, b - a)
    windows, owner = _halves(replace(made, samples=silent), 190, 196)
    none = windows.take(np.zeros(0, dtype=np.int64))
    assert np.unique(rejoined(none, windows, owner, NOWHERE, far=True)[2]).size == 2


@pytest.mark.parametrize("draw", range(4))
def test_what_was_not_looked_at_between_two_short_parts_makes_no_two_of_them_unless_it_is_silent(
    draw: int,
) -> None:
    made = capture((60,), 80 + draw, esn0_db=10.0)
    whole = true_fits(made)
    a, b = (round(float(whole.start[0] + k * whole.period[0])) for k in (28, 34))
    silent = made.samples.copy()
    silent[a:b] = np.random.default_rng(draw).normal(0.0, made.sigma, b - a)
    told = []
    for samples in (made.samples, silent):
        fits = true_fits(replace(made, samples=samples))
        parts = join([_part(fits, 0, 28), _part(fits, 34, 26)])
        none = parts.take(np.zeros(0, dtype=np.int64))
        told.append(rejoined(parts, none, none.count, NOWHERE, far=True)[0].count.tolist())
    assert told == [[60], [28, 26]]


def test_samples_that_two_claim_are_shared() -> None:
    """Each else loses them to the other; what covers the other's middle does not count."""
    starts, stops = np.array([90.0, 10.0, 300.0, 310.0]), np.array([200.0, 100.0, 400.0, 330.0])
    low, high = Room.shared(np.array([0.0, 500.0]), starts, stops).of(0.5 * (starts + stops))
    np.testing.assert_array_equal(low[:2], [95.0, 0.0])
    np.testing.assert_array_equal(high[:2], [300.0, 95.0])
    assert np.all(low <= 0.5 * (starts + stops))
    assert np.all(high >= 0.5 * (starts + stops))


@pytest.mark.parametrize("draw", range(4))
@pytest.mark.parametrize("strength", [0.4, 2.5])
def test_a_load_that_scales_the_signal_in_the_middle_of_it_makes_no_two_of_it(
    draw: int, strength: float
) -> None:
    made = capture((50, 60, 40), 40 + draw, esn0_db=22.0)
    burst = made.bursts[1]
    step = int((burst.start_s + (0.3 + 0.1 * draw) * (burst.end_s - burst.start_s)) * RATE_HZ)
    scaled = transmissions(list(made.bursts), RATE_HZ, made.samples.size).samples
    scaled[step:] *= strength
    scaled += np.random.default_rng(draw).normal(0.0, made.sigma, scaled.size)
    told = asdict(decode(scaled, RATE_HZ))["bursts"]
    assert [len(b["symbols"]) for b in told] == [50, 60, 40]
    for found, sent in zip(told, made.bursts, strict=True):
        assert found["symbols"] in (sent.symbols, sent.symbols.translate({48: 49, 49: 48}))
