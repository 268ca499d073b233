"""All transmissions of a link that is known, its carrier followed where it wanders over the record."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dsp.condition import Conditioner
from dsp.detect import LONG
from dsp.everywhere import Everything, everywhere
from dsp.extract import going_on
from dsp.follow import wander_of
from dsp.gate import spans_of
from dsp.link import Learned, energy_told, learn
from dsp.onward import drifts_away, straightened
from dsp.outcome import samples_of
from dsp.results import DecodeSettings
from dsp.runs import Runs, nats_in
from dsp.shared_period import of_shared_clock
from dsp.source import Watch
from dsp.strip import Spans
from dsp.talkers import talkers_of

# times that a carrier is followed by what was found with it followed before
_ROUNDS = 4
# share by which more must be explained for another, and by which it is more than a part of one fitted by itself gains
_GAINED, _MUCH = 1e-3, 0.02
# symbols beyond where a carrier was followed that are still as it is there
_ROOM = 150.0
# symbols by which one transmission must be longer to be more of the same
_REACH = LONG


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


def followed(
    conditioner: Conditioner,
    spans: list[tuple[int, int]],
    learned: Learned,
    settings: DecodeSettings,
    covered: Spans,
) -> tuple[Conditioner, Learned]:
    """The same, or with the carrier followed from where it was learned, if it changes so fast that the model loses it."""
    record = conditioner.record
    if not drifts_away(learned.runs, learned.strip, learned.model.period, record.samples):
        return conditioner, learned
    straight = straightened(conditioner, learned.runs, learned.strip, learned.model.period)
    if straight is None:
        return conditioner, learned
    again = _learned_along(straight, spans, learned, learned.runs, settings, covered)
    return (straight, again) if energy_told(again) > energy_told(learned) else (conditioner, learned)


def _learned_along(
    straight: Conditioner,
    spans: list[tuple[int, int]],
    learned: Learned,
    runs: Runs,
    settings: DecodeSettings,
    covered: Spans,
) -> Learned:
    """What is learned where a wander about the carrier that ``runs`` are turned by is taken off."""
    carrier_hz = runs.turned.omega * straight.record.rate_hz / (2.0 * np.pi)
    # carriers that differed because one wandered are alike
    model = replace(learned.model, carrier_hz=carrier_hz, spread=None, steady=False)
    return learn(straight.record, straight.strip(spans), model, settings, covered, merges=False)


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
        # talkers differ in strength: none that was met may be passed over
        weakest = min(learned.model.gain, float(learned.runs.gain.min(initial=np.inf)))
        model = replace(learned.model, gain=weakest)
        active = spans_of(record, conditioner.noise, model, scale, watch.part(0.0, 0.4))
        active = _with_followed(active, conditioner)
    whole = Whole(learned, _everything(conditioner, active, learned, covered, watch.part(0.4, 1.0)))
    if conditioner.wander is not None and _within_followed(whole):
        return whole
    omega = 2.0 * np.pi * learned.model.carrier_hz / record.rate_hz
    watch = Watch(None, watch.cancelled)
    for number in range(_ROUNDS):
        wander = wander_of(whole.everything.talkers, omega, whole.learned.model.period, record.samples)
        if wander is None:
            break
        further = None
        if number == 0 and conditioner.wander is None:
            further = _further(conditioner, active, whole, spans, settings, covered, watch)
        if further is not None:
            whole = further
            if _within_followed(whole):
                break
            continue
        straight = replace(conditioner, wander=wander)
        # carriers that differed because one wandered are alike
        model = replace(whole.learned.model, spread=None, steady=False)
        again = learn(record, straight.strip(spans), model, settings, covered, merges=False)
        if again.period is None:
            break
        other = Whole(again, _everything(straight, active, again, covered, watch))
        if not tells_more(other, whole):
            break
        whole = other
    return whole


def _further(
    conditioner: Conditioner,
    active: list[tuple[int, int]] | None,
    whole: Whole,
    spans: list[tuple[int, int]],
    settings: DecodeSettings,
    covered: Spans,
    watch: Watch,
) -> Whole | None:
    """What is found where the carrier of the longest transmission is followed on beyond it, if that explains more."""
    longest = max(whole.everything.talkers, key=lambda one: int(one.runs.count.max()))
    straight = straightened(conditioner, longest.runs, longest.strip, whole.learned.model.period)
    if straight is None:
        return None
    again = _learned_along(straight, spans, whole.learned, longest.runs, settings, covered)
    if again.period is None:
        return None
    active = None if active is None else _with_followed(active, straight)
    other = Whole(again, _everything(straight, active, again, covered, watch))
    return other if tells_more(other, whole) or _reaches_further(other, whole) else None


def _with_followed(active: list[tuple[int, int]], straight: Conditioner) -> list[tuple[int, int]]:
    """Spans (rising) with that over which a carrier was followed: far from the model's its symbols hardly show there."""
    if straight.wander is None:
        return active
    low, high = int(straight.wander.places[0]), int(straight.wander.places[-1])
    apart = [span for span in active if span[1] < low or span[0] > high]
    near = [span for span in active if span[1] >= low and span[0] <= high]
    return sorted([*apart, (min([low, *(a for a, _ in near)]), max([high, *(b for _, b in near)]))])


def _within_followed(whole: Whole) -> bool:
    """Whether all that was found lies where a carrier was followed."""
    talkers = whole.everything.talkers
    wander = talkers[0].strip.wander if talkers else None
    if wander is None:
        return False
    spans = np.concatenate([samples_of(t.strip, t.runs) for t in talkers])
    room = _ROOM * whole.learned.model.period
    return bool(spans.min() > wander.places[0] - room and spans.max() < wander.places[-1] + room)


def tells_more(other: Whole, whole: Whole) -> bool:
    """Whether another one explains more, in the noise that each meets, or much more in the same noise.

    What explains more may meet more noise in what the first one leaves out.
    """
    noise = min(whole.noise, other.noise)
    much = other.nats(noise) > (1.0 + _MUCH) * whole.nats(noise)
    return much or other.nats() >= (1.0 + _GAINED) * whole.nats()


def _reaches_further(other: Whole, whole: Whole) -> bool:
    """Whether another one explains more in the same noise, by a longer transmission of a carrier that was followed there."""
    noise = min(whole.noise, other.noise)
    far, near = (
        max((int(t.runs.count.max()) for t in one.everything.talkers), default=0) for one in (other, whole)
    )
    return far > near + _REACH and other.nats(noise) > (1.0 + _GAINED) * whole.nats(noise)


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
