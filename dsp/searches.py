"""What the noise may be: each supposition is searched with, and the one that explains most, or leaves least, is believed.

First the floor counts as it is told. Where it does not explain all, what is sent nearly all the time may be a part of it;
if that leaves something, it may be sent all along in a part of the spectrum; and if not, a filter that noise and
transmissions went through alike may have shaped the floor.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache, partial

import numpy as np

from dsp.activity import blocks_of, find_activity
from dsp.all_along import goes_on, has_hump, with_all_along
from dsp.at_once import something_beside, with_others, without_links
from dsp.beside_tones import less_passing
from dsp.bpsk import Search, find_links
from dsp.classify import explain_nothing
from dsp.equalise import InverseFilter, inverse_filters, may_be_filtered
from dsp.extract import Model
from dsp.link import few_and_weak
from dsp.noise import NoiseFloor, estimate_noise, without_line_at, without_modulated_lines
from dsp.other_phases import suspected
from dsp.outcome import Keyed, is_sidelobe_of, spans_of_link
from dsp.rests import are_counted, rests_of
from dsp.results import DecodeSettings
from dsp.reversed_tone import has_sidebands, reversed_tone
from dsp.segment import Piece
from dsp.source import Record, Watch
from dsp.steadier import leave_no_noise
from dsp.strip import Spans

Line = tuple[Record, NoiseFloor]
"""A record and the floor it is searched with."""

# natural units that a carrier should stand out by: less is what the floor leaves of something sent nearly all the time
_FAINT_NATS = 50.0
# share of the floor that noise is at least if what is sent is no part of it, and what twice the energy of a symbol is of
# that noise at least if none is in doubt
_AS_PART, _FAINT = 0.2, 16.0
# share of what few reversals tell that their skirts and ends may
_SKIRT = 0.01
# times by which a floor stands out where something is sent nearly all the time
_HUMP = 3.0
# times the floor that noise is met with at most where it was told well: of few quiet frames it is known to a half
_AS_FLOOR = 1.5
# share of what links explain that other pieces may hold if links are as good as all there is
_LEFT = 0.1
# kinds that several transmissions at once may be taken for
_OPEN = ("none", "undecided", "multi-carrier")
# kinds without two phases, whatever the floor, and how probable one has to be for nothing else to be sought: of what was
# decoded in the end none was taken for one of them with more than 0.41
_OTHER, _SURE = ("qpsk", "fsk"), 0.9
# octaves in which nothing is found before a carrier that is keyed is sought no more
_VAIN = 2
# symbol rates to either side of a carrier in which rectangular symbols hold 95 % of their energy
_SKIRTS = 2.0
# places, and samples of one, that tell which of the searches leaves least, and whether one leaves anything
_PLACES, _PLACE = 32, 1 << 16


def searched(calm: Line, raw: Line, settings: DecodeSettings, watch: Watch) -> Search:
    """What is found in a record without its steady tones; in the ``raw`` one if these turn out to be part of what is sent."""
    found = _of_messages(calm, settings, watch.part(0.0, 0.5))
    keyed = _keyed(calm, settings, watch.part(0.0, 0.1)) if found is None else None
    suspect = cache(partial(suspected, *calm))
    search, line = found or (
        find_links(*calm, settings, watch.part(0.0, 0.5), keyed=keyed, suspect=suspect),
        calm,
    )
    known = search.taken
    if known is not None:
        line = raw[0], without_line_at(raw[1], known.carrier_hz)
        search = find_links(*line, settings, watch.part(0.0, 0.5), known=known)
    if keyed is None and search.keyed is None and not _is_all(search):
        search, line = less_passing(search, line, settings, watch.part(0.5, 0.5))
    if _are_few(search, line):
        return search
    known = known or search.resting
    # of what is sent nearly all the time the floor is a part: it is all there is, and told best so, if it leaves nothing
    again = _otherwise(search, line, known, settings, watch.part(0.5, 0.55))
    if again.is_keyed:
        # a carrier that is keyed in another way is what there is, whatever the noise
        return again
    if again is not search and _are_few(again, line):
        return again
    if again is not search and _is_all(again):
        return with_others(*line, again, settings, watch.part(0.6, 1.0))
    # what goes on all the time beside other things shapes the floor as a filter does
    along = _all_along(line, raw, search, settings, watch.part(0.55, 0.6))
    if along is not None:
        return with_others(*line, along, settings, watch.part(0.6, 1.0))
    filters = []
    if may_be_filtered(line[1]) and not _is_all_of(search, line):
        filters = inverse_filters(*line)
    before = _before_filter(line, filters, settings, watch.part(0.6, 0.8))
    enough = any(_is_all(one) and not _doubtful(one, its[1]) for one, its in before)
    likeliest = _least_left(line, search, filters, before) if enough else (search, line)
    if likeliest[1] is line:
        # no filter tells more than the floor as it is, of which what is sent may be a part
        likeliest = _least_left(line, again, filters, before)
    search, line = likeliest
    return with_others(*line, search, settings, watch.part(0.95, 1.0))


def _of_messages(calm: Line, settings: DecodeSettings, watch: Watch) -> tuple[Search, Line] | None:
    """What is sent on a steady tone that is reversed now and then: all of it, or its messages, where they do not tell how
    many symbols it rests for between them; None if nothing is."""
    resting = reversed_tone(*calm)
    if resting is None:
        return None
    # by what the reversals say, which is held against a rate that was told in the end
    settings = replace(settings, symbol_rate_bd=None)
    line = resting.line
    search = find_links(*line, settings, watch, messages=resting.messages)
    if search.links and not are_counted(*line, search.links[0], resting.messages):
        line = resting.without(rests_of(search.links[0]))
        search = find_links(*line, settings, watch, messages=resting.messages)
    return (search, line) if search.links else None


def _all_along(
    line: Line, raw: Line, search: Search, settings: DecodeSettings, watch: Watch
) -> Search | None:
    """The same with links that are sent all the time within a part of the spectrum; None if there are none.

    Only beside links, or where nothing else that is known was found: other signalling has sidelobes that seem reversed.
    """
    record, noise = line
    if search.links and not has_hump(record, noise, search.links):
        return None
    if not search.links:
        if noise.flattened() is None or not goes_on(record, noise):
            return None
        kind = explain_nothing(*raw, list(search.active), search)[0].kind
        if kind not in _OPEN:
            return None
    links = with_all_along(record, noise, search.links, settings, watch)
    # what other carriers that go on leave is no noise either
    links = tuple(
        link
        for link in links
        if link in search.links
        or not leave_no_noise(without_links(record, [other for other in links if other is not link]), link)
    )
    return None if not links or links == search.links else replace(search, links=links)


def _keyed(line: Line, settings: DecodeSettings, watch: Watch) -> Keyed | None:
    """A carrier that is keyed about a tone that was taken off, or that is sent all the time and so hides itself as a line."""
    record, noise = line
    flat = noise.flattened()
    if flat is None or (without_modulated_lines(record, noise) is noise and not has_sidebands(record)):
        return None
    seen = without_modulated_lines(record, flat)
    return find_links(record, seen, settings, watch, likeliest=True, vain=_VAIN).keyed


def _otherwise(
    search: Search, line: Line, known: Model | None, settings: DecodeSettings, watch: Watch
) -> Search:
    """What explains more with a floor that something sent is part of, of a model that is ``known`` perhaps.

    If that is a carrier that is keyed, what is no part of it.
    """
    if search.is_keyed or not _doubtful(search, line[1]):
        return search
    if _leave_nothing(search, line) or _is_otherwise(search, line):
        return search
    again = _continuous(*line, search.judged, known, settings, watch)
    if again is None:
        return search
    if again.is_keyed and again.keyed is not None:
        rate_hz = line[0].rate_hz
        links = tuple(link for link in search.links if not is_sidelobe_of(link, again.keyed, rate_hz))
        return replace(search, links=links, keyed=again.keyed)
    return again if again.weight > search.weight else search


def _before_filter(
    line: Line, filters: list[InverseFilter], settings: DecodeSettings, watch: Watch
) -> list[tuple[Search, Line]]:
    """What is found before each of the filters that may have coloured the floor.

    Before one of the right spectrum, be its phase wrong, something is found of what was sent: else there was none.
    """
    out = []
    for inverse in filters:
        record = inverse.of(line[0])
        noise = estimate_noise(record)
        if noise is not None:
            search = find_links(record, noise, settings, watch)
            if not search.links:
                break
            out.append((replace(search, before_filter=True), (record, noise)))
    return out


def _least_left(
    line: Line, search: Search, filters: list[InverseFilter], before: list[tuple[Search, Line]]
) -> tuple[Search, Line]:
    """Of what was found, that which leaves least once it is taken off, in noise that the inverse filter makes white: the
    likeliest of all (what is left of Gaussian noise has its power in the logarithm of the likelihood)."""
    found = [(search, line), *before]
    if not before:
        return found[0]
    spans = np.concatenate(
        [np.zeros((0, 2)), *(spans_of_link(link) for one, _ in found for link in one.links)]
    )
    places = _places(line[0], spans)
    left = [_power(filters[0].of(without_links(line[0], search.links)), places)]
    left.extend(_power(without_links(record, one.links), places) for one, (record, _) in before)
    return found[int(np.argmin(left))]


def _places(record: Record, spans: Spans) -> list[tuple[int, int]]:
    """Samples of a record that tell what is left of it: all of a short one, else about some of the ``spans`` (n, 2)."""
    whole = [(stretch.first, stretch.last) for stretch in record.stretches]
    if record.samples <= _PLACES * _PLACE:
        return whole
    middles = np.sort(spans.mean(axis=1)).astype(np.int64)
    chosen = np.unique(middles[np.linspace(0, middles.size - 1, _PLACES).astype(np.int64)] // _PLACE)
    out = []
    for number in chosen.tolist():
        stretch = record.stretch_at(number * _PLACE)
        start, stop = max(stretch.first, number * _PLACE), min(stretch.last, (number + 1) * _PLACE)
        if stop > start:
            out.append((start, stop))
    return out


def _power(record: Record, places: list[tuple[int, int]]) -> float:
    """Sum of squares of samples."""
    total = 0.0
    for start, stop in places:
        for at in range(start, stop, _PLACE):
            part = record.read_centred(at, min(stop, at + _PLACE))
            total += float(np.dot(part, part))
    return total


def _is_all_of(search: Search, line: Line) -> bool:
    """Whether links are all there is, in noise that no filter has shaped where they are."""
    record, noise = line
    for link in search.links:
        reach = np.linspace(-_SKIRTS, _SKIRTS, 65) * record.rate_hz / link.period.value
        hz = np.clip(link.model.carrier_hz + reach, 0.1 * link.model.carrier_hz, 0.49 * record.rate_hz)
        if may_be_filtered(noise, hz):
            return False
    return _is_all(search) and not something_beside(record, noise, search.links)


def _is_all(search: Search) -> bool:
    """Whether links leave nothing but the noise that was told."""
    left = sum(piece.nats for piece in (*search.unexplained, *search.unmodulated))
    calm = all(link.noise_scale < _AS_FLOOR for link in search.links)
    return bool(search.links) and calm and left < _LEFT * search.weight


def _doubtful(search: Search, floor: NoiseFloor) -> bool:
    """Whether what was found may be only the part of a transmission that its own floor leaves."""
    if not search.links:
        faint = sum(piece.nats for piece in search.unmodulated) < _FAINT_NATS
        return faint or _stands_on_itself(search, floor)
    return any(
        _is_faint(t.fitness.gain**2 / t.fitness.noise, link.noise_scale)
        for link in search.links
        for t in link.talkers
    )


def _stands_on_itself(search: Search, floor: NoiseFloor) -> bool:
    """Whether the floor is highest just where something comes and goes, by more than that stands out of it: it may be all
    of what is sent."""
    flat = floor.flattened()
    pieces = (*search.unmodulated, *search.unexplained)
    if flat is None or not pieces:
        return False
    low, high = min(p.low_hz for p in pieces), max(p.high_hz for p in pieces)
    inside = (floor.floor_hz >= low) & (floor.floor_hz <= high)
    hump = float(np.max(floor.floor[inside] / flat.floor[inside], initial=1.0))
    energy = np.array([p.energy for p in pieces])
    ratio = float(energy @ np.array([p.ratio for p in pieces])) / max(float(energy.sum()), 1e-300)
    return hump > max(_HUMP, ratio)


def _leave_nothing(search: Search, line: Line) -> bool:
    """Whether nothing stands out of what links leave, not even of its floor where that is lowest: they are all there is.

    Not where the floor was no measure of the noise. Of few weak transmissions one look may still find by chance what
    another misses.
    """
    talkers = [talker for link in search.links for talker in link.talkers]
    if any(link.noise_scale < _AS_PART for link in search.links):
        return False
    if all(few_and_weak(talker.runs) for talker in talkers):
        return False
    rest = without_links(line[0], search.links)
    noise = estimate_noise(rest)
    return noise is not None and _left_in(rest, noise, np.zeros((0, 2))) == 0.0


def _are_few(search: Search, line: Line) -> bool:
    """Whether transmissions of too few reversals, in no doubt themselves, are all there is but for their skirts."""
    if search.links or not search.few or any(_is_faint(one.strength, one.noise_scale) for one in search.few):
        return False
    covered = np.concatenate([few.spans for few in search.few])
    return _left_in(*line, covered) < _SKIRT * search.weight


def _left_in(record: Record, noise: NoiseFloor, covered: Spans) -> float:
    """Natural units by which anything stands out of the floor where that is lowest, but for what is ``covered`` (n, 2).

    Of a long record some parts are looked at, as when it is searched.
    """
    blocks = blocks_of(record)
    step = max(1, len(blocks) // _PLACES)
    some = blocks[step // 2 :: step]
    active = find_activity(record, noise.flattened() or noise, blocks=some, covered=covered)
    return sum(one.best.nats for one in active)


def _is_faint(strength: float, noise_scale: float) -> bool:
    """Whether symbols are hardly above the noise, or that is so far below the floor that they must be a part of it."""
    return noise_scale < _AS_PART or strength < _FAINT


def _is_otherwise(search: Search, line: Line) -> bool:
    """Whether what is seen, of which nothing was decoded, is surely keyed by more than two phases or by frequency."""
    if search.links:
        return False
    verdict = explain_nothing(*line, list(search.active), search)[0]
    return verdict.kind in _OTHER and verdict.probability > _SURE


def _is_as_known(record: Record, search: Search, known: Model) -> bool:
    """Whether the strongest link is on the carrier that was known beforehand: without its line no other one is sought."""
    reach = 0.5 * record.rate_hz / known.period
    return bool(search.links) and abs(search.links[0].model.carrier_hz - known.carrier_hz) < reach


def _continuous(
    record: Record,
    noise: NoiseFloor,
    judged: tuple[Piece, ...],
    known: Model | None,
    settings: DecodeSettings,
    watch: Watch,
) -> Search | None:
    """Look again for something that is sent nearly all the time and so was taken for the floor."""
    flat = noise.flattened()
    if flat is None:
        return None
    seen = without_modulated_lines(record, flat)
    bare = seen if known is None else without_line_at(seen, known.carrier_hz)
    search = find_links(record, bare, settings, watch, likeliest=True, judged=judged, known=known)
    if known is not None and not _is_as_known(record, search, known):
        search = find_links(record, seen, settings, watch, likeliest=True, judged=judged)
    return search if search.links or search.few or search.keyed is not None else None
