"""A carrier that is keyed all the time, in another way than by half turns: nothing is made of it, and that comes soon."""

from __future__ import annotations

import numpy as np
import pytest
from generators.lines import sigma_for, talker_line
from generators.long_runs import long_but

from dsp import bpsk, decode
from dsp.look import looked_at
from dsp.noise import estimate_noise
from dsp.outcome import Keyed, is_skirt_of
from dsp.reversed_tone import has_sidebands
from dsp.segment import Piece
from dsp.source import Record, make_record
from dsp.taken_off import without_all

RATE_HZ = 1e6


def keyed(kind: str, draw: int, period: float = 0.0, cycles_a_sample: float = 0.0) -> np.ndarray:
    """Samples of a carrier of amplitude one that is keyed all along, in noise of 0.03 to 0.5."""
    rng = np.random.default_rng([draw, 20])
    size = int(rng.integers(60_000, 200_000))
    period = period or float(rng.uniform(20.0, 200.0))
    cycles_a_sample = cycles_a_sample or float(10.0 ** rng.uniform(-1.7, -0.5))
    symbol = rng.integers(0, 4, int(size / period) + 1)[(np.arange(size) / period).astype(int)]
    height = {"on-off": (symbol > 1) * 1.0, "levels": (symbol + 1) / 4.0}.get(kind, 1.0)
    phase = 0.5 * np.pi * (symbol > 1) if kind == "quarter" else 0.0
    sigma = float(10.0 ** rng.uniform(-1.5, -0.3))
    noise = sigma * rng.standard_normal(size)
    turned = np.pi * (symbol > 1) if kind == "half" else 0.0
    return height * np.cos(2.0 * np.pi * cycles_a_sample * np.arange(size) + 1.0 + phase + turned) + noise


def calm_of(values: np.ndarray) -> Record:
    record = looked_at(make_record(values.astype(np.float32), RATE_HZ))
    noise = estimate_noise(record)
    assert noise is not None
    return without_all(record, noise)[0]


NAMED = {"quarter": ("undecided",), "levels": ("ask", "undecided"), "on-off": ("ook",)}
# of a low carrier that is keyed every other cycle, on-off draw 0, levels are left
DRAWN = {"quarter": (0, 1, 2, 4), "levels": (0, 2, 3), "on-off": (1, 2, 3)}
CASES = [(kind, draw) for kind, draws in DRAWN.items() for draw in draws]


@pytest.mark.parametrize(("kind", "draw"), long_but(1, 4, 7, of=CASES))
def test_nothing_is_made_of_a_carrier_that_is_keyed_and_few_models_are_tried(monkeypatch, kind, draw):
    tried = []
    discover = bpsk.discover
    monkeypatch.setattr(
        bpsk, "discover", lambda *all_of, **told: tried.append(1) or discover(*all_of, **told)
    )
    found = decode(keyed(kind, draw), RATE_HZ)
    assert not found.bursts
    assert found.signalling.kind in NAMED[kind]
    assert found.refusal is not None
    # some twenty where every supposition about the noise is searched with
    assert len(tried) <= 6


@pytest.mark.parametrize("draw", range(3))
@pytest.mark.parametrize(("share", "phase"), [(0.2, 0.0), (0.1, 0.5 * np.pi), (0.1, 1.0)])
def test_reversals_through_which_some_of_the_carrier_leaks_are_decoded(
    draw: int, share: float, phase: float
) -> None:
    rng = np.random.default_rng(draw)
    signs = rng.choice((-1.0, 1.0), 600)
    number = np.repeat(signs, 100)
    turn = 2.0 * np.pi * 0.041 * np.arange(number.size) + rng.uniform(0.0, 6.28)
    values = number * np.cos(turn) + share * np.cos(turn + phase)
    values += sigma_for(14.0, 1.0, RATE_HZ / 100.0, RATE_HZ) * rng.standard_normal(number.size)
    (burst,) = decode(values, RATE_HZ).bursts
    said = np.where(np.array(list(burst.symbols)) == "1", 1.0, -1.0)
    assert abs(len(said) - signs.size) <= 1
    first = round(burst.first_symbol_s * RATE_HZ / 100.0)
    inside = signs[max(0, first) :][: len(said)]
    assert abs(float(said[: inside.size] @ inside)) == inside.size


