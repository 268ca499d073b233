"""A real signal received off the air, and made ones like it: only right symbols pass a CRC."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from generators.files import read_wav, write_wav
from generators.running import halfturn_decode
from generators.telemetry import crc_x25, frames_in, plain_receiver, symbols_of

from dsp.synth import BurstSpec, transmissions

RECORDING = Path(__file__).resolve().parents[3] / "shared" / "recordings" / "picsat-1k2-bpsk.wav"
needs_recording = pytest.mark.skipif(not RECORDING.is_file(), reason=f"{RECORDING} is not there")


def test_the_check_value_of_the_crc_is_the_published_one():
    # ISO/IEC 13239 as catalogued: CRC-16/X-25 of "123456789"
    assert crc_x25(b"123456789") == 0x906E


@needs_recording
def test_a_plain_receiver_finds_the_frame():
    samples, rate_hz = read_wav(RECORDING)
    frames = frames_in(plain_receiver(samples, rate_hz, 1200.0))
    assert [len(frame) + 2 for frame in frames] == [132]


@needs_recording
def test_told_nothing_the_program_finds_the_frame():
    status, document = halfturn_decode([RECORDING])
    assert status == 0
    result = document["results"][0]
    assert result["signalling"]["kind"] == "bpsk"
    frames = [frame for burst in result["bursts"] for frame in frames_in(burst["symbols"])]
    samples, rate_hz = read_wav(RECORDING)
    assert [len(frame) + 2 for frame in frames] == [132]
    assert frames == frames_in(plain_receiver(samples, rate_hz, 1200.0))


@pytest.mark.parametrize(
    ("symbol_rate_bd", "carrier_hz", "rolloff", "drift_hz_per_s"),
    [(1197.3, 1723.0, 0.35, -41.0), (2404.0, 3010.0, 0.5, 25.0), (9590.0, 14_300.0, 0.35, -60.0)],
)
def test_band_limited_telemetry_whose_carrier_drifts(
    tmp_path, symbol_rate_bd, carrier_hz, rolloff, drift_hz_per_s
):
    rng = np.random.default_rng(int(carrier_hz))
    frame = rng.bytes(90)
    burst = BurstSpec(
        0.1,
        symbols_of([frame], lead_flags=25),
        symbol_rate_bd,
        carrier_hz,
        drift_hz_per_s=drift_hz_per_s,
        pulse="root-raised-cosine",
        rolloff=rolloff,
        phase_rad=rng.uniform(0, 6.28),
    )
    rate_hz = 48_000.0
    line = transmissions([burst], rate_hz, int((burst.end_s + 0.15) * rate_hz))
    sigma = np.sqrt(rate_hz / (4 * symbol_rate_bd) / 10**1.4)
    write_wav(tmp_path / "made.wav", line.samples + rng.normal(0, sigma, len(line.samples)), rate_hz)
    status, document = halfturn_decode([tmp_path / "made.wav"])
    assert status == 0
    symbols = [burst["symbols"] for burst in document["results"][0]["bursts"]]
    assert [frame for text in symbols for frame in frames_in(text)] == [frame]
