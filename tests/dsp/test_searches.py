"""When one search is enough: what was found leaves nothing, not even of a floor that is nowhere higher."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from generators.truths import RATE_HZ, capture

from dsp.bpsk import Search, find_links
from dsp.decoder import decode
from dsp.noise import estimate_noise
from dsp.results import DecodeSettings
from dsp.searches import _doubtful, _leave_nothing
from dsp.source import Watch, make_record
from dsp.synth import transmissions

LENGTHS = (30, 44, 52, 27, 60, 33)


def never(*told: object) -> Search:
    raise AssertionError("searched again")


def test_weak_links_that_leave_nothing_are_not_searched_for_again(monkeypatch: pytest.MonkeyPatch) -> None:
    made = capture(LENGTHS, 5, esn0_db=8.0)
    monkeypatch.setattr("dsp.searches._continuous", never)
    assert len(decode(made.samples, RATE_HZ).bursts) == len(LENGTHS)


def test_links_that_leave_a_transmission_are_not_all() -> None:
    made = capture(LENGTHS, 5, esn0_db=8.0)
    record = make_record(made.samples, RATE_HZ)
    floor = estimate_noise(record)
    assert floor is not None
    line = record, floor
    search = find_links(*line, DecodeSettings(), Watch())
    # each symbol by itself is in doubt
    assert _doubtful(search, floor)
    assert _leave_nothing(search, line)
    (link,) = search.links
    (talker,) = link.talkers
    some = replace(talker, runs=talker.runs.take(np.arange(len(LENGTHS) - 1)))
    fewer = replace(search, links=(replace(link, talkers=(some,)),))
    assert not _leave_nothing(fewer, line)
    assert not _leave_nothing(replace(search, links=()), line)


def test_too_few_reversals_end_the_search_if_nothing_else_is_sent(monkeypatch: pytest.MonkeyPatch) -> None:
    made = capture((60, 60, 60), 7, esn0_db=14.0, gap_symbols=80.0)
    once = tuple(replace(burst, symbols="1" * 25 + "0" * 35) for burst in made.bursts)
    count = len(made.samples)
    noise = np.random.default_rng(7).normal(0.0, made.sigma, count)
    samples = transmissions(once, RATE_HZ, count).samples + noise
    monkeypatch.setattr("dsp.searches._otherwise", never)
    refusal = decode(samples, RATE_HZ).refusal
    assert refusal is not None
    assert refusal.code == "symbol-rate-ambiguous"
