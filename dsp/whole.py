"""All transmissions of a link that is known, its carrier followed where it wanders over the record."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.condition import Conditioner
from dsp.everywhere import Everything, everywhere
from dsp.extract import going_on
from dsp.follow import wander_of
from dsp.gate import spans_of
from dsp.link import Learned, learn
from dsp.results import DecodeSettings
from dsp.runs import nats_in
from dsp.shared_period import of_shared_clock
from dsp.source import Watch
from dsp.strip import Spans
from dsp.talkers import talkers_of

# times that a carrier is followed by what was found with it followed before
_ROUNDS = 4
# share by which more must be explained for another, and by which it is more than a part of one fitted by itself gains
_GAINED, _MUCH = 1e-3, 0.02


@dataclass(frozen=True, eq=False)
class Whole:
    """All that was found of a link, and what of it is known from a part."""

    learned: Learned
    everything: Everything

    def nats(self, variance: float | None = None) -> float:
        """Log-likelihood ratio of all symbols against silence in noise of this variance, or in what each talker met."""
        return sum(nats_in(t.runs, variance) for t in self.everything.talkers)

    @property
    def noise(self) -> float:
        """The least noise variance that was met in transmissions; infinite without any."""
        return min((t.runs.variance for t in self.everything.talkers), default=float("inf"))


def whole_of(
    conditioner: Conditioner,
    spans: list[tuple[int, int]],
    learned: Learned,
    settings: DecodeSettings,
    covered: Spans,
    watch: Watch,
) -> Whole:
    """Every transmission of a link outside the samples ``covered``, learned in ``spans`` of the record.

    Where they show that the carrier wanders it is followed, if that explains more.
    """
    record = conditioner.record
    scale = learned.found.variance / learned.strip.variance
    active = None
    if learned.strip.size < record.samples:
        active = spans_of(record, conditioner.noise, learned.model, scale, watch.part(0.0, 0.4))
    whole = Whole(learned, _everything(conditioner, active, learned, covered, watch.part(0.4, 1.0)))
    omega = 2.0 * np.pi * learned.model.carrier_hz / record.rate_hz
    for _ in range(_ROUNDS):
        wander = wander_of(whole.everything.talkers, omega, whole.learned.model.period, record.samples)
        if wander is None:
            break
        straight = replace(conditioner, wander=wander)
        # carriers that differed because one wandered are alike
        model = replace(whole.learned.model, spread=None, steady=False)
        again = learn(record, straight.strip(spans), model, settings, covered, merges=False)
        if again.period is None:
            break
        watch_only = Watch(None, watch.cancelled)
        other = Whole(again, _everything(straight, active, again, covered, watch_only))
        if not tells_more(other, whole):
            break
        whole = other
    return whole


def tells_more(other: Whole, whole: Whole) -> bool:
    """Whether another one explains more, in the noise that each meets, or much more in the same noise.

    What explains more may meet more noise in what the first one leaves out.
    """
    noise = min(whole.noise, other.noise)
    much = other.nats(noise) > (1.0 + _MUCH) * whole.nats(noise)
    return much or other.nats() >= (1.0 + _GAINED) * whole.nats()


def _everything(
    conditioner: Conditioner,
    active: list[tuple[int, int]] | None,
    learned: Learned,
    covered: Spans,
    watch: Watch,
) -> Everything:
    """What is found in the ``active`` spans; None if what was learned is all of the record."""
    if active is not None:
        return everywhere(conditioner, active, learned.found.variance, learned.model, covered, watch)
    found = going_on(learned.found, learned.strip)
    talkers = talkers_of(learned.strip, found)
    fits = of_shared_clock(found.fits, talkers)
    return Everything(talkers, fits if len(fits) else None, len(fits) < len(found.fits))