@pytest.mark.parametrize(("kind", "draw"), long_but(1, of=[("on-off", 1), ("quarter", 0)]))
def test_what_is_sent_beside_a_carrier_that_is_keyed_is_decoded(kind: str, draw: int) -> None:
    """Twice as strong, three octaves above: neither it nor its skirt hides messages."""
    line = talker_line(
        rate_hz=RATE_HZ,
        carrier_hz=25e3,
        cycles_per_symbol=5.0,
        lengths=[60, 40, 50, 64, 30, 45],
        esn0_db=18.0,
        draw=draw,
        lead_symbols=30.0,
        gap_symbols=(20.0, 30.0),
    )
    rng = np.random.default_rng(draw)
    at = np.arange(line.values.size)
    bits = rng.integers(0, 2, at.size // 300 + 1)[at // 300]
    turn = 2.0 * np.pi * 0.211 * at
    beside = bits * np.cos(turn) if kind == "on-off" else np.cos(turn + 0.5 * np.pi * bits)
    found = decode(line.values + 2.0 * beside, RATE_HZ)
    assert len(found.bursts) == 6
    assert all(abs(burst.carrier_hz - 25e3) < 100.0 for burst in found.bursts)


@pytest.mark.parametrize("draw", range(4))
def test_only_what_is_keyed_about_a_tone_has_sidebands(draw: int) -> None:
    assert has_sidebands(calm_of(keyed("quarter", draw, 120.0)))
    bare = calm_of(keyed("none", draw))
    assert bare.tones
    assert not has_sidebands(bare)
    # what stands beside a tone without a phase to it is nothing of its own
    beside = keyed("half", draw, 120.0, 0.21)
    tone = np.cos(2.0 * np.pi * 0.2 * np.arange(beside.size))
    assert not has_sidebands(calm_of(beside + tone))


def test_rectangular_symbols_have_their_power_where_the_bound_says() -> None:
    """Against the spectrum of random symbols: as much, and no more than twice as much, beyond the first nulls."""
    rng = np.random.default_rng(5)
    values = np.repeat(rng.choice((-1.0, 1.0), 4000), 50)
    spectrum = np.abs(np.fft.rfft(values * np.cos(0.4 * np.pi * np.arange(values.size)))) ** 2
    hz = np.fft.rfftfreq(values.size, 1.0 / RATE_HZ)
    power = 2.0 * spectrum / values.size**2
    carrier = Keyed(0.2 * RATE_HZ, 50.0, float(power.sum()))
    for low, high in ((230e3, 260e3), (260e3, 400e3), (130e3, 165e3), (40e3, 130e3)):
        held = float(power[(hz >= low) & (hz < high)].sum())
        assert held < carrier.power_within(low, high, RATE_HZ) < 2.6 * held
    assert carrier.power_within(190e3, 205e3, RATE_HZ) == carrier.power


def test_what_is_stronger_than_a_skirt_is_none() -> None:
    noise = estimate_noise(make_record(np.random.default_rng(1).standard_normal(100_000), RATE_HZ))
    assert noise is not None
    carrier = Keyed(200e3, 50.0, 100.0)
    # noise of two has 2e-6 a hertz: two bins of 64 samples hold 0.06 of it
    weak, strong = (Piece(1000, 50_000, 280e3, 300e3, 64, ratio) for ratio in (4.0, 400.0))
    assert is_skirt_of(weak, carrier, noise)
    assert not is_skirt_of(strong, carrier, noise)
