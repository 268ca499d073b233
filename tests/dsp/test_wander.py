"""A carrier that wanders over a record: its curve, taking it off, and transmissions decoded in spite of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from generators.long_runs import long_but

from dsp.assemble import bursts_of
from dsp.bpsk import find_links
from dsp.decoder import decode
from dsp.follow import wander_of
from dsp.noise import estimate_noise
from dsp.outcome import Link
from dsp.results import Burst, DecodeSettings
from dsp.sent import sent_of
from dsp.source import Record, Watch, make_record
from dsp.wander import wander_through

RATE_HZ = 1e6
ESN0_DB = 14.0


def test_the_phase_is_the_sum_of_the_curve():
    wander = wander_through(np.array([10.0, 400.0, 1000.0]), np.array([0.02, -0.01, 0.03]))
    place = np.arange(0.0, 1200.0)
    omega, phase = wander.omega_at(place), wander.phase_at(place)
    # trapezoids are exact on straight lines that bend at whole samples
    assert np.diff(phase) == pytest.approx(0.5 * (omega[1:] + omega[:-1]), abs=1e-9)
    # beyond its ends it stays what it was
    assert wander.omega_at(np.array([-50.0, 5000.0])) == pytest.approx([0.02, 0.03])
    assert np.diff(wander.phase_at(np.array([-50.0, -49.0, 4000.0, 4001.0])))[[0, 2]] == pytest.approx(
        [0.02, 0.03]
    )


def test_what_it_is_taken_off_from_has_one_carrier():
    """A chirp whose frequency is known becomes a tone, in a part of the record as in all of it."""
    n = np.arange(20_000)
    wander = wander_through(np.array([0.0, 20_000.0]), np.array([-0.02, 0.02]))
    chirp = np.cos(0.7 * n + wander.phase_at(n.astype(float)) + 0.3)
    for first, stop in ((0, 20_000), (3000, 9001)):
        straight = wander.taken_off(chirp[first:stop], first)
        inner = slice(200, -200)
        assert straight[inner] == pytest.approx(np.cos(0.7 * n + 0.3)[first:stop][inner], abs=0.01)


@dataclass(frozen=True)
class Drifted:
    """Samples, and of each transmission its first sample, symbols and carrier in its middle; a symbol's samples."""

    values: np.ndarray
    sent: list[tuple[float, str, float]]
    period: float
    sigma: float


def drifting_line(
    lengths: list[int], draw: int, *, cycles: float, share: float, talkers: tuple[float, ...] = (1.0,)
) -> Drifted:
    """Transmissions of random symbols on carriers that together change by a ``share`` from first to last sample."""
    rng = np.random.default_rng([41, draw])
    period = cycles / 0.37
    starts, now = [], 30.3 * period
    for length in lengths:
        starts.append(now)
        now += (length + rng.uniform(60.0, 300.0)) * period
    count = int(now)
    n = np.arange(count)
    bent = 2.0 * np.pi * 0.37 * (n * (1.0 - 0.5 * share) + 0.5 * share * n.astype(float) ** 2 / count)
    values, sent = np.zeros(count), []
    for k, (start, length) in enumerate(zip(starts, lengths, strict=True)):
        signs = rng.integers(0, 2, length) * 2 - 1
        at = np.arange(int(np.ceil(start)), int(np.ceil(start + length * period)))
        symbol = np.minimum(((at - start) / period).astype(int), length - 1)
        own = talkers[k % len(talkers)]
        values[at] = signs[symbol] * np.cos(own * bent[at] + rng.uniform(0.0, 6.28))
        middle = start + 0.5 * length * period
        text = "".join("1" if s == signs[0] else "0" for s in signs)
        sent.append((start, text, own * 0.37 * (1.0 - 0.5 * share + share * middle / count) * RATE_HZ))
    sigma = float(np.sqrt(period / 4.0 / 10.0 ** (ESN0_DB / 10.0)))
    return Drifted(values + rng.normal(0.0, sigma, count), sent, period, sigma)


def links_of(made: Drifted) -> tuple[Record, tuple[Link, ...]]:
    record = make_record(made.values, RATE_HZ)
    noise = estimate_noise(record)
    assert noise is not None
    return record, find_links(record, noise, DecodeSettings(), Watch()).links


def assert_all_right(made: Drifted, bursts: tuple[Burst, ...]) -> None:
    """No symbol wrong, each carrier that of its middle; at 14 dB an end is one symbol off in one of 1700."""
    assert len(bursts) == len(made.sent)
    for burst, (start, text, carrier_hz) in zip(bursts, made.sent, strict=True):
        off = round((burst.first_symbol_s * RATE_HZ - start) / made.period)
        assert abs(off) <= 1
        assert abs(len(burst.symbols) - len(text)) <= 2
        a, b = text[max(0, off) :], burst.symbols[max(0, -off) :]
        wrong = sum(x != y for x, y in zip(a, b, strict=False))
        assert min(wrong, min(len(a), len(b)) - wrong) == 0
        assert burst.carrier_hz == pytest.approx(carrier_hz, abs=0.002 * RATE_HZ / made.period)


# two percent over 20,000 symbols are 0.7 symbol rates and more here
@pytest.mark.parametrize(
    ("lengths", "cycles", "share", "talkers"),
    long_but(0, of=[([280] * 50, 36.0, 0.02, (1.0,)), ([90, 400] * 35, 44.0, -0.02, (1.0, 1.003, 1.001))]),
    ids=["one talker", "three talkers"],
)
def test_transmissions_on_a_carrier_that_drifts_by_two_percent(lengths, cycles, share, talkers):
    made = drifting_line(lengths, 1, cycles=cycles, share=share, talkers=talkers)
    record, links = links_of(made)
    bursts = bursts_of(record, links, DecodeSettings())
    assert_all_right(made, bursts)
    if len(talkers) == 1:
        # who sent them: one, though the carriers differ by more than those of talkers do
        assert len({burst.talker for burst in bursts}) == 1
    # and what was sent is known to the phase, all along
    left = made.values.astype(np.float32)
    for sent in sent_of([talker for link in links for talker in link.talkers]):
        sent.take_off(left, 0)
    assert np.var(left) == pytest.approx(made.sigma**2, rel=0.03)


def test_one_long_transmission_that_drifts_by_two_percent():
    made = drifting_line([20_000], 1, cycles=40.0, share=0.02)
    assert_all_right(made, decode(made.values, RATE_HZ).bursts)


@pytest.mark.parametrize("talkers", [(1.0,), (1.0, 1.004, 0.997)], ids=["one", "three"])
def test_carriers_that_stay_are_not_followed(talkers):
    made = drifting_line([60, 90, 120] * 6, 3, cycles=30.0, share=0.0, talkers=talkers)
    record, links = links_of(made)
    (link,) = links
    omega = 2.0 * np.pi * link.model.carrier_hz / RATE_HZ
    assert wander_of(list(link.talkers), omega, link.period.value, record.samples) is None
    assert all(talker.strip.wander is None for talker in link.talkers)
