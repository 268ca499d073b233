"""Whether several symbols of a period make one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from generators.truths import Capture, capture, true_fits

from dsp.fits import Fits, scored
from dsp.merge import climb, climb_together
from dsp.period import compact
from dsp.synth import transmissions


def split(made: Capture, many: int, which: int = 0, *, skip: int = 0) -> Fits:
    """A burst as if each of its symbols were ``many``, the first ``skip`` of those left out."""
    truth = true_fits(made, which)
    part = truth.period / many
    return scored(
        replace(truth, period=part, start=truth.start + skip * part, count=truth.count * many - skip)
    )


@pytest.mark.parametrize("many", [1, 2, 3, 4, 5, 6, 7, 10])
def test_parts_of_symbols_are_put_together(many):
    """Each symbol that the data do not ask for costs ln 2 (MacKay 2003, chapter 28)."""
    made = capture((24,), 1, cycles=12.0)
    truth = true_fits(made)
    found = climb(split(made, many))
    assert found.period == pytest.approx(truth.period)
    assert found.start == pytest.approx(truth.start)
    assert found.count.tolist() == [24]
    assert found.nats == pytest.approx(scored(truth).nats, abs=1e-2)


@pytest.mark.parametrize("skip", [1, 2])
def test_the_first_part_may_be_missing(skip):
    """Two thirds or one of the first symbol left out: the grid of whole symbols is found all the same."""
    made = capture((24,), 2, cycles=12.0, esn0_db=18.0)
    truth = true_fits(made)
    found = climb(split(made, 3, skip=skip))
    assert found.period == pytest.approx(truth.period)
    away = (found.start - truth.start) / truth.period
    assert away == pytest.approx(np.rint(away))
    assert 23 <= found.count[0] <= 24


@pytest.mark.parametrize("esn0_db", [6.0, 14.0, 25.0])
def test_symbols_that_turn_are_not_put_together(esn0_db):
    """Twenty random symbols have a flip in every place: with any two as one, half of the energy is lost."""
    for draw in range(6):
        fit = scored(true_fits(capture((20,), 10 + draw, esn0_db=esn0_db)))
        assert climb(fit) is fit


def repeated(draw: int, many: int, lengths: tuple[int, ...]) -> tuple[Capture, Fits]:
    """Bursts in which every symbol comes ``many`` times; fitted with the symbols as they are."""
    source = capture(lengths, draw, gap_symbols=20.0 + max(lengths) * many)
    bursts = tuple(replace(b, symbols="".join(many * s for s in b.symbols)) for b in source.bursts)
    rng = np.random.default_rng(draw)
    count = len(source.samples) + int(max(lengths) * many * 40)
    clean = transmissions(bursts, 1e6, count).samples
    made = Capture(clean + rng.normal(0.0, source.sigma, count), bursts, source.sigma)
    return made, scored(true_fits(made))


@pytest.mark.parametrize("many", [1, 2, 3, 4, 6])
def test_all_bursts_together_tell_how_many_make_one(many):
    _, fits = repeated(30 + many, many, (12, 9, 15))
    assert climb_together(fits.take(np.arange(3))) == many


def test_one_burst_that_turns_in_between_keeps_all_apart():
    """Two bursts have flips at every second symbol only, the third anywhere."""
    _, even = repeated(40, 2, (9, 12))
    free = scored(true_fits(capture((24,), 41)))
    # by chance the two alone are of twice the period
    assert climb_together(even.take(np.arange(2))) == 2
    both = compact([even.take(np.arange(2)), free])
    assert both is not None
    assert both.turned.omega == free.turned.omega
    assert climb_together(both) == 1


def test_no_bursts_and_too_short_ones_are_left_alone():
    short = scored(true_fits(capture((3,), 42)))
    assert climb_together(short.take(np.arange(0))) == 1
    assert climb(short) is short
    assert climb_together(short) == 1
