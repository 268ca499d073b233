"""Links that go on all the time within parts of the spectrum, beside others that are known or by themselves.

What never pauses is a part of the floor, and while a link is sent that was found, the samples it covers are searched for
nothing else. What `dsp.unbroken` sees is searched for, each in its own band, in what the links that are known leave of
the record (successive interference cancellation, Viterbi 1990).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from dsp.at_once import is_of, near_carrier, without_links
from dsp.bpsk import find_links
from dsp.noise import NoiseFloor, estimate_noise
from dsp.one_band import by_itself
from dsp.outcome import AT_HALF, Link, power_of, spans_of_link
from dsp.results import DecodeSettings
from dsp.source import Record, Watch
from dsp.talkers import Talker
from dsp.unbroken import Unbroken, all_unbroken, apart, own_range, unbroken

# links that are looked for, and bands in which nothing is found before no more are looked at
_MOST, _VAIN = 8, 2
# samples that tell what was there before links were taken off, and share of what is left that it has at least
_PLACE, _WAS_THERE = 1 << 17, 0.5
# power that a link leaves at most of itself beside its own band, over its own, and half symbol rates so far
_LEFT_POWER, _LEFT_HALVES = 0.1, 8.0
# transmissions of a talker that tell the same of it
_SPANS = 8
# times by which a floor rises above what it is on either side where something may be sent all along
_HUMP = 2.0
# times by which the noise in a band is more than where the floor is lowest, for that to be no error of either
_FLAT = 3.0
# Es/N0 (as a ratio) below which a link is not believed where no noise but that beside it is known: the band may be
# told by half or twice what it has (measured)
_LEAST_ESN0 = 2.0
# power over that of the noise in its band that something is told to have at first, at most: held against less noise smooth
# symbols are no longer like rectangles, of which they leave up to a fifth of the power. An Es/N0 of 16 dB, in a band of two
# to three symbol rates, leaves no symbol in doubt; only where nothing is found so is the noise told as it is
_CLEAR = 16.0
# times by which a link explains more than one that was only a part of it
_MORE = 1.2


def with_all_along(
    record: Record, noise: NoiseFloor, links: Sequence[Link], settings: DecodeSettings, watch: Watch
) -> tuple[Link, ...]:
    """The same links and further ones, or others where what was found was but a part of what goes on."""
    known = list(links)
    own: list[Link] = []
    seen: list[Unbroken] = []
    told: list[Unbroken] = []
    shut: list[tuple[float, float]] = []
    looks, failed, fresh, floor = 0, 0, True, noise
    while looks < _MOST and failed < _VAIN:
        some = _outside(floor, seen, shut)
        if not some and fresh:
            # what stands beside something stronger, or within its range, shows once that is taken off
            rest, floor = _left(record, noise, known)
            seen, fresh = [one for one in all_unbroken(rest) if _was_there(record, rest, one)], False
            seen = [
                one
                for one in seen
                if not any(near_carrier(record, one.carrier_hz, link) for link in own)
                and not any(_is_left_of(record, one, link) for link in known)
            ]
            # and what could not be told may be, without what was found since
            shut, failed = [(one.low_hz, one.high_hz) for one in told], 0
            some = _outside(floor, seen, shut)
        if not some:
            break
        one = some[0]
        looks += 1
        part = [link for link in known if near_carrier(record, one.carrier_hz, link)]
        others = [link for link in known if link not in part]
        found = _search(record, noise, others, one, seen, settings, watch)
        # what stands in its range beside it is no part of it
        mine = [link for link in found if near_carrier(record, one.carrier_hz, link)]
        beside = [link for link in found if link not in mine and not _is_any(record, link, part)]
        if sum(link.nats for link in mine) <= _MORE * sum(link.nats for link in part):
            mine = []
        if mine or beside:
            known, own, fresh = [*others, *(mine or part), *beside], [*own, *mine], True
        if mine or part:
            told.append(one)
        elif not beside:
            failed += 1
        # within its range are parts of a link, while something else may hide what is beside it there
        shut.append(own_range(floor, one, seen) if mine or part else (one.low_hz, one.high_hz))
    return tuple(known)


def _is_left_of(record: Record, one: Unbroken, link: Link) -> bool:
    """Whether something weak is some half symbol rates aside from a link: what a link of smooth symbols leaves of itself,
    taken off as rectangles, repeats with its symbols, and so seems reversed there."""
    half_hz = 0.5 * record.rate_hz / link.period.value
    off = abs(one.carrier_hz - link.model.carrier_hz) / half_hz
    weak = one.power < _LEFT_POWER * power_of(link)
    return weak and off < _LEFT_HALVES and abs(off - round(off)) < AT_HALF


def _is_any(record: Record, one: Link, links: Sequence[Link]) -> bool:
    return any(is_of(record, one, link) for link in links)


def _was_there(record: Record, rest: Record, one: Unbroken) -> bool:
    """Whether the record has in a band what is there once links are taken off: rectangles taken off smooth symbols make
    energy further out than those have any."""
    if rest is record:
        return True
    stretch = max(record.stretches, key=len)
    length = min(len(stretch), _PLACE)
    start = stretch.first + (len(stretch) - length) // 2
    before, after = (_energy(some, start, start + length, one.low_hz, one.high_hz) for some in (record, rest))
    return before > _WAS_THERE * after


def _energy(record: Record, start: int, stop: int, low_hz: float, high_hz: float) -> float:
    """What samples of a record hold of a band, in a unit of its own."""
    from scipy.fft import rfft

    window = np.hanning(stop - start + 1)[:-1].astype(np.float32)
    first, last = (max(0, round(hz * window.size / record.rate_hz)) for hz in (low_hz, high_hz))
    spectrum = rfft(record.read_centred(start, stop) * window)[first : last + 1]
    return float(np.sum(np.abs(spectrum) ** 2))


def _outside(noise: NoiseFloor, seen: list[Unbroken], shut: list[tuple[float, float]]) -> list[Unbroken]:
    """Of what was seen, the most telling beside ranges that are ``shut``."""
    return apart(noise, [one for one in seen if not any(low <= one.carrier_hz <= high for low, high in shut)])


def _search(
    record: Record,
    noise: NoiseFloor,
    others: Sequence[Link],
    one: Unbroken,
    seen: list[Unbroken],
    settings: DecodeSettings,
    watch: Watch,
) -> list[Link]:
    """Links in the band of what was seen, in what the others leave."""
    rest, floor = _left(record, noise, others)
    for most in (_CLEAR, math.inf):
        if one.contrast <= _CLEAR and most == _CLEAR:
            continue
        alone = by_itself(rest, floor, one, seen, most)
        found = find_links(*alone, settings, watch, likeliest=True, vain=_VAIN).links
        links = [_that_was_there(record, rest, link) for link in found if _is_clear(link)]
        out = [link for link in links if link is not None and not _is_any(record, link, others)]
        if any(near_carrier(record, one.carrier_hz, link) for link in out):
            break
    return out


def _that_was_there(record: Record, rest: Record, link: Link) -> Link | None:
    """A link without what only others made when they were taken off; None if that is all of it.

    Rectangles taken off smooth symbols make energy further out, of as many symbols, where these had none.
    """
    if rest is record:
        return link
    talkers = tuple(talker for talker in link.talkers if _was_sent(record, rest, link, talker))
    return replace(link, talkers=talkers) if talkers else None


def _was_sent(record: Record, rest: Record, link: Link, talker: Talker) -> bool:
    spans = spans_of_link(replace(link, talkers=(talker,)))
    reach = record.rate_hz / link.period.value
    carrier_hz = link.model.carrier_hz
    before = after = 0.0
    for low, high in spans[np.linspace(0, len(spans) - 1, _SPANS).astype(np.int64)]:
        stretch = record.stretch_at(0.5 * (low + high))
        start, stop = max(stretch.first, int(low)), min(stretch.last, int(high), int(low) + _PLACE)
        if stop > start:
            one = (start, stop, carrier_hz - reach, carrier_hz + reach)
            before, after = before + _energy(record, *one), after + _energy(rest, *one)
    return before > _WAS_THERE * after


def _is_clear(link: Link) -> bool:
    """Whether symbols of any talker are stronger than noise is that is told by nothing but the link itself."""
    return any(t.fitness.gain**2 > 2.0 * _LEAST_ESN0 * t.fitness.noise for t in link.talkers)


def _left(record: Record, noise: NoiseFloor, links: Sequence[Link]) -> tuple[Record, NoiseFloor]:
    if not links:
        return record, noise
    rest = without_links(record, links)
    return rest, estimate_noise(rest) or noise


def has_hump(record: Record, noise: NoiseFloor, links: Sequence[Link]) -> bool:
    """Whether the floor rises and falls again anywhere but at the links' carriers."""
    floor = noise.floor
    left = np.minimum.accumulate(floor)
    right = np.minimum.accumulate(floor[::-1])[::-1]
    high = noise.floor_hz[floor > _HUMP * np.maximum(left, right)].tolist()
    return any(not any(near_carrier(record, hz, link) for link in links) for hz in high)


def goes_on(record: Record, noise: NoiseFloor) -> bool:
    """Whether something goes on beside other things, or in more noise than there is elsewhere.

    What is alone in a flat floor is all that rises above it (`NoiseFloor.flattened`).
    """
    seen = unbroken(record, noise)
    flat = noise.flattened()
    if not seen or flat is None:
        return False
    low, high = own_range(noise, seen[0])
    alone = low <= noise.floor_hz[0] and high >= noise.floor_hz[-1]
    return not alone or seen[0].density >= _FLAT * float(flat.density(seen[0].carrier_hz))
