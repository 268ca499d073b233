"""Decided symbols: of fits, and of long transmissions whose carrier and clock drift, followed in windows."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from generators.long_runs import long_but
from generators.truths import (
    RATE_HZ,
    Capture,
    capture,
    model_of,
    same_or_opposite,
    sigma_for,
    strip_from,
    true_fits,
)

from dsp.decoder import decode
from dsp.detect import WINDOW, Parts, acquire, make_grid, windows_of
from dsp.extract import extract
from dsp.fits import Fits
from dsp.fits import join as join_fits
from dsp.runs import MARGIN, Runs, assemble, breaks, join, runs_of
from dsp.settling import settle
from dsp.synth import BurstSpec, random_symbols, waveform

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


def windows_in(made: Capture, hz: float) -> Runs:
    """What is found, told the noise, the period and the carrier in the middle."""
    model = replace(model_of(made), carrier_hz=hz)
    found = extract(strip_from(made), 2.0 * np.pi * hz / RATE_HZ, model)
    assert len(found.fits) == 0
    return assemble(found.windows, found.owner)


def places(runs: Runs) -> np.ndarray:
    """Edges (n + 1,) of the only transmission."""
    np.testing.assert_array_equal(runs.starts[1:], runs.stops[:-1])
    return np.append(runs.starts, runs.stops[-1])


def phases_of(runs: Runs) -> np.ndarray:
    """Phase of the carrier in the middle of each symbol."""
    return runs.angles + runs.turned.omega * (runs.starts + runs.stops) / 2.0


@pytest.mark.parametrize("hz_per_s", [0.0, 4_000.0, -9_000.0])
@pytest.mark.parametrize("clock", [0.0, 0.004])
def test_a_drifting_burst_is_followed_to_both_ends(hz_per_s, clock):
    made, edges, _ = drifting(1, hz_per_s, clock)
    mean_hz = 130e3 + hz_per_s * COUNT / SYMBOL_RATE / 2.0
    runs = windows_in(made, mean_hz)
    assert runs.count.tolist() == [COUNT]
    assert runs.drift.tolist() == [True]
    # no half turn slips on the way
    assert same_or_opposite(runs.symbols.real, made.bursts[0].symbols)
    assert np.max(np.abs(places(runs) - edges)) < 0.15 * PERIOD
    seconds = (runs.starts + runs.stops) / 2.0 / RATE_HZ - made.bursts[0].start_s
    due = 2 * np.pi * (130e3 * seconds + 0.5 * hz_per_s * seconds**2) + 1.3
    away = np.angle(np.exp(2j * (phases_of(runs) - due))) / 2.0
    assert np.max(np.abs(away)) < 0.5
    assert np.sqrt(np.mean(away**2)) < 0.15
    assert runs.omega[0] * RATE_HZ / (2 * np.pi) == pytest.approx(mean_hz, abs=20.0)
    assert runs.period[0] == pytest.approx(float(edges[-1] - edges[0]) / COUNT, rel=2e-4)
    assert np.median(runs.gains) == pytest.approx(np.sqrt(2.0 * 10**1.5), rel=0.1)
    assert runs.nats[0] == pytest.approx(COUNT * 10**1.5, rel=0.25)


def test_a_steady_burst_is_the_same_followed_or_fitted():
    made, _, _ = drifting(2, 0.0, 0.0)
    runs = windows_in(made, 130e3)
    whole = runs_of(true_fits(made, sharp=False))
    assert runs.count.tolist() == whole.count.tolist()
    assert np.mean(np.abs(np.abs(runs.symbols.real) - np.abs(whole.symbols.real))) < 0.5
    # and so are the silent symbols on either side
    for mine, its in ((runs.before, whole.before), (runs.after, whole.after)):
        assert mine.shape == its.shape == (1, MARGIN)
        assert np.mean(np.abs(np.abs(mine) - np.abs(its))) < 0.5


def test_the_end_is_not_led_astray_by_two_windows_that_nearly_coincide():
    """The last window begins two symbols after the one before; its timing is off by an eighth of a symbol."""
    made, edges, _ = drifting(5, 0.0, 0.0)
    strip = strip_from(made)
    turned = strip.turned(2.0 * np.pi * 130e3 / RATE_HZ)
    grid = make_grid(turned, strip.variance, PERIOD, 0.0, float(strip.size))
    last = round(edges[-1] / PERIOD)
    first = last - (3 * WINDOW // 2 + WINDOW + 2)
    whole = Parts(np.array([first]), np.array([last]), np.array([0.0]), np.array([edges[-1] + 3.0 * PERIOD]))
    parts, owner = windows_of(whole, grid)
    assert np.diff(parts.first)[-1] == 2
    windows = settle(acquire(grid, parts), ends=False)
    off = np.append(np.zeros(len(windows) - 1), 0.125 * PERIOD)
    runs = assemble(replace(windows, start=windows.start + off), owner)
    assert runs.last[0] == pytest.approx(edges[-1], abs=0.4 * PERIOD)


def test_no_symbol_ends_before_it_begins():
    """Two windows that cross, as those of a wrong model may: no strong neighbours bridge the symbol between them."""
    windows = windows_over(capture((400,), 31, esn0_db=18.0), 120, 380)
    assert float(np.median(windows.gain)) > 5.0
    number = len(windows) // 2
    back = windows.take(np.array([number]))
    before, after = (windows.take(np.arange(*some)) for some in ((number + 1,), (number + 1, len(windows))))
    crossing = join_fits([before, replace(back, start=back.start - 0.15 * back.period), after])
    runs = assemble(crossing, np.zeros(len(crossing), dtype=np.int64))
    assert len(runs) == 1
    assert np.all(runs.stops > runs.starts)


def test_following_stops_at_the_limits():
    """The windows reach ten symbols further."""
    made, edges, _ = drifting(3, 0.0, 0.0)
    begin, end = float(edges[100]), float(edges[330])
    strip = strip_from(made)
    turned = strip.turned(2.0 * np.pi * 130e3 / RATE_HZ)
    grid = make_grid(turned, strip.variance, PERIOD, 0.0, float(strip.size))
    first, last = int((begin - grid.begin) / PERIOD) - 10, int((end - grid.begin) / PERIOD) + 10
    whole = Parts(np.array([first]), np.array([last]), np.array([begin]), np.array([end]))
    parts, owner = windows_of(whole, grid)
    runs = assemble(settle(acquire(grid, parts), ends=False), owner)
    assert len(runs) == 1
    assert runs.first[0] > begin - PERIOD
    assert runs.last[0] < end + PERIOD
    assert abs(runs.count[0] - 230) <= 1


def test_windows_overlap_by_half_and_cover_their_run():
    made = capture((20,), 5)
    grid = make_grid(true_fits(made).turned, made.sigma**2, 9.0, 0.0, float(len(made.samples)))
    first, last = np.array([3, 150]), np.array([110, 300])
    parts, owner = windows_of(Parts(first, last, first * 9.0, last * 9.0), grid)
    for number in (0, 1):
        mine = owner == number
        begins, ends = parts.first[mine], parts.last[mine]
        assert (begins[0], ends[-1]) == (first[number], last[number])
        assert np.all(ends - begins == WINDOW)
        assert np.all(np.diff(begins) <= WINDOW // 2)
        assert np.all(np.diff(begins) >= 0)
        np.testing.assert_array_equal(parts.low[mine], first[number] * 9.0)
        np.testing.assert_array_equal(parts.high[mine], last[number] * 9.0)


def test_two_long_bursts_are_assembled_each_by_itself():
    made = capture((230, 310), 6, esn0_db=ESN0_DB, gap_symbols=12.0)
    found = extract(strip_from(made), float(true_fits(made).turned.omega), model_of(made))
    both = assemble(found.windows, found.owner)
    assert both.count.tolist() == [230, 310]
    for number, burst in enumerate(made.bursts):
        mine = found.owner == number
        alone = assemble(found.windows.take(mine), found.owner[mine])
        np.testing.assert_array_equal(both.take(np.array([number])).symbols, alone.symbols)
        assert same_or_opposite(alone.symbols.real, burst.symbols)


def windows_over(made: Capture, first: int, last: int) -> Fits:
    """Settled windows over these symbols of the grid, all with the period of the first burst."""
    strip, truth = strip_from(made), true_fits(made)
    grid = make_grid(
        truth.turned.sharpened(False), strip.variance, float(truth.period[0]), 0.0, float(strip.size)
    )
    room = np.array([0.0]), np.array([float(strip.size)])
    parts, _ = windows_of(Parts(np.array([first]), np.array([last]), *room), grid)
    return settle(acquire(grid, parts), ends=False)


def test_windows_of_one_burst_go_on_from_each_to_the_next():
    for draw in range(4):
        made = capture((400,), 30 + draw, esn0_db=12.0)
        first = int(true_fits(made).start[0] / true_fits(made).period[0]) + 1
        assert not breaks(windows_over(made, first, first + 398)).any()


def test_windows_of_two_bursts_break_where_the_second_begins():
    """Another phase or another timing: the windows on either side do not go on from each other."""
    apart = 0
    for draw in range(40, 48):
        made = capture((200, 200), draw, esn0_db=14.0, gap_symbols=2.3)
        truth = true_fits(made)
        period = float(truth.period[0])
        symbols = (truth.start[1] - truth.start[0]) / period
        turned = (truth.phase[1] - truth.phase[0]) / np.pi
        # by how much more than 0.2 symbols or 0.3 of half a turn: less may be either
        if max(abs(symbols - np.rint(symbols)) / 0.2, abs(turned - np.rint(turned)) / 0.3) < 1.2:
            continue
        first = int(truth.start[0] / period) + 1
        found = windows_over(made, first, first + 400)
        at = np.flatnonzero(breaks(found))
        assert 1 <= at.size <= 2
        assert np.all(np.abs(found.middle[at] - truth.stop[0]) < WINDOW * period)
        apart += 1
    assert apart >= 6


def test_runs_of_fits_say_what_the_fits_say():
    """Symbol by symbol from the samples, padded rows of any length and order."""
    made = capture((30, 9, 64), 4, lead_symbols=5.5, gap_symbols=4.0, cycles=2.3)
    fits = true_fits(made)
    runs = runs_of(fits)
    assert runs.count.tolist() == [30, 9, 64]
    assert runs.owner.tolist() == [0] * 30 + [1] * 9 + [2] * 64
    assert runs.omega.tolist() == fits.omega.tolist()
    assert runs.drift.tolist() == [False] * 3
    assert runs.period == pytest.approx(fits.period)
    assert runs.gain == pytest.approx(fits.gain)
    assert runs.amplitude == pytest.approx(fits.amplitude)
    norm = np.sqrt(made.sigma**2 * fits.period[0] / 2.0)
    place = np.arange(len(made.samples))
    for i in range(3):
        mine = slice(runs.offset[i], runs.offset[i + 1])
        edges = fits.start[i] + np.arange(fits.count[i] + 1) * fits.period[i]
        np.testing.assert_allclose(runs.starts[mine], edges[:-1])
        np.testing.assert_allclose(runs.stops[mine], edges[1:])
        np.testing.assert_allclose(
            phases_of(runs)[mine], fits.phase[i] + fits.omega[i] * (edges[:-1] + edges[1:]) / 2
        )
        theta = fits.omega[i] * place + fits.phase[i]
        for k, (low, high) in enumerate(pairwise(edges)):
            m = (place >= low) & (place < high)
            at = runs.offset[i] + k
            y = np.sum(made.samples[m] * np.exp(-1j * theta[m])) / norm
            assert runs.symbols[at] == pytest.approx(y, abs=1e-5 * abs(y) + 1e-5)
            half = fits.period[i] / 2.0
            due = np.sum(np.cos(theta[m]) * np.exp(-1j * theta[m])) / half
            assert runs.templates[at] == pytest.approx(due, abs=1e-5)
            assert runs.across[at] == pytest.approx(np.sum(np.sin(theta[m]) ** 2) / half, abs=1e-5)


def test_margins_beside_a_run_are_its_next_symbols_and_nothing_beyond_the_samples():
    made = capture((30,), 4, lead_symbols=5.5)
    fits = true_fits(made)
    runs = runs_of(fits)
    whole = int(fits.start[0] / fits.period[0])
    assert 5 <= whole < MARGIN
    rest = int((len(made.samples) - fits.stop[0] + 0.5) / fits.period[0])
    assert 5 <= rest < MARGIN
    more = replace(fits, start=fits.start - whole * fits.period, count=fits.count + whole + rest)
    wide = runs_of(more).symbols
    np.testing.assert_allclose(runs.before[0, MARGIN - whole :], wide[:whole], atol=1e-4)
    np.testing.assert_allclose(runs.after[0, :rest], wide[-rest:], atol=1e-4)
    assert np.all(runs.before[0, : MARGIN - whole] == 0.0)
    assert np.all(runs.after[0, rest:] == 0.0)


def test_taken_and_joined_runs_keep_their_symbols():
    runs = runs_of(true_fits(capture((12, 40, 7), 7)))
    mixed = join([runs.take(np.array([2, 1])), runs.take(np.array([True, False, False]))])
    assert mixed.count.tolist() == [12, 40, 7]
    for name in ("symbols", "starts", "stops", "gains", "templates", "across", "angles", "before", "after"):
        np.testing.assert_array_equal(getattr(mixed, name), getattr(runs, name))
    last = runs.take(np.array([2]))
    np.testing.assert_array_equal(last.symbols, runs.symbols[52:])
    assert (last.first[0], last.last[0]) == (runs.first[2], runs.last[2])
    assert len(runs.take(np.zeros(3, bool))) == 0


@pytest.mark.parametrize("draw", long_but(0, 2, of=[9, 41, 63, 65]))
def test_long_transmissions_of_few_samples_a_symbol_are_whole(draw: int) -> None:
    """A sample on the wrong side of an edge may hold a third of a symbol's energy: it parts nothing, and windows that lie on
    one clock put few there."""
    rng = np.random.default_rng([991, draw])
    samples_per_symbol = rng.uniform(5.0, 8.0)
    omega = 2.0 * np.pi * rng.uniform(1.0, min(2.2, samples_per_symbol / 2.6)) / samples_per_symbol
    rate_hz = 10.0 ** rng.uniform(4.5, 7.5)
    now, sent = rng.uniform(20.0, 60.0), []
    for _ in range(int(rng.integers(3, 9))):
        count = int(rng.integers(130, 600))
        sent.append((now, rng.integers(0, 2, count) * 2 - 1, rng.uniform(0.0, 6.28)))
        now += count + rng.uniform(5.0, 40.0)
    at = np.arange(int((now + 40.0) * samples_per_symbol))
    samples = np.zeros(at.size)
    for first, signs, phase in sent:
        place = at / samples_per_symbol - first
        on = (place >= 0.0) & (place < signs.size)
        samples[on] = signs[place[on].astype(int)] * np.sin(omega * at[on] + phase)
    # Es = A^2 T / 2 over N0 = 2 sigma^2 / rate: 14 dB
    samples += np.sqrt(samples_per_symbol / 4.0 / 10.0**1.4) * rng.standard_normal(at.size)
    bursts = decode(samples, rate_hz).bursts
    assert [len(b.symbols) for b in bursts] == [signs.size for _, signs, _ in sent]
    for burst, (_, signs, _) in zip(bursts, sent, strict=True):
        found = np.array([1 if s == "1" else -1 for s in burst.symbols])
        assert abs(int(found @ signs)) == signs.size


@pytest.mark.parametrize("clock", [0.0, 0.0012])
def test_windows_lie_on_one_line_unless_their_clock_bends(clock: float) -> None:
    """Bent by a twentieth of a symbol from a straight line, which each window by itself tells."""
    for draw in range(8):
        made, edges, _ = drifting(30 + draw, 0.0, clock)
        runs = windows_in(made, 130e3)
        assert runs.count.tolist() == [COUNT]
        # a straight line through all of them would be 0.018 symbols off
        assert np.sqrt(np.mean((places(runs) - edges) ** 2)) < 0.01 * PERIOD
