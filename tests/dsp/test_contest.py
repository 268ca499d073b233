"""Transmissions that two links shared out between them, because their carriers and clocks are little different."""

from __future__ import annotations

from dataclasses import asdict, replace

import numpy as np
import pytest
from generators.long_runs import long_but
from generators.scoring import score
from generators.truths import RATE_HZ, sigma_for

from dsp.bpsk import find_links
from dsp.contest import _are_broken, settled
from dsp.decoder import decode
from dsp.noise import estimate_noise
from dsp.outcome import Contender, Link, spans_of_link
from dsp.results import DecodeSettings
from dsp.source import Watch, make_record
from dsp.strip import Spans
from dsp.synth import BurstSpec, random_symbols, transmissions

CARRIER_HZ, CYCLES = 141_003.0, 6.3


def line_of(off: float, draw: int, number: int = 30):
    """Two talkers by turns, of carriers and clocks one ``off`` the other's by that share: bursts and samples in noise."""
    rng = np.random.default_rng(draw)
    now, bursts = 0.002, []
    for k in range(number):
        share = 1.0 + off * (k % 2)
        text = random_symbols(int(rng.integers(30, 110)), rng, longest_run=8)
        carrier_hz, strength = CARRIER_HZ * share, 1.0 - 0.4 * (k % 2)
        phase = rng.uniform(0, 6.28)
        bursts.append(BurstSpec(now, text, carrier_hz / CYCLES, carrier_hz, strength, phase))
        now = bursts[-1].end_s + rng.uniform(6, 25) * CYCLES / CARRIER_HZ
    count = int((now + 0.001) * RATE_HZ)
    noise = rng.normal(0.0, sigma_for(16.0, CARRIER_HZ / CYCLES, 0.6), count)
    return tuple(bursts), transmissions(bursts, RATE_HZ, count).samples + noise


# each of these had parts of transmissions, or came out in pieces, where links only took what others had left
@pytest.mark.parametrize(
    ("off", "draw"), long_but(0, 1, of=[(0.01, 75), (0.02, 60), (0.02, 28), (0.035, 95)])
)
def test_who_explains_the_whole_has_all_of_it(off: float, draw: int) -> None:
    bursts, samples = line_of(off, draw)
    assert score(bursts, asdict(decode(samples, RATE_HZ))).complaints() == []


def links_of(samples: np.ndarray) -> tuple[Link, ...]:
    record = make_record(samples, RATE_HZ)
    floor = estimate_noise(record)
    assert floor is not None
    return find_links(record, floor, DecodeSettings(), Watch()).links


def never(covered: Spans) -> Contender | None:
    raise AssertionError("looked at again")


def test_links_that_share_nothing_are_not_looked_at_again() -> None:
    links = links_of(line_of(0.06, 3, 10)[1])
    assert len(links) == 2
    contenders = [Contender(link, never) for link in links]
    assert settled(contenders, np.zeros((0, 2)), RATE_HZ) == contenders


def test_one_link_that_was_found_in_two_goes_is_no_contest() -> None:
    """Either explains all of the other's. Two such of one talker at 7 dB took transmissions from each other and lost some."""
    (link, *_) = links_of(line_of(0.06, 3, 10)[1])
    again = replace(link, period=replace(link.period, value=(1.0 + 2e-5) * link.period.value))
    contenders = [Contender(link, never), Contender(again, never)]
    assert settled(contenders, np.zeros((0, 2)), RATE_HZ) == contenders


def test_who_finds_nothing_more_takes_nothing() -> None:
    """Though what both have leaves no silence."""
    asked = []

    def nothing(covered: Spans) -> Contender | None:
        asked.append(covered)
        return None

    (link, *_) = links_of(line_of(0.06, 3, 10)[1])
    # of another clock, but each of its transmissions touches the other's
    other = replace(link, period=replace(link.period, value=1.01 * link.period.value))
    contenders = [Contender(link, nothing), Contender(other, nothing)]
    taken = spans_of_link(link)[:1]
    assert settled(contenders, taken, RATE_HZ) == contenders
    assert [covered.tolist() for covered in asked] == [taken.tolist()] * 2


def test_what_leaves_no_silence_is_seen_wherever_it_begins() -> None:
    held = np.array([[1003.0, 1100.0]])
    # the last to begin before it ends long before, another one just before
    assert _are_broken(held, np.array([[0.0, 1000.0], [100.0, 200.0]]), 5.0)
    assert _are_broken(np.array([[0.0, 1000.0], [1003.0, 1100.0]]), np.array([[100.0, 200.0]]), 5.0)
    assert not _are_broken(held, np.array([[0.0, 990.0], [100.0, 200.0]]), 5.0)
    # where two of the other's follow is nothing to it
    assert not _are_broken(held, np.array([[0.0, 100.0], [102.0, 200.0]]), 5.0)
