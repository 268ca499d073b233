"""Clean bursts of ten shapes, decoded blind: none missed, none extra, no symbol and no length wrong.

120 bursts at Es/N0 = 18 dB, where an ideal receiver errs in a symbol once in 10^28, at an end once in 10^7.
"""

from __future__ import annotations

import random

import numpy as np
import pytest
from generators.files import write_wav
from generators.lines import talker_line
from generators.running import halfturn_decode
from generators.scoring import score

# cycles per symbol, sample rate, samples per carrier cycle
SHAPES = [
    (1.0, 2_000_000, 9.3),
    (1.5, 700_000, 60.0),
    (2.0, 50_000_000, 20.0),
    (2.37, 5_000_000, 4.4),
    (4.0, 1_250_000, 13.0),
    (6.5, 10_000_000, 25.0),
    (8.0, 3_300_000, 2.7),
    (12.71, 20_000_000, 7.0),
    (31.4, 960_000, 5.5),
    (48.0, 12_500_000, 3.1),
]
BURSTS_EACH = 12


@pytest.mark.parametrize(("cycles", "rate_hz", "samples_per_cycle"), SHAPES)
def test_no_burst_symbol_or_length_is_wrong(tmp_path, cycles, rate_hz, samples_per_cycle):
    draw = 7100 + int(cycles * 100)
    chance = random.Random(draw)
    lengths = [chance.randint(12, 80) for _ in range(BURSTS_EACH)]
    line = talker_line(
        rate_hz=rate_hz,
        carrier_hz=rate_hz / samples_per_cycle,
        cycles_per_symbol=cycles,
        lengths=lengths,
        esn0_db=18.0,
        draw=draw,
    )
    write_wav(tmp_path / "line.wav", line.values, rate_hz)
    status, document = halfturn_decode([tmp_path / "line.wav"])
    result = document["results"][0]
    got = score(line.sent, result)
    assert got.complaints() == []
    assert status == 0
    assert result["signalling"]["kind"] == "bpsk"
    assert len(got.pairs) == BURSTS_EACH
    # three standard deviations would already be unlucky in 12; five is a wrong uncertainty
    assert max(abs(p.carrier_z) for p in got.pairs) < 5
    assert max(abs(p.rate_z) for p in got.pairs) < 5
    assert abs(np.mean([p.found["esn0_db"] for p in got.pairs]) - 18.0) < 1.0
