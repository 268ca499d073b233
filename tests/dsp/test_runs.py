"""Following long transmissions whose carrier and clock drift."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from generators.truths import RATE_HZ, Capture, capture, region_of, same_or_opposite, sigma_for, true_fit

from dsp.burstfit import Fit
from dsp.correlate import turn_back
from dsp.synth import BurstSpec, random_symbols, waveform
from dsp.track import WINDOW, follow, run_of

SYMBOL_RATE = 20_000.0
PERIOD = RATE_HZ / SYMBOL_RATE
COUNT = 400
# an ideal receiver takes a silent symbol at an end for a sent one once in 10^4, and errs in no symbol
ESN0_DB = 15.0


def drifting(draw: int, hz_per_s: float, clock: float) -> tuple[Capture, np.ndarray, np.ndarray]:
    """A burst whose clock runs faster by a share ``clock`` at its end than at its start; edges, phases.

    Time is bent: the sample at ``t`` is that of an even burst at ``t + bend t^2``.
    """
    rng = np.random.default_rng(draw)
    spec = BurstSpec(
        0.0, random_symbols(COUNT, rng, longest_run=6), SYMBOL_RATE, 130e3, 1.0, 1.3 + np.pi / 2.0
    )
    start = 600.4 / RATE_HZ
    bend = clock / 2.0 / (COUNT / SYMBOL_RATE)
    count = int(start * RATE_HZ + COUNT * PERIOD + 600)
    times = np.arange(count) / RATE_HZ - start
    bent = np.where(times > 0.0, times + bend * times**2, times)
    sigma = sigma_for(ESN0_DB, SYMBOL_RATE)
    # the carrier is not bent with the clock: it has its own drift
    keyed = waveform(replace(spec, modulation="baseband"), bent)
    turns = spec.carrier_hz * times + 0.5 * hz_per_s * times**2
    samples = keyed * np.cos(2 * np.pi * turns + 1.3) + rng.normal(0.0, sigma, count)
    places = np.arange(COUNT + 1) / SYMBOL_RATE
    edges = places if bend == 0.0 else (np.sqrt(1.0 + 4.0 * bend * places) - 1.0) / (2.0 * bend)
    middles = (edges[:-1] + edges[1:]) / 2.0
    phases = 2 * np.pi * (spec.carrier_hz * middles + 0.5 * hz_per_s * middles**2) + 1.3
    made = Capture(samples, (replace(spec, start_s=start),), sigma)
    return made, (edges + start) * RATE_HZ, phases


def window_in_the_middle(made: Capture, edges: np.ndarray, phases: np.ndarray) -> Fit:
    """A window as a search might give it: carrier and period right on the spot, phase off a little."""
    first = (COUNT - WINDOW) // 2
    middles = (edges[:-1] + edges[1:]) / 2.0
    ends = [first, first + WINDOW - 1]
    rate = float(np.diff(phases[ends])[0] / np.diff(middles[ends])[0])
    middle = float(edges[first] + edges[first + WINDOW]) / 2.0
    phase = float(np.interp(middle, middles, phases)) - rate * middle + 0.2
    period = float(edges[first + WINDOW] - edges[first]) / WINDOW
    turned = turn_back(made.samples, rate)
    return Fit(region_of(made), turned, rate, phase, 1.0, period, float(edges[first]) + 1.0, WINDOW, 0.0)


@pytest.mark.parametrize("hz_per_s", [0.0, 4_000.0, -9_000.0])
@pytest.mark.parametrize("clock", [0.0, 0.004])
def test_a_drifting_burst_is_followed_to_both_ends(hz_per_s, clock):
    made, edges, phases = drifting(1, hz_per_s, clock)
    run, nats = follow(window_in_the_middle(made, edges, phases), 0.0, float(len(made.samples)))
    assert run.count == COUNT
    assert run.drift
    # no half turn slips on the way
    assert same_or_opposite(run.symbols.real, made.bursts[0].symbols)
    assert np.max(np.abs(run.edges - edges)) < 0.15 * PERIOD
    seconds = (run.edges[:-1] + run.edges[1:]) / 2.0 / RATE_HZ - made.bursts[0].start_s
    due = 2 * np.pi * (130e3 * seconds + 0.5 * hz_per_s * seconds**2) + 1.3
    away = np.angle(np.exp(2j * (run.phases - due))) / 2.0
    assert np.max(np.abs(away)) < 0.5
    assert np.sqrt(np.mean(away**2)) < 0.15
    mean_hz = 130e3 + hz_per_s * COUNT / SYMBOL_RATE / 2.0
    assert run.omega * RATE_HZ / (2 * np.pi) == pytest.approx(mean_hz, abs=20.0)
    assert run.period == pytest.approx(float(edges[-1] - edges[0]) / COUNT, rel=2e-4)
    assert np.median(run.gains) == pytest.approx(np.sqrt(2.0 * 10**1.5), rel=0.1)
    assert nats == pytest.approx(COUNT * 10**1.5, rel=0.25)


def test_a_steady_burst_is_the_same_followed_or_fitted():
    made, edges, phases = drifting(2, 0.0, 0.0)
    run, _ = follow(window_in_the_middle(made, edges, phases), 0.0, float(len(made.samples)))
    whole = run_of(true_fit(made, sharp=False))
    assert np.mean(np.abs(np.abs(run.symbols.real) - np.abs(whole.symbols.real))) < 0.5
    # and so are the silent symbols on either side
    for mine, its in ((run.margin_before, whole.margin_before), (run.margin_after, whole.margin_after)):
        assert mine.size == its.size == 8
        assert np.mean(np.abs(np.abs(mine) - np.abs(its))) < 0.5


def test_following_stops_at_the_limits():
    made, edges, phases = drifting(3, 0.0, 0.0)
    begin, end = float(edges[100]), float(edges[330])
    run, _ = follow(window_in_the_middle(made, edges, phases), begin, end)
    assert run.edges[0] > begin - PERIOD
    assert run.edges[-1] < end + PERIOD
    assert abs(run.count - 230) <= 1


def test_a_run_of_a_fit_says_what_the_fit_says():
    made = capture((30,), 4, lead_symbols=5.5)
    fit = true_fit(made)
    run = run_of(fit, margin=8)
    np.testing.assert_array_equal(run.edges, fit.edges())
    np.testing.assert_allclose(run.symbols, fit.turned_symbols())
    np.testing.assert_allclose(run.templates.real, fit.energies())
    assert np.all(run.gains == fit.gain)
    assert (run.count, run.omega, run.drift) == (30, fit.omega, False)
    assert run.period == pytest.approx(fit.period)
    # no margin beyond the samples there are
    whole = int(fit.start / fit.period)
    assert 5 <= run.margin_before.size == whole < 8
    np.testing.assert_allclose(run.margin_before, fit.turned_symbols(whole, 0)[:whole])
    middles = (run.edges[:-1] + run.edges[1:]) / 2.0
    np.testing.assert_allclose(run.phases, fit.phase + fit.omega * middles)
