"""Clipping, NaN and infinity: found, counted, placed, and not seen where there are none."""

from __future__ import annotations

import numpy as np
import pytest

from app.files import capture_checks
from app.files.capture_checks import check_channels
from app.model.capture import Channel
from dsp.results import Notice

RNG = np.random.default_rng(11)
PHASE = np.arange(20_000) * 0.0613


def found(stored: np.ndarray, scale: float = 1.0) -> tuple[Notice, ...]:
    return check_channels((Channel("A", stored, scale),))


@pytest.mark.parametrize("drive", [1.08, 1.3, 3.0])
@pytest.mark.parametrize("noise", [0.0, 1.0])
def test_a_clipped_converter_is_found(drive: float, noise: float) -> None:
    wave = 127 * drive * np.sin(PHASE) + noise * RNG.normal(size=PHASE.size)
    stored = np.clip(np.round(wave), -128, 127).astype(np.int8)
    (notice,) = found(stored, 0.02)
    ends = np.flatnonzero((stored == 127) | (stored == stored.min()))
    assert notice.code == "clipped"
    assert notice.count == ends.size
    assert notice.first_sample == ends[0]
    assert "2.54 V" in notice.text


def test_clipping_at_one_end_only_below_the_end_of_the_type() -> None:
    stored = np.minimum(np.round(2000 * np.sin(PHASE) + RNG.normal(size=PHASE.size) * 3), 1500).astype(
        np.int16
    )
    (notice,) = found(stored)
    assert notice.count == np.count_nonzero(stored == 1500)
    assert "highest" in notice.text
    assert "lowest" not in notice.text


def test_clipping_of_values_in_volts() -> None:
    stored = np.clip(1.5 * np.sin(PHASE), -1.2, 1.2).astype(np.float32)
    (notice,) = found(stored)
    assert (notice.code, notice.count) == ("clipped", int((np.abs(stored) == np.float32(1.2)).sum()))


INNOCENT = {
    "full scale sine": np.round(127 * np.sin(PHASE)).astype(np.int8),
    "small sine": np.round(20 * np.sin(PHASE)).astype(np.int8),
    "coherent sine": np.round(1000 * np.sin(np.arange(20_000) * 2 * np.pi / 50)).astype(np.int16),
    "eight samples a cycle": np.sin(np.arange(20_000) * 2 * np.pi / 8),
    "float sine": np.sin(PHASE).astype(np.float32),
    "noise": np.round(RNG.normal(size=20_000) * 40).astype(np.int16),
    "logic": (np.arange(20_000) // 100 % 2).astype(np.uint8),
    "logic at the ends of the type": np.where(np.arange(20_000) // 100 % 2, 127, -128).astype(np.int8),
    "logic with slopes": np.convolve(np.arange(20_000) // 100 % 2, np.ones(9), "same") * 0.5,
    "flat at the end of the type": np.full(5000, 127, np.int8),
    "flat": np.zeros(5000),
    "few steps of noise": np.round(2 * RNG.normal(size=20_000)).astype(np.int8),
    "supply": (24 + 0.01 * RNG.normal(size=20_000)).round(4),
}


@pytest.mark.parametrize("stored", INNOCENT.values(), ids=INNOCENT.keys())
def test_what_only_looks_like_clipping_is_left_alone(stored: np.ndarray) -> None:
    assert found(stored) == ()


def test_nan_and_infinity_are_counted_and_placed() -> None:
    stored = np.sin(PHASE).astype(np.float32)
    stored[[100, 101, 5000]] = np.nan
    stored[[70, 6000]] = [np.inf, -np.inf]
    notices = found(stored)
    assert [(notice.code, notice.count, notice.first_sample) for notice in notices] == [
        ("nan", 3, 100),
        ("infinity", 2, 70),
    ]


def test_all_nan_is_no_failure() -> None:
    assert [(notice.code, notice.count) for notice in found(np.full(100, np.nan))] == [("nan", 100)]


def test_only_part_of_a_huge_channel_is_looked_at_and_the_notice_says_so(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(capture_checks, "BLOCK", 1000)
    monkeypatch.setattr(capture_checks, "MOST_SAMPLES", 5000)
    stored = np.clip(np.round(200 * np.sin(PHASE)), -128, 127).astype(np.int8)
    (notice,) = found(stored)
    assert 0 < notice.count < np.count_nonzero((stored == 127) | (stored == -128)) / 2
    assert "in the part looked at" in notice.text


def test_samples_are_not_touched() -> None:
    stored = np.clip(np.round(200 * np.sin(PHASE)), -128, 127).astype(np.int8)
    stored.setflags(write=False)
    before = stored.copy()
    found(stored)
    np.testing.assert_array_equal(stored, before)
