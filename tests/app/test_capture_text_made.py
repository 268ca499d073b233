"""Text captures put together at random: rate, start, length, names, units, values and warnings come out of each."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from app.files.captures import open_capture
from tests.generators.text_captures import made

FILES, PART = 240, 40


@pytest.mark.parametrize("first", range(0, FILES, PART))
def test_what_is_written_is_found(first: int, tmp_path: Path) -> None:
    for seed in range(first, first + PART):
        truth = made(seed)
        path = tmp_path / f"{seed}.txt"
        path.write_bytes(truth.data)
        capture = open_capture(path)
        about = f"file {seed}: {truth.features}"
        assert capture.rate_hz == pytest.approx(truth.rate_hz, rel=truth.rate_rtol), about
        assert capture.start_s == pytest.approx(truth.start_s, abs=truth.start_tolerance_s), about
        assert [channel.name for channel in capture.channels] == list(truth.names), about
        assert [channel.unit for channel in capture.channels] == list(truth.units), about
        assert sorted(notice.code for notice in capture.warnings) == list(truth.codes), about
        assert len(capture.segments) == 1, about
        for channel, expected in zip(capture.channels, truth.values, strict=True):
            found = channel.values(0, len(channel))
            np.testing.assert_allclose(found, expected, rtol=3e-6, atol=1e-12, equal_nan=True, err_msg=about)
