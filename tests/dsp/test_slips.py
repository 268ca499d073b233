"""A symbol period that counts one symbol too many into transmissions is found out by what it leaves over."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from generators.truths import RATE_HZ, capture, model_of, strip_from

from dsp.link import learn
from dsp.quality import fitness
from dsp.results import DecodeSettings
from dsp.slips import likelier_period, unslipped

NOTHING, NONE = DecodeSettings(), np.zeros((0, 2))
LENGTHS = (120,) * 8


def learned_with(made, off: float):
    right = model_of(made)
    return learn(made.record, strip_from(made), replace(right, period=right.period * off), NOTHING, NONE)


# draws of which learning alone does not find the way back: in most, transmissions that it cut at what looks like pauses,
# where symbols cancel, tell the right period
@pytest.mark.parametrize(("slipped", "draw"), [(-1, 3), (-1, 6), (1, 3), (1, 4), (1, 5)])
def test_one_symbol_too_many_or_too_few_is_put_right(draw, slipped):
    made = capture(LENGTHS, draw, esn0_db=14.0)
    period = RATE_HZ / made.bursts[0].symbol_rate_bd
    wrong = learned_with(made, 87 / (87 + slipped))
    assert abs(wrong.model.period / period - 1.0) * 87 > 0.5, "learning alone does not find the way back"
    assert fitness(wrong.runs).noise > 1.3
    right = unslipped(made.record, wrong, NOTHING, NONE)
    assert abs(right.model.period / period - 1.0) * 120 < 0.1
    assert sorted(right.runs.count.tolist()) == sorted(LENGTHS)


@pytest.mark.parametrize(("slipped", "draw"), [(-1, 0), (-1, 1), (-1, 2), (1, 0), (1, 1), (1, 2)])
def test_what_learning_puts_right_by_itself_stays(draw, slipped):
    made = capture(LENGTHS, draw, esn0_db=14.0)
    period = RATE_HZ / made.bursts[0].symbol_rate_bd
    right = unslipped(made.record, learned_with(made, 87 / (87 + slipped)), NOTHING, NONE)
    assert abs(right.model.period / period - 1.0) * 120 < 0.1
    assert sorted(right.runs.count.tolist()) == sorted(LENGTHS)


@pytest.mark.parametrize("draw", range(4))
def test_a_right_period_stays(draw):
    made = capture(LENGTHS, draw, esn0_db=14.0)
    right = learned_with(made, 1.0)
    assert likelier_period(right.strip.samples, right.runs, right.model) is None
    assert unslipped(made.record, right, NOTHING, NONE) is right


def test_a_rate_that_was_told_is_not_touched():
    made = capture(LENGTHS, 0, esn0_db=14.0)
    wrong = learned_with(made, 87 / 88)
    told = DecodeSettings(symbol_rate_bd=RATE_HZ / wrong.model.period)
    assert unslipped(made.record, wrong, told, NONE) is wrong
