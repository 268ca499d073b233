"""Finding and fitting every phase-reversal transmission in a record."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from dsp.activity import FEWER_FRAMES, Active, blocks_of, find_activity
from dsp.chance import beyond_chance
from dsp.condition import Conditioner
from dsp.contest import settled
from dsp.discover import discover
from dsp.extract import Model
from dsp.finder import Finder
from dsp.heavy_tails import nats_in_tails
from dsp.instants import by_reversals
from dsp.judged import are_judged
from dsp.keyed import line_under
from dsp.link import (
    Learned,
    are_levels,
    believed,
    divided,
    learn,
    likelier,
    rivals_of,
    spans_to_learn,
)
from dsp.noise import NoiseFloor
from dsp.other_phases import of_other_phases
from dsp.outcome import (
    FEWEST_SYMBOLS,
    Contender,
    FewFlips,
    Keyed,
    Link,
    Outcome,
    few_of,
    has_few,
    is_sidelobe_of,
    is_skirt_of,
    spans_of_link,
)
from dsp.quality import one_phase
from dsp.results import DecodeSettings
from dsp.runs import nats_of
from dsp.segment import Piece, cut, windows_of
from dsp.slips import unslipped
from dsp.source import Record, Watch
from dsp.steadier import leave_no_noise
from dsp.strip import Spans
from dsp.survey import surveyed
from dsp.told import told_multiple
from dsp.whole import followed

_MODELS_AT_MOST = 24
# blocks of a record that are looked at first, and stretches of activity of an octave
_BLOCKS_FIRST = 2
_BLOCKS_BESIDE = 8
_STRETCHES = 6
# octaves to either side of a carrier that are not looked at where nothing but the carrier is sent
_OCTAVES_BESIDE = 2
# share of the energy of pieces that is that of a carrier's skirts: single ones are stronger by chance
_NEARLY_ALL = 0.9


@dataclass(frozen=True, eq=False)
class Search:
    """The outcome: links, and the pieces of activity that no link explains, most telling first.

    ``active`` is what a first look found, ``few`` what has too few reversals to tell a symbol rate. ``keyed`` is a carrier
    that is keyed about a line, and no reversal; ``taken`` the model of something of which a line that was taken off may be
    a part, ``resting`` one at whose carrier a line of the floor stands. In what was ``judged`` nothing at all was found.
    ``before_filter`` says that a filter was undone first (`dsp.equalise`).
    """

    links: tuple[Link, ...]
    unexplained: tuple[Piece, ...]
    unmodulated: tuple[Piece, ...]
    active: tuple[Active, ...]
    few: tuple[FewFlips, ...] = ()
    keyed: Keyed | None = None
    taken: Model | None = None
    resting: Model | None = None
    judged: tuple[Piece, ...] = ()
    before_filter: bool = False

    @property
    def is_keyed(self) -> bool:
        """Whether a carrier that is keyed about a line is all that was found."""
        return self.keyed is not None and not self.links

    @property
    def told(self) -> float:
        """How much was explained: the log-likelihood ratio of all symbols against silence, in the noise that was met.

        Less what noise would gain by as many transmissions: one in two parts must explain more than it does as one.
        """
        return sum(link.nats for link in self.links)

    @property
    def weight(self) -> float:
        """The same, or of what has too few reversals, whichever is more."""
        return max(self.told, max((few.nats for few in self.few), default=0.0))


def find_links(
    record: Record,
    noise: NoiseFloor,
    settings: DecodeSettings,
    watch: Watch,
    *,
    likeliest: bool = False,
    judged: tuple[Piece, ...] = (),
    vain: int = _MODELS_AT_MOST,
    known: Model | None = None,
    keyed: Keyed | None = None,
    messages: tuple[Piece, ...] = (),
    suspect: Callable[[], Keyed | None] | None = None,
) -> Search:
    """Search octave by octave, the most energetic first, until nothing more is explained.

    ``likeliest`` takes what stands out of the floor most clearly first: where the floor is only supposed, its error,
    little as it is in each frame, adds up to more energy over a wide band than something narrow has. In what was
    ``judged`` there is nothing. After so many octaves in ``vain`` no more is tried. A model that is ``known`` is tried
    before others. Of a carrier that is known to be ``keyed``, or turns out to be, the skirts are not looked at. If something
    sent all the time has ``messages`` these tell what it is, or nothing does. Where a first lead leaves doubt, ``suspect``
    says whether there is a carrier that is keyed in another way.
    """
    nothing = list(judged)
    contenders: list[Contender] = []
    unmodulated: list[Piece] = []
    unexplained: list[Piece] = []
    few: list[FewFlips] = []
    resting: Model | None = None
    covered = np.zeros((0, 2))
    no_link: list[Spans] = [covered]
    active = [] if messages else first_look(record, noise, watch.part(0.0, 0.1))
    seen = active
    failed: set[int] = set()
    pieces: dict[int, list[Piece]] = {0: list(messages)} if messages else {}
    cut_from: list[Active] | None = active if messages else None
    for rounds in range(_MODELS_AT_MOST):
        if cut_from is not active:
            cut_from = active
            pieces = _pieces_of(record, noise, [a for a in active if a.octave not in failed], covered)
        skirts = _skirts(pieces, keyed, noise) - failed
        unexplained.extend(piece for octave in sorted(skirts) for piece in pieces[octave])
        failed |= skirts
        pieces = {octave: mine for octave, mine in pieces.items() if octave not in failed}
        if not pieces or len(failed) >= vain:
            break
        # strength on the line, not over the floor: a harmonic or a skirt may stand where the line is quieter
        octave = max(pieces, key=lambda o: _seen(active, o) if likeliest else _strength(noise, pieces[o]))
        mine = pieces[octave]
        part = watch.part(0.1 + 0.9 * rounds / (rounds + 1), 0.1 + 0.9 * (rounds + 1) / (rounds + 2))
        found = None
        if not are_judged(mine, nothing):
            found = _one_link(record, noise, mine, settings, covered, part.part(0.0, 0.9), known, suspect)
            if found is not None and not found.is_open(keyed):
                resting, keyed, found = resting or found.resting, keyed or found.keyed, None
        if found is None or found.link is None:
            unexplained.extend(mine)
            failed.add(octave)
        if found is None:
            nothing.extend(mine)
            continue
        # beside links it is what a restless tone left of itself
        if found.taken is not None and not contenders:
            return Search((), (), (), tuple(seen), taken=found.taken)
        if found.levels and not contenders:
            # their harmonics are nothing else
            return Search((), tuple(mine), (), tuple(seen))
        if found.few is not None:
            few.append(found.few)
            more = found.few.spans
            no_link.append(more)
        elif found.link is None:
            unmodulated.extend(mine)
            if any(abs(other - octave) > _OCTAVES_BESIDE for other in pieces):
                # hum, or the ripple of a motor, under something sent: neither its skirt nor its harmonics reach so far
                failed.update(o for o in pieces if abs(o - octave) <= _OCTAVES_BESIDE)
                continue
            more = np.array([(float(p.start), float(p.stop)) for p in mine])
            no_link.append(more)
        else:
            contenders.append(Contender(found.link, found.again))
            more = spans_of_link(found.link)
        covered = np.concatenate((covered, more))
        active = found.left or []
        if found.left is None:
            active = first_look(record, noise, part.part(0.9, 1.0), covered)
    unexplained.sort(key=lambda p: -p.nats)
    links = [one.link for one in settled(contenders, np.concatenate(no_link), record.rate_hz)]
    links = [link for link in links if not any(_is_shadow(link, other) for other in few)]
    if keyed is not None:
        links = [link for link in links if not is_sidelobe_of(link, keyed, record.rate_hz)]
    rest = (tuple(unexplained), tuple(unmodulated), tuple(seen))
    return Search(tuple(links), *rest, tuple(few), keyed, resting=resting, judged=tuple(nothing))


def first_look(record: Record, noise: NoiseFloor, watch: Watch, covered: Spans | None = None) -> list[Active]:
    """What is active in a part of the record; more of it is looked at until something is found, at last all.

    What else there is beside what is ``covered`` is looked for in a larger part, once.
    """
    blocks = blocks_of(record)
    if covered is not None:
        step = max(1, len(blocks) // _BLOCKS_BESIDE)
        some = blocks[step // 2 :: step]
        return find_activity(record, noise, watch, blocks=some, covered=covered, frames=FEWER_FRAMES)
    share = _BLOCKS_FIRST
    while True:
        step = max(1, len(blocks) // share)
        active = find_activity(record, noise, watch, blocks=blocks[step // 2 :: step])
        if active or step == 1:
            return active
        share *= 4


def _pieces_of(
    record: Record, noise: NoiseFloor, active: list[Active], covered: Spans
) -> dict[int, list[Piece]]:
    """The most telling transmissions of each octave; beside what is ``covered``, only what surely stands out."""
    out: dict[int, list[Piece]] = {}
    for octave in sorted({a.octave for a in active}):
        mine = sorted((a for a in active if a.octave == octave), key=lambda a: -a.best.nats)[:_STRETCHES]
        windows = [w for a in mine for w in windows_of(record, a)][:_STRETCHES]
        pieces = [
            p for w in windows for p in cut(record, noise, w, covered) if not len(covered) or _stands_out(p)
        ]
        if pieces:
            out[octave] = pieces
    return out


def _skirts(pieces: dict[int, list[Piece]], keyed: Keyed | None, noise: NoiseFloor) -> set[int]:
    """Octaves that hold hardly anything but what a carrier that is ``keyed`` has there."""
    if keyed is None:
        return set()
    held = {o: sum(one.energy for one in its if is_skirt_of(one, keyed, noise)) for o, its in pieces.items()}
    return {o for o, its in pieces.items() if held[o] > _NEARLY_ALL * sum(one.energy for one in its)}


def _stands_out(piece: Piece) -> bool:
    """Whether what is left beside a link is more than the floor's own error there."""
    return piece.ratio > 3.0 or piece.nats > 150.0


