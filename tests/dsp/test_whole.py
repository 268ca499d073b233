"""All transmissions of a link: a carrier is followed only where that explains more."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from generators.truths import RATE_HZ, capture, flat_floor, model_of

import dsp.whole as module
from dsp.condition import Conditioner
from dsp.everywhere import Everything
from dsp.link import learn
from dsp.results import DecodeSettings
from dsp.runs import runs_of
from dsp.source import Watch
from dsp.talkers import talkers_of
from dsp.wander import wander_through

NONE = np.zeros((0, 2))


@pytest.mark.parametrize("draw", [51, 52, 53])
def test_a_carrier_is_not_followed_where_that_explains_less(draw, monkeypatch):
    made = capture((40, 60, 34, 50), draw, esn0_db=12.0, gap_symbols=30.0)
    record, model = made.record, model_of(made)
    conditioner = Conditioner(record, flat_floor(made.sigma), model.carrier_hz, RATE_HZ / model.period)
    spans = [(0, record.samples)]
    learned = learn(record, conditioner.strip(spans), model, DecodeSettings(), NONE)
    asked = []

    def bent(*_args):
        """Half a turn a symbol from one end to the other, of a carrier that stands still."""
        asked.append(1)
        swing = np.pi / model.period * np.array([-0.5, 0.5])
        return wander_through(np.array([0.0, float(record.samples)]), swing)

    monkeypatch.setattr(module, "wander_of", bent)
    found = module.whole_of(conditioner, spans, learned, DecodeSettings(), NONE, Watch())
    # it was tried once and left
    assert asked == [1]
    assert found.learned is learned
    assert sum(len(t.runs) for t in found.everything.talkers) == 4
    assert all(t.strip.wander is None for t in found.everything.talkers)


def test_what_explains_more_counts_in_the_same_noise_as_well() -> None:
    """Eight transmissions of eleven, and all of them in noise that is told half as much again."""
    made = capture((40,) * 11, 54, esn0_db=12.0, gap_symbols=30.0)
    record, model = made.record, model_of(made)
    conditioner = Conditioner(record, flat_floor(made.sigma), model.carrier_hz, RATE_HZ / model.period)
    learned = learn(record, conditioner.strip([(0, record.samples)]), model, DecodeSettings(), NONE)
    runs = runs_of(learned.found.fits)
    assert len(runs) == 11

    def whole(number: int, noise: float) -> module.Whole:
        talker = talkers_of(learned.strip, learned.found)[0]
        root = 1.0 / np.sqrt(noise)
        some = runs.take(np.arange(number))
        some = replace(
            some, variance=some.variance * noise, symbols=some.symbols * root, gains=some.gains * root
        )
        return module.Whole(learned, Everything([replace(talker, runs=some)], None, False))

    assert whole(11, 1.5).nats() < whole(8, 1.0).nats()
    assert module.tells_more(whole(11, 1.5), whole(8, 1.0))
    # the same in more noise tells nothing more, nor fewer in less
    assert not module.tells_more(whole(8, 1.5), whole(8, 1.0))
    assert not module.tells_more(whole(8, 1.0), whole(11, 1.0))
