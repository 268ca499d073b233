"""Links on other carriers whose transmissions lie over each other in time.

A search leaves out the samples that a link it found covers, so that of what else is sent there only the parts beside
are seen. What is known of one link is taken off for the other, and the other way round (successive interference
cancellation, Viterbi 1990): each is searched for again in what the others leave.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from dsp.activity import FEWER_FRAMES, Active, find_activity
from dsp.bpsk import Search, find_links
from dsp.equalise import may_be_filtered
from dsp.leads import centre_hz
from dsp.noise import NoiseFloor, estimate_noise, without_modulated_lines
from dsp.outcome import AT_HALF, Link, power_of, samples_of, spans_of_link
from dsp.results import DecodeSettings
from dsp.segment import Piece
from dsp.sent import sent_of
from dsp.source import Floats, Record, Watch
from dsp.strip import Spans
from dsp.talkers import Talker

_ROUNDS = 3
# octaves, the strongest, in which nothing is found before no more of what links leave are looked at
_VAIN = 3
# samples that are looked at together, and how often, for anything beside the links while they are sent
_PLACE = 1 << 14
_PLACES = 8
# frames of spectra that show it at little cost, in so many times longer places
_FRAMES = (512,)
_LONG = 8
# natural units by which it must stand out, and share of a link's power that it has at least: what a filter of the
# line, or a fit's own error, leaves of a link that was taken off has less
_STANDS_OUT = 150.0
_LEAST_POWER = 0.01
# and share of it that was there before anything was taken off
_WAS_THERE = 0.5
# share of a piece's energy beside its tone on either side
_BESIDE_TONE = 0.03
# bins that a box with a tone at its edge reaches beyond that, and share of the tone's frequency that this is at most
_LEAKS, _LEAK_SHARE = 4.0, 0.5
# share of a box in which a link must be sent to be what shows in it
_ON = 0.5
# symbol rates around a carrier within which a link is the same one
_NEAR = 1.5
# symbols by which transmissions that are one and the same may differ at their ends
_SAME_ENDS = 3.0
# share by which symbol periods of the same link differ at most, and correlation of reversals above which they are the same
_SAME_PERIOD, _ALIKE = 0.01, 0.5
# share of the likelihood that a link may lose when the others are taken off
_KEPT = 0.9
# times by which links explain more, searched for again, if what they leave is to be searched once more
_MORE = 1.05


def with_others(
    record: Record, noise: NoiseFloor, search: Search, settings: DecodeSettings, watch: Watch
) -> Search:
    """The same with what else is sent while the links are, each link searched for again without the others."""
    groups = _by_carrier(record, search.links)
    own = [_carrier_band(record, link) for link in search.links]
    # what is next to a link's carrier may be what is left of it
    apart = (one for one in search.unmodulated if not any(a < centre_hz(one) < b for a, b in own))
    tones = [tone_band(record, one) for one in apart]
    for number in range(_ROUNDS):
        part = watch.part(number / _ROUNDS, (number + 1) / _ROUNDS)
        links = _all(groups)
        if not links or not something_beside(record, noise, links, tones):
            break
        told = _told(groups)
        for i in reversed(range(len(groups))) if len(groups) > 1 else ():
            groups[i] = _again(record, noise, groups, i, settings, part.part(0.0, 0.4))
        # what was no link at first may have become a part of one
        merged = _by_carrier(record, sorted(_all(groups), key=lambda link: -link.nats))
        if len(merged) < len(groups):
            groups = merged
            for i, group in enumerate(groups):
                if len(group) > 1:
                    groups[i] = _again(record, noise, groups, i, settings, part.part(0.4, 0.5))
        links = _all(groups)
        rest = without_links(record, links)
        left = _found(rest, estimate_noise(rest) or noise, settings, part.part(0.5, 1.0))
        fresh = [link for link in left if _is_more(record, link, links)]
        if not fresh and (number or _told(groups) < _MORE * told):
            break
        groups.extend(_by_carrier(record, fresh))
    return replace(search, links=tuple(_all(groups)))


def _by_carrier(record: Record, links: Sequence[Link]) -> list[list[Link]]:
    """Links in groups of one carrier each: parts of one link may have been taken for links of their own."""
    groups: list[list[Link]] = []
    for link in links:
        own = next((group for group in groups if _is_near(record, link, group[0])), None)
        if own is None:
            groups.append([link])
        else:
            own.append(link)
    return groups


def _is_more(record: Record, link: Link, links: Sequence[Link]) -> bool:
    """Whether a link found in what others leave is one that stood beside them, and nothing that is left of these."""
    stands_out = link.nats > _STANDS_OUT and power_of(link) > _LEAST_POWER * max(map(power_of, links))
    return stands_out and not any(is_of(record, link, other) for other in links)


def _told(groups: Sequence[Sequence[Link]]) -> float:
    return sum(link.nats for link in _all(groups))


def _all(groups: Sequence[Sequence[Link]]) -> list[Link]:
    return [link for group in groups for link in group]


def without_links(record: Record, links: Sequence[Link]) -> Record:
    """The record less what is known to be sent."""
    return record.less(one for link in links for one in sent_of(link.talkers))


def _carrier_band(record: Record, link: Link) -> tuple[float, float]:
    reach = _NEAR * record.rate_hz / link.period.value
    return link.model.carrier_hz - reach, link.model.carrier_hz + reach


def something_beside(
    record: Record, noise: NoiseFloor, links: Sequence[Link], tones: Sequence[tuple[float, float]] = ()
) -> bool:
    """Whether, while links are sent, anything else shows once they are taken off: away from the carriers of those that
    are known to be sent then, and from bands of ``tones`` that were seen beside them and do not reverse."""
    spans = [spans_of_link(link) for link in links]
    blocks = _places(record, np.concatenate(spans))
    rest = without_links(record, [replace(link, talkers=_within(link, blocks)) for link in links])
    frames = _FRAMES if max(stop - start for start, stop in blocks) > _LONG * max(_FRAMES) else FEWER_FRAMES
    found = find_activity(rest, noise, blocks=blocks, frames=frames, threshold_nats=_STANDS_OUT)
    least = _LEAST_POWER * max(power_of(link) for link in links)
    for active in found:
        covered = [_covered_share(its, active) for its in spans]
        middle_hz = 0.5 * (active.best.low_hz + active.best.high_hz)
        bands = [
            _carrier_band(record, link) for link, share in zip(links, covered, strict=True) if share > _ON
        ]
        apart = not any(low < middle_hz < high for low, high in bands)
        if max(covered) == 0.0 or not apart or _box_power(noise, active) <= least:
            continue
        if any(_is_tone(record, active, low, high) for low, high in tones):
            continue
        before, after = (_power_in(one, active, bands) for one in (record, rest))
        if before > _WAS_THERE * after:
            return True
    return False


def tone_band(record: Record, piece: Piece) -> tuple[float, float]:
    """The frequencies in Hz between which nearly all lies that a piece has within its band, itself far wider perhaps."""
    from scipy.fft import rfft

    samples = record.read_centred(piece.start, piece.stop)
    hz = np.arange(samples.size // 2 + 1) * (record.rate_hz / samples.size)
    power = np.abs(rfft(samples * np.hanning(samples.size + 2)[1:-1])) ** 2
    power[(hz < piece.low_hz) | (hz > piece.high_hz)] = 0.0
    share = np.cumsum(power) / max(float(power.sum()), 1e-300)
    low, high = np.searchsorted(share, (_BESIDE_TONE, 1.0 - _BESIDE_TONE))
    return float(hz[low]), float(hz[min(high, hz.size - 1)])


def _is_tone(record: Record, active: Active, low_hz: float, high_hz: float) -> bool:
    """Whether a box shows a tone between such frequencies, as wide as its bins do."""
    leak_hz = min(_LEAKS * record.rate_hz / active.best.frame, _LEAK_SHARE * low_hz)
    return low_hz - leak_hz <= active.best.low_hz and active.best.high_hz <= high_hz + leak_hz


def _within(link: Link, blocks: list[tuple[int, int]]) -> tuple[Talker, ...]:
    """Talkers of a link that may send in blocks of the record: there may be thousands of transmissions elsewhere."""
    low, high = np.array(blocks, dtype=np.float64).T
    spans = [samples_of(talker.strip, talker.runs) for talker in link.talkers]
    # half a sample beside an edge is shared out
    near = [np.searchsorted(high, its[:, 0] - 1.0) < np.searchsorted(low, its[:, 1] + 1.0) for its in spans]
    return tuple(talker for talker, rows in zip(link.talkers, near, strict=True) if rows.any())


def _power_in(record: Record, active: Active, bands: list[tuple[float, float]]) -> float:
    """What a record holds of a box beside the links' ``bands``, in a unit of its own.

    Taking off symbols with abrupt ends where smooth ones were sent makes energy further out than those have any: what
    stands beside them stood there before.
    """
    from scipy.fft import rfft

    box = active.best
    window = np.hanning(box.stop - box.start + 1)[:-1].astype(np.float32)
    hz = np.arange(window.size // 2 + 1) * (record.rate_hz / window.size)
    inside = (hz >= box.low_hz) & (hz <= box.high_hz)
    for low, high in bands:
        inside &= (hz < low) | (hz > high)
    spectrum = rfft(record.read_centred(box.start, box.stop) * window)[inside]
    return float(np.sum(np.abs(spectrum) ** 2))


def _covered_share(spans: Spans, active: Active) -> float:
    """Share of the box that tells most in which a link with spans (n, 2) is known to be sent."""
    start, stop = active.best.start, active.best.stop
    inside = np.minimum(spans[:, 1], stop) - np.maximum(spans[:, 0], start)
    return float(np.sum(np.maximum(inside, 0.0))) / (stop - start)


def _box_power(noise: NoiseFloor, active: Active) -> float:
    """Mean square of what stands out in a box, at the least: natural units of so many ordinates give their mean."""
    box = active.best
    wide = box.high_hz - box.low_hz
    ordinates = max(1.0, wide * (box.stop - box.start) / noise.rate_hz)
    return box.nats / ordinates * float(noise.density(0.5 * (box.low_hz + box.high_hz))) * wide


def _places(record: Record, spans: Spans) -> list[tuple[int, int]]:
    """Blocks of the record in rising order in which something is sent, evenly chosen, without overlap."""
    middles = np.sort(spans.mean(axis=1))
    chosen = middles[np.linspace(0, middles.size - 1, min(_PLACES, middles.size)).astype(np.int64)]
    out: list[tuple[int, int]] = []
    for middle in chosen.tolist():
        stretch = record.stretch_at(middle)
        start = max(stretch.first, int(middle) - _PLACE // 2, out[-1][1] if out else 0)
        stop = min(stretch.last, start + _PLACE)
        if stop > start:
            out.append((start, stop))
    return out


def _found(record: Record, noise: NoiseFloor, settings: DecodeSettings, watch: Watch) -> tuple[Link, ...]:
    """Links of a record in which something is sent; perhaps all the time, which a flat floor shows.

    Where the floor is far lower elsewhere a filter has made it so: noise is not flat then, and what has a part of the
    spectrum for itself was searched for in that (`dsp.all_along`).
    """
    links = find_links(record, noise, settings, watch, vain=_VAIN).links
    flat = noise.flattened()
    if links or flat is None or may_be_filtered(noise):
        return links
    return find_links(record, without_modulated_lines(record, flat), settings, watch, likeliest=True).links


def _again(
    record: Record,
    noise: NoiseFloor,
    groups: list[list[Link]],
    number: int,
    settings: DecodeSettings,
    watch: Watch,
) -> list[Link]:
    """The links of one group as they are found with all others taken off; as they were if they are not found so."""
    group = groups[number]
    rest = without_links(record, _all([other for k, other in enumerate(groups) if k != number]))
    found = find_links(rest, estimate_noise(rest) or noise, settings, watch, vain=_VAIN).links
    mine = [link for link in found if _is_near(record, link, group[0])]
    told = sum(link.nats for link in mine)
    return mine if told > _KEPT * sum(link.nats for link in group) else group


def _is_near(record: Record, one: Link, other: Link) -> bool:
    return near_carrier(record, one.model.carrier_hz, other)


def near_carrier(record: Record, carrier_hz: float, link: Link) -> bool:
    """Whether a carrier is so close to that of a link that it is the same one, or a part of what is sent on it."""
    low, high = _carrier_band(record, link)
    return low < carrier_hz < high


def is_of(record: Record, one: Link, other: Link) -> bool:
    """Whether a link is only what is left of another: on its carrier, or beginning and ending with it.

    Where both go on through a whole stretch that says nothing: they are the same if they turn at the same symbols.
    """
    if _is_near(record, one, other) or _is_sidelobe(record, one, other):
        return True
    mine, its = spans_of_link(one), spans_of_link(other)
    room = _SAME_ENDS * max(one.period.value, other.period.value)
    off = np.abs(mine[:, None, :] - its[None, :, :]).max(axis=2).min(axis=1)
    same = off < room
    edges = np.array([(s.first, s.last) for s in record.stretches], dtype=np.float64)
    whole = np.abs(mine[:, None, :] - edges[None, :, :]).max(axis=2).min(axis=1) < room
    if bool(np.any(same & whole)):
        return _turn_alike(one, other)
    return bool(np.mean(same) > 0.5)


def _is_sidelobe(record: Record, one: Link, other: Link) -> bool:
    """Whether a link is some half symbol rates aside from another, of which two or more symbols make one of its own: where
    sidelobes meet, they seem reversed like that."""
    many, off = (
        one.period.value / other.period.value,
        (one.model.carrier_hz - other.model.carrier_hz) * 2.0 * other.period.value / record.rate_hz,
    )
    return (
        round(many) > 1 and abs(many / round(many) - 1.0) < _SAME_PERIOD and abs(off - round(off)) < AT_HALF
    )


def _turn_alike(one: Link, other: Link) -> bool:
    """Whether two links of one symbol period are reversed at the same symbols, or one wherever the other is not, as it
    looks from a carrier half a symbol rate away."""
    if abs(one.period.value / other.period.value - 1.0) > _SAME_PERIOD:
        return False
    (mine, turned), (its, turned_too) = _reversals(one), _reversals(other)
    at = np.clip(np.searchsorted(its, mine), 1, its.size - 1)
    at -= np.abs(its[at - 1] - mine) < np.abs(its[at] - mine)
    together = np.abs(its[at] - mine) < 0.5 * one.period.value
    a, b = turned[together] - turned[together].mean(), turned_too[at][together]
    b = b - b.mean()
    return abs(float(a @ b)) > _ALIKE * float(np.sqrt((a @ a) * (b @ b)))


def _reversals(link: Link) -> tuple[Floats, Floats]:
    """Edges (n,) between symbols of transmissions in rising order, in samples of the record, and 1 where one reverses."""
    at, turned = [], []
    for talker in link.talkers:
        runs = talker.runs
        inside = np.flatnonzero(runs.owner[1:] == runs.owner[:-1]) + 1
        at.append(runs.starts[inside] + talker.strip.shift(runs.starts[inside]))
        turned.append((runs.symbols.real[inside] > 0.0) != (runs.symbols.real[inside - 1] > 0.0))
    order = np.argsort(np.concatenate(at))
    return np.concatenate(at)[order], np.concatenate(turned).astype(np.float64)[order]
