"""Transmissions with two silent symbols between them, all on one clock and in one phase: nothing but the pause parts them.

An ideal receiver that knows all but this takes one such pause in some ten thousand for two symbols at 14 dB: sums of two
noise components reach half of what two symbols do (``4 Q(sqrt(Es/N0))``, Proakis, Digital Communications, section 4.2).
"""

from __future__ import annotations

import numpy as np
import pytest
from generators.long_runs import long_but
from generators.truths import RATE_HZ, sigma_for

from dsp import synth_line as line
from dsp.decoder import decode
from dsp.synth import BurstSpec, random_symbols, transmissions

# cycles and samples a symbol, and draws of which something was two or one that is not so as long as the noise, the
# samples at edges or the unlike symbols of few cycles were taken for more than they say
_DRAWS = {
    (1.0, 5.3): (31, 33, 34, 40, 72),
    (1.0, 6.61): (35, 56),
    (1.0, 7.5): (41,),
    (1.5, 8.76): (7, 20),
    (2.0, 11.3): (1, 19, 31, 63, 76),
    (2.0, 37.2): (15, 72),
    (3.25, 25.8): (11, 36),
}
_CASES = [(*shape, draw) for shape, draws in _DRAWS.items() for draw in draws]


def _in_step(cycles: float, samples: float, draw: int) -> tuple[list[str], np.ndarray]:
    """Symbols of eighteen transmissions that follow each other, and the capture."""
    rng = np.random.default_rng([7, draw])
    rate_bd = RATE_HZ / samples
    now, sent = 12.3 / rate_bd, []
    for _ in range(18):
        text = random_symbols(int(rng.integers(24, 65)), rng)
        sent.append(BurstSpec(now, text, rate_bd, cycles * rate_bd, 1.0, 0.0))
        now = sent[-1].end_s + 2.0 / rate_bd
    count = int((now + 10.0 / rate_bd) * RATE_HZ)
    noise = line.noise(count, sigma_for(14.0, rate_bd), rng)
    return [burst.relative_symbols for burst in sent], transmissions(sent, RATE_HZ, count).samples + noise


@pytest.mark.parametrize(("cycles", "samples", "draw"), long_but(2, 8, 15, of=_CASES))
def test_a_pause_of_two_symbols_parts_what_is_in_step(cycles: float, samples: float, draw: int) -> None:
    sent, captured = _in_step(cycles, samples, draw)
    assert [burst.symbols for burst in decode(captured, RATE_HZ).bursts] == sent


def _on_any_line(cycles: float, close: float, draw: int) -> tuple[np.ndarray, np.ndarray, float]:
    """Begin and end of each in symbols, the capture, and its samples a symbol; a share ``close`` of the pauses is of two."""
    samples = np.random.default_rng(draw).uniform(5.0, 8.0) * cycles
    rng = np.random.Generator(np.random.Philox(draw + 555000))
    rate_hz = float(np.round(1e6 * rng.uniform(0.9, 1.6)))
    symbol_s = samples / rate_hz
    now, same = rng.uniform(5.0, 20.0) * symbol_s, int(rng.integers(24, 65))
    alike, sent, ends = rng.random() < 0.5, [], []
    for _ in range(18):
        count = same if alike else int(rng.integers(24, 65))
        text = "".join(map(str, rng.integers(0, 2, count)))
        sent.append(BurstSpec(now, text, 1.0 / symbol_s, cycles / symbol_s, 0.02, 0.5 * np.pi))
        ends.append((now / symbol_s, now / symbol_s + count))
        now += (count + (2.0 if rng.random() < close else rng.uniform(4.0, 60.0))) * symbol_s
    clean = transmissions(sent, rate_hz, int((now + 10.0 * symbol_s) * rate_hz)).samples
    sigma = np.sqrt(0.02**2 * samples / 4.0 / 10.0**1.4)
    return np.array(ends), clean + sigma * rng.standard_normal(clean.size), rate_hz


@pytest.mark.parametrize(
    ("cycles", "close", "draw"),
    # few cycles a symbol; followed by windows; one silent symbol as strong as sent; where points are told, and where not
    [(1.0, 0.4, 32), (1.0, 1.0, 100), (3.25, 1.0, 218), (1.0, 1.0, 544), (1.0, 0.4, 8)],
)
def test_none_is_two_and_no_two_are_one(cycles: float, close: float, draw: int) -> None:
    sent, captured, rate_hz = _on_any_line(cycles, close, draw)
    found = decode(captured, rate_hz).bursts
    told = np.array([(b.start_s * b.symbol_rate_bd, b.end_s * b.symbol_rate_bd) for b in found])
    assert len(told) == len(sent)
    assert np.abs(told - sent).max() < 1.5
