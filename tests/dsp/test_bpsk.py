"""Searching a record for links: where is looked first, several links, what is left unexplained."""

from __future__ import annotations

import random
from dataclasses import asdict, replace

import numpy as np
import pytest
from generators.lines import talker_line
from generators.long_runs import long_but
from generators.scoring import score
from generators.truths import (
    RATE_HZ,
    Capture,
    capture,
    flat_floor,
    model_of,
    record_of,
    sigma_for,
    strip_from,
)

from dsp import activity, bpsk
from dsp.bpsk import Search, find_links, first_look
from dsp.decoder import decode
from dsp.errors import CancelledError
from dsp.extract import extract
from dsp.keyed import line_under
from dsp.link import Learned
from dsp.outcome import spans_of_link
from dsp.results import DecodeSettings
from dsp.source import Watch
from dsp.synth import BurstSpec, random_symbols, transmissions
from dsp.talkers import believable

NOTHING = DecodeSettings()


def taking_turns(kinds: tuple[tuple[float, float], ...], draw: int, *, bursts: int = 8) -> Capture:
    """Links of (carrier, symbol rate), one burst of each after the other, at 16 dB."""
    rng = np.random.default_rng(draw)
    made, now = [], 1.5e-3
    for k in range(bursts):
        carrier, rate = kinds[k % len(kinds)]
        text = random_symbols(int(rng.integers(28, 44)), rng, longest_run=6)
        # as much energy over the noise in each symbol, whatever its rate
        amplitude = float(np.sqrt(rate / kinds[0][1]))
        made.append(BurstSpec(now, text, rate, carrier, amplitude, rng.uniform(0, 6)))
        now = made[-1].end_s + 1.2e-3
    count, sigma = int(now * RATE_HZ), sigma_for(16.0, kinds[0][1])
    clean = transmissions(made, RATE_HZ, count).samples
    return Capture(clean + rng.normal(0.0, sigma, count), tuple(made), sigma)


def searched(made: Capture, watch: Watch | None = None) -> Search:
    return find_links(made.record, flat_floor(made.sigma), NOTHING, watch or Watch())


TWO_OCTAVES = ((173_011.0, 27_462.0), (61_507.0, 11_203.0))
ONE_OCTAVE = ((230_011.0, 27_462.0), (141_507.0, 11_203.0))


@pytest.mark.parametrize("kinds", [TWO_OCTAVES, ONE_OCTAVE, (*TWO_OCTAVES, (22_013.0, 3_950.0))])
def test_links_that_take_turns_are_all_found(kinds):
    made = taking_turns(kinds, 1, bursts=4 * len(kinds))
    search = searched(made)
    assert len(search.links) == len(kinds)
    carriers = sorted(link.model.carrier_hz for link in search.links)
    assert carriers == pytest.approx(sorted(kind[0] for kind in kinds), rel=1e-3)
    rates = sorted(RATE_HZ / link.period.value for link in search.links)
    assert rates == pytest.approx(sorted(kind[1] for kind in kinds), rel=1e-3)
    result = decode(made.samples, RATE_HZ)
    assert score(made.bursts, asdict(result)).complaints() == []
    # numbered as they are first heard
    assert [b.talker for b in result.bursts] == [k % len(kinds) for k in range(len(result.bursts))]


def test_what_is_found_is_covered_and_told():
    made = capture((30, 44, 24), 2, esn0_db=16.0)
    search = searched(made)
    assert search.unexplained == search.unmodulated == ()
    covered = np.sort(np.concatenate([spans_of_link(link) for link in search.links]), axis=0)
    due = np.array([(b.start_s, b.end_s) for b in made.bursts]) * RATE_HZ
    np.testing.assert_allclose(covered, due, atol=0.1 * RATE_HZ / made.bursts[0].symbol_rate_bd)
    # against silence a symbol of either sign tells its Es/N0 less the one bit that is open
    assert 10.0 * np.log10(search.told / 98 + np.log(2.0)) == pytest.approx(16.0, abs=0.8)
    assert search.active


def test_bursts_of_a_bare_tone_are_no_link():
    """Each is left as unmodulated or unexplained, and the whole is said to be a tone."""
    made = capture((40, 40, 40), 3, esn0_db=20.0)
    steady = tuple(replace(b, symbols="1" * 40) for b in made.bursts)
    rng = np.random.default_rng(3)
    count = len(made.samples)
    samples = transmissions(steady, RATE_HZ, count).samples + rng.normal(0.0, made.sigma, count)
    search = searched(replace(made, samples=samples))
    assert search.links == ()
    left = (*search.unmodulated, *search.unexplained)
    for burst in steady:
        middle = (burst.start_s + burst.end_s) / 2.0 * RATE_HZ
        assert any(piece.start < middle < piece.stop for piece in left)
    result = decode(samples, RATE_HZ)
    assert (result.signalling.kind, result.bursts) == ("tone", ())


def test_noise_holds_nothing():
    rng = np.random.default_rng(4)
    for _ in range(4):
        made = Capture(rng.normal(0.0, 0.2, 30_000), (), 0.2)
        search = searched(made)
        assert search.links == search.unmodulated == ()
        assert search.told == 0.0


@pytest.mark.parametrize("kinds", [TWO_OCTAVES[:1], TWO_OCTAVES])
def test_progress_never_goes_back(kinds):
    heard: list[float] = []
    made = taking_turns(kinds, 5)
    assert len(searched(made, Watch(heard.append)).links) == len(kinds)
    assert heard == sorted(heard)
    assert 0.0 <= heard[0] <= heard[-1] <= 1.0