def _strength(noise: NoiseFloor, pieces: list[Piece]) -> float:
    """Energy of pieces in the unit of the samples."""
    middles = np.array([(p.low_hz + p.high_hz) / 2.0 for p in pieces])
    return float(np.sum(noise.density(middles) * np.array([p.energy for p in pieces])))


def _seen(active: list[Active], octave: int) -> float:
    return max(a.best.nats for a in active if a.octave == octave)


def _is_shadow(link: Link, few: FewFlips) -> bool:
    """Whether a link is what is left of a stronger transmission of few reversals, in the same samples.

    A carrier that seldom turns is also one half a symbol rate away that nearly always does.
    """
    mine = spans_of_link(link)
    shared = sum(
        float(np.sum(np.maximum(0.0, np.minimum(mine[:, 1], b) - np.maximum(mine[:, 0], a))))
        for a, b in few.spans
    )
    return shared > 0.5 * float(np.sum(mine[:, 1] - mine[:, 0])) and few.nats > sum(
        nats_of(t.runs) for t in link.talkers
    )


def _one_link(
    record: Record,
    noise: NoiseFloor,
    pieces: list[Piece],
    settings: DecodeSettings,
    covered: Spans,
    watch: Watch,
    known: Model | None = None,
    suspect: Callable[[], Keyed | None] | None = None,
) -> Outcome | None:
    """The link that explains these pieces, outside the samples ``covered``; None if nothing does.

    That of a model that is ``known``, if that explains them.
    """
    if known is not None and any(p.low_hz < known.carrier_hz < p.high_hz for p in pieces):
        # by what the reversals say, which is held against a rate that was told in the end
        untold = replace(settings, symbol_rate_bd=None)
        found = _of_model(record, noise, pieces, known, untold, covered, watch)
        if found is not None and found.link is not None:
            return found
    other = of_other_phases(record, pieces)
    if other is not None:
        return Outcome(None, keyed=other)
    held = partial(_suspected, noise, pieces, suspect)
    model = discover(record, noise, pieces, settings, watch.part(0.0, 0.4), lambda: held() is not None)
    if model is None:
        other = held()
        return None if other is None else Outcome(None, keyed=other)
    return (
        Outcome(None)
        if model.unmodulated
        else _of_model(record, noise, pieces, model, settings, covered, watch)
    )


