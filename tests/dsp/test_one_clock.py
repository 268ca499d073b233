"""One clock through long transmissions of smooth pulses: no symbol more, none less, and two clocks where there are two."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.bounds import power
from generators.smooth import raised_cosine

from dsp.coast import clock
from dsp.detect import Parts, acquire, make_grid, windows_of
from dsp.extract import Found, Model, extract
from dsp.fits import Fits, Ints, scored
from dsp.one_clock import goes_on, on_one_clock
from dsp.runs import assemble, breaks
from dsp.settling import settle
from dsp.strip import strip_of

RATE_HZ = 1e6
PERIOD = 9.3
CYCLES = 2.6
OMEGA = 2.0 * np.pi * CYCLES / PERIOD
BESIDE = 30
TAIL = 6


def smooth(symbols: int, esn0_db: float, draw: int, jump: tuple[int, float] | None = None):
    """One transmission of raised cosines in noise, its signs and the standard deviation of the noise.

    From a symbol ``jump[0]`` on it is later by so many symbols.
    """
    rng = np.random.default_rng([draw, 4093])
    signs = rng.integers(0, 2, symbols) * 2 - 1
    samples = np.zeros(int((symbols + 2 * BESIDE) * PERIOD))
    for k, sign in enumerate(signs):
        middle = (BESIDE + k + 0.5 + (jump[1] if jump and k >= jump[0] else 0.0)) * PERIOD
        near = np.arange(int(middle - TAIL * PERIOD), int(middle + TAIL * PERIOD))
        samples[near] += sign * raised_cosine((near - middle) / PERIOD, 0.25)
    sigma = float(np.sqrt(PERIOD / 4.0 / power(esn0_db)))
    carrier = np.cos(OMEGA * np.arange(samples.size) + rng.uniform(0.0, 6.28))
    return samples * carrier + rng.normal(0.0, sigma, samples.size), signs, sigma


def found_in(draw: int, symbols: int, esn0_db: float) -> tuple[Found, np.ndarray]:
    values, signs, sigma = smooth(symbols, esn0_db, draw)
    strip = strip_of(values, sigma**2)
    gain = float(np.sqrt(2.0 * power(esn0_db)))
    return extract(strip, OMEGA, Model(OMEGA * RATE_HZ / (2.0 * np.pi), PERIOD, gain=gain)), signs


def places(found: Found, number: int) -> np.ndarray:
    """Which of the symbols sent those of a transmission stand at."""
    run = assemble(found.windows, found.owner)
    run = run.take(np.arange(len(run)) == number)
    return np.rint(0.5 * (run.starts + run.stops) / PERIOD - BESIDE - 0.5).astype(int)


def test_smooth_pulses_are_one_transmission_without_a_symbol_more_or_less():
    # counted from window to window, and with periods of windows that one of them spoils, one of these ten was
    right = 0
    for draw in range(10):
        found, _ = found_in(draw, 1500, 8.5)
        if len(found) == 1:
            right += bool((np.diff(places(found, 0)) == 1).all())
    # 16 of 20 others are: fewer than five of ten have a chance of 0.6 %
    assert right >= 5


def windows_in(jump: tuple[int, float] | None, esn0_db: float) -> tuple[Fits, Ints]:
    """Settled windows of a transmission of 1200 symbols."""
    values, _, sigma = smooth(1200, esn0_db, 3, jump)
    turned = strip_of(values, sigma**2).turned(OMEGA, False)
    grid = make_grid(turned, sigma**2, PERIOD, 0.0, float(values.size))
    part = Parts(
        np.array([BESIDE]), np.array([BESIDE + 1200]), np.array([0.0]), np.array([float(values.size)])
    )
    cut, owner = windows_of(part, grid)
    return settle(acquire(grid, cut), ends=False, width=0.12), owner


def off_clock(windows: Fits) -> np.ndarray:
    off = (windows.start + (windows.count // 2) * windows.period) / PERIOD
    return np.abs(off - np.rint(off))


def test_windows_apart_from_the_clock_of_the_others_are_moved_to_it():
    windows, owner = windows_in(None, 12.0)
    by_chance = off_clock(windows) > 0.2
    assert by_chance.sum() == 1
    away = np.isin(np.arange(len(windows)), (7, 8, 20, 33))
    sent = scored(replace(windows, start=windows.start + np.where(away, 0.42 * PERIOD, 0.0)))
    assert breaks(sent).any()
    told = goes_on(sent)
    assert not told[away | by_chance].any()
    # few of the others are taken for such
    assert told[off_clock(sent) < 0.1].mean() > 0.95
    moved = on_one_clock(sent, owner)
    assert off_clock(moved).max() < 0.15
    np.testing.assert_array_equal(moved.start[told], windows.start[told])
    # each with the phase that it has there
    assert (np.abs(np.sin(moved.phase - windows.phase))[away] < 0.2).all()


@pytest.mark.parametrize("late", [0.5, 0.35, -0.4])
def test_two_clocks_stay_two(late):
    windows, owner = windows_in((640, late), 12.0)
    same = on_one_clock(windows, owner)
    place = (same.start + (same.count // 2) * same.period) / PERIOD
    before, after = place < BESIDE + 610, place > BESIDE + 670
    assert off_clock(same)[before].max() < 0.15
    off = place[after] - late
    assert np.abs(off - np.rint(off)).max() < 0.15


def test_a_clock_is_told_though_some_of_its_windows_stand_anywhere():
    rng = np.random.default_rng(8)
    period = 10.07
    symbols = 24.0 * np.arange(90)
    place = period * (symbols + rng.normal(0.0, 0.06, symbols.size))
    away = rng.permutation(90)[:9]
    place[away] += period * rng.uniform(-0.5, 0.5, away.size)
    # steps of 0.05 of a symbol over 96 are 0.0005; a symbol miscounted over nine windows would be 0.005
    np.testing.assert_allclose(clock(place, 10.0) / period, 1.0, atol=0.001)
    # a rest of a number of symbols that is not whole changes nothing
    place[45:] += 300.4 * period
    np.testing.assert_allclose(clock(place, 10.0) / period, 1.0, atol=0.001)
