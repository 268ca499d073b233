"""Links on other carriers that are sent at the same time."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np
import pytest
from generators.long_runs import long_but
from generators.scoring import score

from dsp import synth_line as line
from dsp.at_once import something_beside, tone_band
from dsp.bpsk import find_links
from dsp.decoder import decode
from dsp.noise import estimate_noise
from dsp.results import DecodeSettings
from dsp.sent import sent_of
from dsp.source import Watch, make_record
from dsp.synth import BurstSpec, Samples, amplitude_for, random_symbols, transmissions

RATE_HZ = 1e6


def _link(carrier_hz: float, cycles: float, end_s: float, rng: np.random.Generator) -> list[BurstSpec]:
    """Bursts of random lengths and pauses until ``end_s``, at 18 dB in noise of deviation 0.2."""
    rate_bd = carrier_hz / cycles
    amplitude = amplitude_for(18.0, 0.2, RATE_HZ, rate_bd)
    now, out = 7.3 / rate_bd, []
    while now + 70.0 / rate_bd < end_s:
        symbols = random_symbols(int(rng.integers(24, 60)), rng, longest_run=9)
        out.append(BurstSpec(now, symbols, rate_bd, carrier_hz, amplitude, rng.uniform(0.0, 6.28)))
        now = out[-1].end_s + rng.uniform(4.0, 60.0) / rate_bd
    return out


def _noisy(bursts: list[BurstSpec], end_s: float, rng: np.random.Generator) -> Samples:
    count = int(end_s * RATE_HZ)
    return transmissions(bursts, RATE_HZ, count).samples + line.noise(count, 0.2, rng)


@pytest.mark.parametrize("ratio", [0.37, 2.2])
def test_two_links_over_each_other_are_both_whole(ratio: float) -> None:
    rng = np.random.default_rng(11)
    one = _link(60e3, 8.0, 0.1, rng)
    other = _link(60e3 * ratio, 10.0, 0.1, rng)
    found = asdict(decode(_noisy(one + other, 0.1, rng), RATE_HZ))
    for sent in (one, other):
        mine = [b for b in found["bursts"] if abs(b["carrier_hz"] / sent[0].carrier_hz - 1.0) < 0.1]
        assert score(sent, dict(found, bursts=mine)).complaints() == []
    assert len(found["bursts"]) == len(one) + len(other)


@pytest.mark.parametrize("end_s", long_but(1, of=[0.06, 0.12]))
def test_a_lone_burst_wholly_under_another_link_is_found(end_s: float) -> None:
    rng = np.random.default_rng(12)
    long = BurstSpec(0.002, random_symbols(400, rng, longest_run=9), 8e3, 64e3, 1.0, 0.4)
    short = BurstSpec(0.02, random_symbols(40, rng, longest_run=9), 12e3, 168e3, 0.8, 1.4)
    found = asdict(decode(_noisy([long, short], end_s, rng), RATE_HZ))
    for sent in (long, short):
        mine = [b for b in found["bursts"] if abs(b["carrier_hz"] / sent.carrier_hz - 1.0) < 0.1]
        assert score((sent,), dict(found, bursts=mine)).complaints() == []


def test_what_does_not_reverse_is_not_looked_at_again_without_the_link_over_it() -> None:
    """Motors run while something is sent: what they add was judged before, in a band of its own."""
    rng = np.random.default_rng(21)
    sent = _link(120e3, 10.0, 0.1, rng)
    samples = _noisy(sent, 0.1, rng)
    for first in (11_000, 43_000, 78_000):
        samples[first : first + 14_000] += line.tone(14_000, RATE_HZ, 17.3e3, 0.5, rng.uniform(0.0, 6.28))
    record = make_record(samples.astype(np.float32), RATE_HZ, 0.0, 1.0, 0.0, None)
    noise = estimate_noise(record)
    assert noise is not None
    search = find_links(record, noise, DecodeSettings(), Watch())
    assert len(search.links) == 1
    assert search.unmodulated
    assert something_beside(record, noise, search.links)
    tones = [tone_band(record, piece) for piece in search.unmodulated]
    assert all(16.5e3 < low <= high < 18.1e3 for low, high in tones)
    assert not something_beside(record, noise, search.links, tones)
    # what reverses at the same time has another carrier, an octave higher
    other = _link(33e3, 8.0, 0.1, rng)
    both = (samples + transmissions(other, RATE_HZ, samples.size).samples).astype(np.float32)
    record = make_record(both, RATE_HZ, 0.0, 1.0, 0.0, None)
    assert something_beside(record, noise, search.links, tones)


def test_harmonics_of_clipped_bursts_are_no_link_of_their_own() -> None:
    rng = np.random.default_rng(13)
    sent = _link(60e3, 8.0, 0.05, rng)
    count = int(0.05 * RATE_HZ)
    clean = transmissions(sent, RATE_HZ, count).samples
    top = 0.3 * float(clean.max())
    samples = line.clip(clean, -top, top) + line.noise(count, 0.02, rng)
    assert score(sent, asdict(decode(samples, RATE_HZ))).complaints() == []


def test_what_was_sent_is_taken_off_to_the_noise() -> None:
    rng = np.random.default_rng(14)
    bursts = _link(60e3, 8.0, 0.05, rng)
    samples = _noisy(bursts, 0.05, rng)
    links = _links(samples)
    left = samples.astype(np.float32)
    for link in links:
        for sent in sent_of(link.talkers):
            # in two parts, as a record is read
            sent.take_off(left[:20_001], 0)
            sent.take_off(left[20_001:], 20_001)
    on = np.concatenate([np.arange(int(b.start_s * RATE_HZ), int(b.end_s * RATE_HZ)) for b in bursts])
    assert samples[on].std() > 1.3 * 0.2
    assert left[on].std() == pytest.approx(0.2, rel=0.03)


def _links(samples: Samples) -> tuple:  # type: ignore[type-arg]
    from dsp.bpsk import find_links
    from dsp.look import looked_at
    from dsp.noise import estimate_noise
    from dsp.results import DecodeSettings
    from dsp.source import Watch, make_record

    record = looked_at(make_record(samples, RATE_HZ))
    noise = estimate_noise(record)
    assert noise is not None
    return find_links(record, noise, DecodeSettings(), Watch()).links