def _suspected(
    noise: NoiseFloor, pieces: list[Piece], suspect: Callable[[], Keyed | None] | None
) -> Keyed | None:
    """A carrier that is keyed in another way, as which these pieces are suspect; None if there is none."""
    keyed = None if suspect is None else suspect()
    return keyed if _skirts({0: pieces}, keyed, noise) else None


def _of_model(
    record: Record,
    noise: NoiseFloor,
    pieces: list[Piece],
    model: Model,
    settings: DecodeSettings,
    covered: Spans,
    watch: Watch,
) -> Outcome | None:
    """The same of one model."""
    conditioner = Conditioner(record, noise, model.carrier_hz, record.rate_hz / model.period)
    spans, energy = spans_to_learn(record, pieces, model)
    strip = conditioner.strip(spans)
    learned = learn(record, strip, model, settings, covered)
    conditioner, learned = followed(conditioner, spans, learned, settings, covered)
    if learned.model.phased and (settings.carrier_hz, settings.symbol_rate_bd) != (None, None):
        # where it begins moves what is found of weak symbols by chance: what is told may add to that, and take nothing
        unaided = discover(record, noise, pieces, watch=watch.part(0.4, 0.5))
        learned = likelier(record, learned, unaided, settings, covered)
    learned, others = surveyed(record, unslipped(record, learned, settings, covered), settings, covered)
    is_open = False
    if settings.symbol_rate_bd is None:
        learned, is_open = by_reversals(record, learned, settings, covered)
    if learned.period is None:
        return None
    rivals = (*(period for period, _ in others), *rivals_of(learned.model, record.rate_hz))
    multiple = told_multiple(settings, record.rate_hz / learned.period.value)
    learned = divided(record, learned, multiple, covered)
    if learned.period is None or not len(learned.runs):
        return None
    # what is left beside a line that is a part of what is sent need not be believable by itself
    part = _beside_its_line(record, noise, learned)
    judged = believed(learned, energy, strip.variance)
    if part is not None or judged is None:
        return part
    if are_levels(learned, record.rate_hz):
        return Outcome(None, levels=True)
    model, period = learned.model, learned.period
    if judged.flips < 1 or (not is_open and one_phase(learned.runs)):
        return Outcome(None)
    few = settings.symbol_rate_bd is None and (is_open or has_few(judged, learned))
    told = replace(learned.runs, nats=nats_in_tails(learned.strip, learned.runs, covered))
    by_chance = not beyond_chance(told, model, strip.size, record.rate_hz, settings)
    if by_chance or (not few and int(learned.runs.count.max()) < FEWEST_SYMBOLS):
        return None
    if few:
        return Outcome(None, few_of(record, judged, learned))
    scale = learned.found.variance / strip.variance
    quiet, scale = Watch(None, watch.cancelled), scale * judged.noise
    finder = Finder(conditioner, spans, learned, period, settings, rivals, scale, multiple, quiet)
    link = finder.link(covered, watch.part(0.5, 1.0))
    if link is None or leave_no_noise(record, link):
        return None
    covered = np.concatenate((covered, spans_of_link(link)))
    left = first_look(record, noise, quiet, covered)
    return Outcome(link, left=left, again=finder.again)


def _beside_its_line(record: Record, noise: NoiseFloor, learned: Learned) -> Outcome | None:
    """Whether what was learned has a carrier that a line of the floor, or one that was taken off, is or may be a part of."""
    under = line_under(record, noise, learned)
    if under is None:
        return None
    model = learned.model
    if under == "keyed":
        power = 0.5 * float(np.median(learned.runs.amplitude)) ** 2
        return Outcome(None, keyed=Keyed(model.carrier_hz, model.period, power))
    return Outcome(None, taken=model) if under == "taken" else Outcome(None, resting=model)