def test_cancel_is_heard_within_the_search():
    made, asked = taking_turns(TWO_OCTAVES, 6), [0]

    def cancelled() -> bool:
        asked[0] += 1
        return asked[0] > 4

    with pytest.raises(CancelledError):
        searched(made, Watch(None, cancelled))
    assert asked[0] == 5


@pytest.mark.parametrize("block", [3, 17, 46])
def test_what_stands_in_one_block_alone_is_found(monkeypatch, block):
    """Of 64 blocks few are looked at first, all if nothing is there."""
    size = 1 << 12
    monkeypatch.setattr(activity, "BLOCK", size)
    made = capture((60,), 7, esn0_db=14.0, lead_symbols=4.0)
    samples = np.random.default_rng(7).normal(0.0, made.sigma, 64 * size)
    assert len(made.samples) < size
    samples[block * size + 500 :][: len(made.samples)] = made.samples
    record, noise = record_of(samples), flat_floor(made.sigma)
    actives = first_look(record, noise, Watch())
    assert actives
    middle = block * size + 500 + (made.bursts[0].start_s + made.bursts[0].end_s) / 2.0 * RATE_HZ
    assert any(a.start <= middle <= a.stop for a in actives)


def test_only_a_part_of_a_busy_record_is_looked_at_first(monkeypatch):
    size = 1 << 12
    monkeypatch.setattr(activity, "BLOCK", size)
    made = capture((40,) * 150, 8, esn0_db=14.0)
    assert len(made.samples) > 60 * size
    actives = first_look(made.record, flat_floor(made.sigma), Watch())
    looked_at = {a.start // size for a in actives}
    assert 1 <= len(looked_at) < 16
    assert len(searched(made).links) == 1
    assert sum(len(t.runs) for t in searched(made).links[0].talkers) == 150


@pytest.mark.parametrize("draw", long_but(0, 2, 4, of=[0, 1, 2, 3, 9, 45]))
def test_a_lone_transmission_that_fills_most_of_a_short_capture_is_found(draw):
    """Fourteen symbols of silence on either side: the floor near the carrier is then partly the transmission itself."""
    chance = random.Random(draw)
    cycles = chance.choice([1.0, 2.5, 6.5, 8.0, 24.0, 38.0])
    cycle, count = chance.uniform(3.5, 12.0), chance.randint(24, 60)
    line = talker_line(
        rate_hz=1e6,
        carrier_hz=1e6 / min(cycle, 400.0 / cycles),
        cycles_per_symbol=cycles,
        lengths=[count],
        esn0_db=8.0,
        draw=draw,
        lead_symbols=14.0,
        gap_symbols=(0.0, 4.0),
    )
    told = score(line.sent, asdict(decode(line.values, 1e6)))
    assert len(told.pairs) == 1
    assert not told.extra
    assert told.pairs[0].right_rate


@pytest.mark.parametrize("draw", long_but(0, 1, 2, of=range(6)))
def test_hum_of_a_few_cycles_does_not_hide_a_lone_transmission(draw):
    """Too few cycles to be taken off, and stronger than what is sent: it is a carrier through the whole capture."""
    line = talker_line(
        rate_hz=36e3,
        carrier_hz=9750.0,
        cycles_per_symbol=10.0,
        lengths=[30],
        esn0_db=16.0,
        draw=draw,
        lead_symbols=32.0,
    )
    number = np.arange(line.values.size)
    hum = (1.0 + draw) * np.sin(2.0 * np.pi * (8.0 + draw) * number / number.size)
    told = score(line.sent, asdict(decode(line.values + hum.astype(np.float32), 36e3)))
    assert not told.complaints()


def test_what_looks_keyed_beside_a_link_does_not_undo_the_link(monkeypatch):
    """By itself it would end the search, which then begins anew with the tones left in."""
    answers = iter([None])
    monkeypatch.setattr(bpsk, "line_under", lambda *_: next(answers, "taken"))
    found = searched(taking_turns(((120e3, 20e3), (31e3, 5e3)), 3))
    assert len(found.links) == 1
    assert not found.taken

    monkeypatch.setattr(bpsk, "line_under", lambda *_: "taken")
    alone = searched(taking_turns(((120e3, 20e3), (31e3, 5e3)), 3))
    assert alone.taken
    assert not alone.links


@pytest.mark.parametrize("draw", range(6))
def test_only_a_line_as_large_as_symbols_is_what_keying_leaves_of_a_carrier(draw):
    """Half of the symbols' amplitude; a smaller line beside them, as leaks through every mixer, hides nothing."""
    rng = np.random.default_rng(draw)
    made = capture((40,) * 8, draw, esn0_db=rng.uniform(12.0, 24.0))
    carrier_hz = made.bursts[0].carrier_hz
    tone = np.sin(2.0 * np.pi * carrier_hz * np.arange(made.samples.size) / RATE_HZ + rng.uniform(0.0, 6.0))
    model, strip = model_of(made), strip_from(made)
    found, runs = believable(extract(strip, 2.0 * np.pi * carrier_hz / RATE_HZ, model))
    learned = Learned(strip, found, runs, model, None)
    floor = flat_floor(made.sigma)
    near = np.abs(floor.lines_hz - carrier_hz) < 0.6 * floor.lines_hz[1]
    with_line = replace(floor, lines=np.where(near, 50.0, 1.0))
    for height, keyed in ((rng.uniform(0.05, 0.35), False), (rng.uniform(0.7, 1.2), True)):
        record = record_of(made.samples + height * tone)
        assert line_under(record, with_line, learned) == ("left" if keyed else None)
        assert line_under(record, floor, learned) is None
