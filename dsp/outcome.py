"""What the search of an octave came to: a link, or why there is none."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from dsp.activity import Active
from dsp.extract import Model
from dsp.link import Learned
from dsp.noise import NoiseFloor
from dsp.period import Period
from dsp.quality import Fitness
from dsp.runs import Runs, nats_in, nats_of
from dsp.segment import Piece
from dsp.source import Record
from dsp.strip import Spans, Strip
from dsp.talkers import Talker

FEWEST_SYMBOLS = 7
"""Symbols of the longest transmission of a link that is believed: of eight, one that was weak may be missed at an end."""
AT_HALF = 0.1
"""Half symbol rates by which a carrier that lies some of them aside may be off."""
# share of the power of rectangular symbols that all their sidelobes on one side have: a twentieth
_SIDELOBE = 0.05
# times by which what is keyed may be stronger in single pieces, which are cut where it is strongest
_ABOVE = 2.0
# places of a band that tell the floor in it
_DENSITIES = 33


@dataclass(frozen=True, eq=False)
class Link:
    """All of one carrier and symbol period; ``rivals`` are other symbol periods.

    ``noise_scale`` is the noise met beside the transmissions over that of the floor; ``told_multiple`` how many
    symbols of the rate told one that the flips show holds.
    """

    model: Model
    period: Period
    talkers: tuple[Talker, ...]
    rivals: tuple[float, ...]
    noise_scale: float
    told_multiple: int = 1

    @property
    def nats(self) -> float:
        """Log-likelihood ratio of all its symbols against silence, less what noise would gain by as many transmissions."""
        return sum(nats_in(t.runs) for t in self.talkers)


@dataclass(frozen=True, eq=False)
class Contender:
    """A link, and what finds all of it ``again`` outside other samples (n, 2): None if that is nothing."""

    link: Link
    again: Callable[[Spans], Contender | None]


def _nothing(covered: Spans) -> Contender | None:
    return None


@dataclass(frozen=True)
class FewFlips:
    """Transmissions of one carrier whose reversals are too few, or too regular, to tell the symbol rate.

    ``rate_bd`` is one symbol rate that fits, if any was tried; ``alternates`` says that there is nothing but reversals.
    They cover the samples ``spans`` (n, 2); ``nats`` is the log-likelihood ratio of all their symbols against silence,
    ``strength`` what twice a symbol's energy is of the noise met, and ``noise_scale`` what that is of the noise told.
    """

    bursts: int
    flips: int
    carrier_hz: float
    rate_bd: float | None
    spans: Spans = field(compare=False)
    nats: float
    alternates: bool = False
    strength: float = 0.0
    noise_scale: float = 1.0


@dataclass(frozen=True)
class Keyed:
    """A carrier that is keyed in amplitude, or in phase by less than half a turn: symbol period in samples, or a part of it,
    and mean square of what is keyed."""

    carrier_hz: float
    period: float
    power: float

    def power_within(self, low_hz: float, high_hz: float, rate_hz: float) -> float:
        """Mean square of what rectangular symbols have there at most, wherever between their nulls."""
        null_hz = rate_hz / self.period
        below, above = low_hz - self.carrier_hz, high_hz - self.carrier_hz
        if below < null_hz and above > -null_hz:
            return self.power
        near, far = sorted((abs(below), abs(above)))
        return self.power * null_hz / math.pi**2 * (1.0 / near - 1.0 / far)


@dataclass(frozen=True, eq=False)
class Outcome:
    """A link; or (None) an unmodulated carrier, one with ``few`` reversals, or levels.

    ``keyed`` is a carrier that is keyed about a line, ``taken`` the model of something that a line which was taken off may
    be a part of, ``resting`` one whose carrier a line of the floor may be. ``left`` is what is active beside a link and all
    that was known before; ``again`` finds all of the link once more, outside the samples it is given.
    """

    link: Link | None
    few: FewFlips | None = None
    keyed: Keyed | None = None
    taken: Model | None = None
    resting: Model | None = None
    levels: bool = False
    left: list[Active] | None = None
    again: Callable[[Spans], Contender | None] = _nothing

    def is_open(self, keyed: Keyed | None) -> bool:
        """Whether this is something of its own, and neither a carrier that is keyed nor what looks like one about a line;
        beside one that is known to be ``keyed`` what is taken off is that one's."""
        if self.resting is not None or self.keyed is not None:
            return False
        return self.taken is None or keyed is None


def has_few(judged: Fitness, learned: Learned) -> bool:
    """Whether flips do not tell a symbol rate whatever their instants: nothing but flips may be two tones."""
    return _alternates(judged, learned) or int(learned.runs.count.max()) < FEWEST_SYMBOLS


def _alternates(judged: Fitness, learned: Learned) -> bool:
    return judged.symbols >= 10 and judged.flips >= 0.97 * (judged.symbols - len(learned.runs))


def few_of(record: Record, judged: Fitness, learned: Learned) -> FewFlips:
    runs, model = learned.runs, learned.model
    spans = samples_of(learned.strip, runs)
    return FewFlips(
        len(runs),
        judged.flips,
        model.carrier_hz,
        record.rate_hz / model.period,
        spans,
        nats_of(runs),
        _alternates(judged, learned),
        judged.gain**2 / judged.noise,
        judged.noise * learned.found.variance / learned.strip.variance,
    )


def spans_of_link(link: Link) -> Spans:
    """Samples (b, 2) of the record that the transmissions of a link cover."""
    return np.concatenate([samples_of(t.strip, t.runs) for t in link.talkers])


def samples_of(strip: Strip, runs: Runs) -> Spans:
    """Samples (b, 2) of the record that each transmission covers."""
    shift = strip.shift(0.5 * (runs.first + runs.last))
    return np.stack((runs.first + shift, runs.last + shift), axis=1)


def power_of(link: Link) -> float:
    """Mean square of the strongest talker's carrier while it is sent."""
    return max(0.5 * float(np.median(talker.runs.amplitude)) ** 2 for talker in link.talkers)


def is_sidelobe_of(link: Link, keyed: Keyed, rate_hz: float) -> bool:
    """Whether a link is what a far stronger carrier that is keyed has some half symbol rates aside, which seems reversed."""
    aside = 2.0 * abs(link.model.carrier_hz - keyed.carrier_hz) / rate_hz
    halves = [aside * period for period in (link.period.value, keyed.period)]
    at_half = any(abs(off - round(off)) < AT_HALF for off in halves)
    return at_half and power_of(link) < _SIDELOBE * keyed.power


def is_skirt_of(piece: Piece, keyed: Keyed, noise: NoiseFloor) -> bool:
    """Whether a piece is no more than what a carrier that is keyed has in its band."""
    low_hz, high_hz = piece.low_hz, piece.high_hz
    density = float(np.mean(noise.density(np.linspace(low_hz, high_hz, _DENSITIES))))
    power = (piece.ratio - 1.0) * density * piece.bins * noise.rate_hz / piece.frame
    # far from the carrier all of it is at the edges of symbols, of which the shortest piece has one
    edges = 1.0 + keyed.period / (piece.stop - piece.start)
    return power < _ABOVE * edges * keyed.power_within(low_hz, high_hz, noise.rate_hz)
