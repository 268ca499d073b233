"""Long stretches without any phase axis are not searched for short symbols; reversals, weak or wandering, have one."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from dsp.along_axis import along_axis, may_reverse
from dsp.correlate import turn_back
from dsp.propose import propose
from dsp.results import DecodeSettings
from dsp.segment import Piece
from dsp.strip import Strip

# white noise has no more than this with two rows: so many standard deviations over its mean that one of 10^4 goes beyond
SHOWN = 0.43
DRAWS = 40


def symbols_of(rng, count, cycles, samples, esn0_db, *, phases_every=None, bend=0.0):
    """Rectangular symbols in white noise of the given Es/N0; the carrier rises by ``bend`` cycles a symbol each symbol."""
    n = np.arange(int(count * samples))
    at = np.minimum((n / samples).astype(int), count - 1)
    phase = rng.uniform(0, 2 * np.pi, count)[at // phases_every if phases_every else np.zeros_like(at)]
    sent = rng.choice([-1.0, 1.0], count)[at] * np.cos(
        2 * np.pi * cycles / samples * n + np.pi * bend * (n / samples) ** 2 + phase
    )
    # Es = A^2 T / 2 over the one-sided N0 = 2 sigma^2 (Proakis)
    sigma = np.sqrt(samples / 4 / 10 ** (esn0_db / 10))
    return sent + sigma * rng.standard_normal(n.size)


@pytest.mark.parametrize("period", [2.3, 4.0, 7.7, 20.0])
def test_white_noise_shows_no_axis(period):
    rng = np.random.default_rng(int(10 * period))
    seen = [
        along_axis(
            turn_back(rng.standard_normal(int(258 * period)), 2 * np.pi * rng.uniform(0.1, 0.4)), period
        )
        for _ in range(DRAWS)
    ]
    assert max(seen) < SHOWN
    assert np.mean(seen) == pytest.approx(0.335, abs=0.02)


@pytest.mark.parametrize(("cycles", "samples"), [(1, 4), (1, 20), (1.25, 4), (2, 6), (3.3, 10), (8, 30)])
@pytest.mark.parametrize("phases_every", [None, 24])
def test_weak_symbols_show_one(cycles, samples, phases_every):
    """At 5 dB, also where every 24 symbols are another transmission, without a pause between them."""
    rng = np.random.default_rng(int(100 * cycles + samples))
    omega, periods = 2 * np.pi * cycles / samples, np.array([0.9, 1.0, 1.1]) * samples
    for _ in range(DRAWS):
        made = symbols_of(rng, 600, cycles, samples, 5.0, phases_every=phases_every)
        assert may_reverse([made], omega, periods).all()


def test_a_carrier_that_wanders_shows_one():
    """2 % over 20,000 symbols of 40 cycles: a turn of 4e-5 cycles a symbol, each symbol."""
    rng = np.random.default_rng(7)
    made = symbols_of(rng, 1200, 40, 120, 7.0, bend=4e-5)
    assert may_reverse([made], 2 * np.pi / 3, np.array([120.0])).all()


def test_of_few_symbols_nothing_is_known():
    rng = np.random.default_rng(8)
    noise = rng.standard_normal(2000)
    known = may_reverse([noise], 1.0, np.array([4.0, 40.0]))
    assert known.tolist() == [False, True]
    # nor where the most of it is in pieces too short to tell
    assert may_reverse([noise, *[noise[:300]] * 3], 1.0, np.array([4.0])).all()
    assert may_reverse([], 1.0, np.array([4.0])).all()


def test_what_long_noise_has_too_few_of_is_not_proposed():
    """A lead of noise proposes short symbols; the piece that it is a part of speaks against them."""
    rng = np.random.default_rng(9)
    rate_hz = 1e6
    whole = sosfilt(butter(2, [0.2, 0.6], "band", output="sos"), rng.standard_normal(30_000))
    lead = whole[10_000:12_048]
    variance = float(np.var(lead)) / 20.0
    strip = Strip(
        lead,
        np.zeros(1, dtype=np.int64),
        np.array([10_000]),
        np.zeros(1, bool),
        np.zeros(1, bool),
        variance,
        lead.size,
    )
    piece = Piece(10_000, 12_048, 0.1e6, 0.3e6, 8, 20.0, 2)
    alone = [m.period for m in propose(piece, strip, rate_hz, DecodeSettings())]
    assert min(alone) < 20.0
    # nor any of the longer ones that are searched, up to eight frames: the piece has four hundred of these
    assert list(propose(piece, strip, rate_hz, DecodeSettings(), [whole])) == []
