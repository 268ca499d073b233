"""A burst that is alone, weak and fills a good part of a short record, told nothing."""

from __future__ import annotations

import numpy as np
import pytest
from benchmarks.bounds import clopper_pearson
from benchmarks.trials import Shape, trial

from dsp.decoder import decode
from dsp.noise import estimate_noise
from dsp.source import make_record
from dsp.synth import BurstSpec, transmissions
from dsp.synth_line import noise

RATE_HZ = 1e6


def is_right(count: int, esn0_db: float, draw: int) -> bool:
    """Whether one burst is found, its carrier right to a tenth of the symbol rate, its symbol rate to 2 %."""
    score = trial(Shape(1, (count, count), esn0_db=esn0_db), draw).score
    if score.missed or score.extra or len(score.pairs) != 1:
        return False
    found, sent = score.pairs[0].found, score.pairs[0].truth
    off_hz = abs(found["carrier_hz"] - sent.carrier_hz)
    return score.pairs[0].right_rate and off_hz < 0.1 * sent.symbol_rate_bd


# of 800 draws these were refused, though the rate sent is likelier than any other by ten natural units and more
@pytest.mark.parametrize(
    ("count", "esn0_db", "draw"),
    [
        (24, 7.0, 2113),
        (24, 7.0, 20382),
        (30, 6.0, 30125),
        (30, 6.0, 30288),
        (30, 6.0, 30334),
        (30, 6.0, 50200),
    ],
)
def test_a_burst_is_not_taken_for_noise_that_is_there_all_the_time(
    count: int, esn0_db: float, draw: int
) -> None:
    assert is_right(count, esn0_db, draw)


# these were answered with another rate, though that of ideal points between which an edge falls is less likely
@pytest.mark.parametrize("draw", [20019, 20025, 20085, 20093, 20265])
def test_of_few_samples_the_rate_sent_is_the_likeliest(draw: int) -> None:
    assert is_right(24, 7.0, draw)


def test_a_lone_burst_is_found_with_its_rate() -> None:
    """In 99 % and more of all; `tests/benchmarks/accuracy.py lone --trials 20` counts hundreds."""
    right = sum(is_right(24, 7.0, draw) for draw in range(81000, 81020))
    assert clopper_pearson(20 - right, 20)[0] < 0.01


@pytest.mark.parametrize("count", [130, 143, 159, 175, 200])
def test_records_too_short_to_tell_anything_are_refused_and_no_error(count: int) -> None:
    for draw in range(20):
        assert not decode(np.random.default_rng([count, draw]).standard_normal(count), RATE_HZ).bursts


@pytest.mark.parametrize("samples_per_symbol", [4.0, 9.0, 25.0])
@pytest.mark.parametrize("share", [0.35, 0.55])
def test_quiet_frames_tell_white_noise_beside_a_burst(samples_per_symbol: float, share: float) -> None:
    """To a few hundredths on average, however much of the record the burst fills; the quiet part is known no better."""
    told = []
    for draw in range(40):
        r = np.random.default_rng([draw, round(samples_per_symbol)])
        length = 30 * samples_per_symbol
        size = int(length / share)
        symbols = "".join(r.choice(["0", "1"], 30))
        start_s = float(r.uniform(0.1, 0.9)) * (size - length) / RATE_HZ
        carrier_hz = RATE_HZ * float(r.uniform(0.15, 0.35))
        burst = BurstSpec(start_s, symbols, RATE_HZ / samples_per_symbol, carrier_hz, 1.0, 0.3)
        sigma = float(np.sqrt(samples_per_symbol / 4.0 / 4.0))
        samples = transmissions([burst], RATE_HZ, size).samples + noise(size, sigma, r)
        floor = estimate_noise(make_record(samples, RATE_HZ))
        assert floor is not None
        flat = floor.flattened() or floor
        told.append(float(np.median(flat.floor)) * RATE_HZ / 2.0 / sigma**2)
    assert 0.85 < np.median(told) < 1.15


@pytest.mark.parametrize(("count", "least"), [(300, 0.88), (1000, 0.92), (4000, 0.95)])
def test_flat_floor_of_white_noise_is_its_level(count: int, least: float) -> None:
    """Not that of the frequencies where a floor of few frames happens to be low; the quietest part of a few hundred samples
    is a little below the mean of all."""
    told = []
    for draw in range(40):
        floor = estimate_noise(make_record(np.random.default_rng([count, draw]).standard_normal(count), 1.0))
        assert floor is not None
        flat = floor.flattened()
        if flat is not None:
            told.append(float(flat.floor.max()) / 2.0)
    assert len(told) > 20
    assert least < np.mean(told) < 1.06
