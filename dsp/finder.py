"""What finds all transmissions of one link: as often as other links come to cover other parts of the record."""

from __future__ import annotations

from dataclasses import dataclass, replace

from dsp.condition import Conditioner
from dsp.link import Learned, hardly_above_noise, learn
from dsp.outcome import Contender, Link
from dsp.period import Period
from dsp.results import DecodeSettings
from dsp.shared_period import of_one_clock
from dsp.slips import unslipped
from dsp.source import Watch
from dsp.strip import Spans
from dsp.whole import whole_of


@dataclass(frozen=True, eq=False)
class Finder:
    """A link as it was ``learned`` in ``spans`` of a record, with its ``period``; the rest is as of `dsp.outcome.Link`.

    ``quiet`` tells whether to go on where it is found once more.
    """

    conditioner: Conditioner
    spans: list[tuple[int, int]]
    learned: Learned
    period: Period
    settings: DecodeSettings
    rivals: tuple[float, ...]
    noise_scale: float
    told_multiple: int
    quiet: Watch

    def link(self, covered: Spans, watch: Watch) -> Link | None:
        """All of it outside the samples ``covered`` (n, 2), which it was learned outside of; None if that is nothing to be
        believed."""
        found = whole_of(self.conditioner, self.spans, self.learned, self.settings, covered, watch)
        whole = found.everything
        if hardly_above_noise(whole.talkers):
            return None
        period = whole.period(found.learned.period or self.period)
        talkers = of_one_clock(whole.talkers, period)
        return Link(found.learned.model, period, talkers, self.rivals, self.noise_scale, self.told_multiple)

    def again(self, covered: Spans) -> Contender | None:
        """The same of a model that is learned anew outside the samples ``covered`` (n, 2)."""
        # what was learned with others among it says nothing of how carriers differ
        model = replace(self.learned.model, spread=None, steady=False)
        record, strip = self.conditioner.record, self.conditioner.strip(self.spans)
        learned = unslipped(
            record, learn(record, strip, model, self.settings, covered), self.settings, covered
        )
        if learned.period is None:
            return None
        finder = replace(self, learned=learned, period=learned.period)
        link = finder.link(covered, self.quiet)
        return None if link is None else Contender(link, finder.again)
