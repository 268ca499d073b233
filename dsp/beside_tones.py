"""What is sent beside tones that come and go: hidden by them if they are as strong, or in the same piece of activity."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from dsp.bpsk import Search, find_links
from dsp.noise import NoiseFloor, estimate_noise
from dsp.outcome import Link, power_of, spans_of_link
from dsp.passing import Waveform, passing_tones
from dsp.results import DecodeSettings
from dsp.source import Floats, Record, Watch

# symbol rates within which a carrier is that of a tone
_ON_CARRIER = 0.05
# and those within which it may be what a tone left, as slow as its amplitude was told
_NEAR_RATES = 4.0
# octaves, the strongest, in which nothing is found before nothing else is sought
_VAIN = 2
# share of the energy that links explain that they still do without the tones, if these are no part of them
_NO_PART = 0.97
# share of a tone in which a transmission is sent that it may be a part of, and that it goes on for beyond it then; symbols
# that this is at least
_INSIDE, _BEYOND, _SYMBOLS = 0.8, 0.1, 2.0
# share of a link that tones cover if it was read from them or is what they left, and of their power that it has then: no
# more of one that drifts and decays was left
_COVERED, _LEFT_POWER = 0.5, 0.005


def less_passing(
    search: Search, line: tuple[Record, NoiseFloor], settings: DecodeSettings, watch: Watch
) -> tuple[Search, tuple[Record, NoiseFloor]]:
    """What is found in a record less tones that come and go, and that record with its floor, where links explain no less
    so; else what was found and the ``line`` as they were."""
    record, noise = line
    rate_hz = record.rate_hz
    tones = [t for t in passing_tones(record) if not any(_is_part(t, link, rate_hz) for link in search.links)]
    if not tones:
        return search, line
    bare = record.less(tones)
    floor = estimate_noise(bare) or noise
    again = find_links(bare, floor, settings, watch, vain=_VAIN)
    # a tone is never told to the last digit
    found = [link for link in again.links if not _is_left(link, tones, rate_hz)]
    known = [link for link in search.links if _covered(link, tones, rate_hz) < _COVERED]
    if not found or _energy(found) < _NO_PART * _energy(known):
        return search, line
    return replace(again, links=tuple(found)), (bare, floor)


def _is_part(tone: Waveform, link: Link, rate_hz: float) -> bool:
    """Whether a tone lies inside a transmission that goes on beyond it: symbols alike in a row, or a rest."""
    if not _in_band(tone, link, rate_hz):
        return False
    start, stop = spans_of_link(link).T
    share = (np.minimum(stop, tone.last) - np.maximum(start, tone.first)) / (tone.last - tone.first)
    room = max(_BEYOND * (tone.last - tone.first), _SYMBOLS * link.period.value)
    return bool(np.any((share > _INSIDE) & (np.maximum(tone.first - start, stop - tone.last) > room)))


def _is_left(link: Link, tones: Sequence[Waveform], rate_hz: float) -> bool:
    """Whether a link is no more than what tones left that were taken off: it is on their carrier, as what keys them is, or
    as weak as that while they last."""
    reach = _ON_CARRIER * rate_hz / link.period.value
    if any(abs(tone.hz(rate_hz) - link.model.carrier_hz) < reach for tone in tones):
        return True
    near = [tone for tone in tones if _in_band(tone, link, rate_hz, _NEAR_RATES)]
    strongest = max((tone.power for tone in near), default=0.0)
    return power_of(link) < _LEFT_POWER * strongest and _covered(link, near, rate_hz, _NEAR_RATES) > _COVERED


def _covered(link: Link, tones: Sequence[Waveform], rate_hz: float, rates: float = 1.0) -> float:
    """Share of the time in which a link is sent that tones within so many symbol rates of its carrier last."""
    spans: Floats = spans_of_link(link)
    held = 0.0
    for tone in tones:
        if _in_band(tone, link, rate_hz, rates):
            inside = np.minimum(spans[:, 1], tone.last) - np.maximum(spans[:, 0], tone.first)
            held += float(np.sum(np.maximum(inside, 0.0)))
    return held / float(np.sum(spans[:, 1] - spans[:, 0]))


def _in_band(tone: Waveform, link: Link, rate_hz: float, rates: float = 1.0) -> bool:
    return abs(tone.hz(rate_hz) - link.model.carrier_hz) < rates * rate_hz / link.period.value


def _energy(links: Sequence[Link]) -> float:
    """That of all symbols, whatever the noise, in squares of the samples' unit times samples."""
    runs = [talker.runs for link in links for talker in link.talkers]
    return float(sum(np.sum(its.gains**2) * its.variance for its in runs))
