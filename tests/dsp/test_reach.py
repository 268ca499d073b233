"""Long transmissions reach as far as they are sent, whatever told their ends from the rest."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from generators.truths import RATE_HZ, capture, model_of, strip_from, true_fits

from dsp.extract import extract
from dsp.reach import reached
from dsp.runs import assemble

NOWHERE = np.zeros(0)


def test_ends_that_were_cut_off_are_found_again_as_far_as_the_next_transmission():
    made = capture((260, 30, 260), 17, esn0_db=16.0, gap_symbols=9.0)
    truth, model = true_fits(made), model_of(made)
    found = extract(strip_from(made), 2.0 * np.pi * model.carrier_hz / RATE_HZ, model)
    assert np.unique(found.owner).size == 2
    # as if the first three symbols of each and the last four had been told from the rest
    mine, windows = found.owner * 2, found.windows
    late, early = truth.start[mine] + 3.0 * windows.period, truth.stop[mine] - 4.0 * windows.period
    moved = np.maximum(late - windows.start, 0.0) - np.maximum(windows.stop - early, 0.0)
    symbols = np.rint(moved / windows.period)
    cut = replace(windows, low=late, high=early, start=windows.start + symbols * windows.period)
    assert assemble(cut, found.owner).count.max() < 255
    windows, owner = reached(found.fits, cut, found.owner, NOWHERE)
    run = assemble(windows, owner)
    assert run.count.tolist() == [260, 260]
    assert run.first == pytest.approx(truth.start[[0, 2]], abs=0.2 * truth.period[0])
    # as the last windows do
    assert windows.stop.max() == pytest.approx(truth.stop[2], abs=0.5 * truth.period[0])
    # a neighbour, or a border of the samples, is not reached into
    wall = float(truth.stop[2] - 2.0 * truth.period[0])
    windows, owner = reached(found.fits, cut, found.owner, np.array([wall]))
    assert assemble(windows, owner).last[1] < wall + 0.7 * truth.period[0]
