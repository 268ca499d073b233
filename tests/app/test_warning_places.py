"""Each place a warning is about, found in files written by numpy and by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from app.errors import CancelledError
from app.files.capture_options import ReadOptions
from app.files.captures import open_capture
from app.jobs.warning_places import next_place
from app.model.capture import Capture


def places(capture: Capture, code: str, apart: int = 1) -> list[int]:
    notice = next(one for one in capture.warnings if one.code == code)
    found: list[int] = []
    after = 0
    while (at := next_place(capture, notice, after)) is not None:
        found.append(at)
        after = at + apart
    return found


def test_samples_without_a_value_in_the_channel_that_is_named(tmp_path: Path) -> None:
    values = np.random.default_rng(1).normal(size=(3_000_000, 2)).astype(np.float32)
    values[[7, 1_048_575, 1_048_576, 2_999_999], 1] = np.nan
    values[[100, 200], 0] = np.inf
    np.save(tmp_path / "pair.npy", values)
    capture = open_capture(tmp_path / "pair.npy", ReadOptions(rate_hz=1e6))
    # two that stand side by side are one place, also where blocks of the search meet
    assert places(capture, "nan") == [7, 1_048_575, 2_999_999]
    assert places(capture, "infinity") == [100, 200]


def test_clipped_stretches(tmp_path: Path) -> None:
    values = np.round(90 * np.sin(np.arange(200_000) * 0.0613)).astype(np.int8)
    for at in (3_000, 150_000):
        values[at : at + 500] = 127
    (tmp_path / "line.raw").write_bytes(values.tobytes())
    capture = open_capture(tmp_path / "line.raw", ReadOptions(rate_hz=1e6, dtype="int8"))
    assert places(capture, "clipped", apart=200) == [3_000, 150_000]


def test_gaps(tmp_path: Path) -> None:
    times = [i * 1e-5 + (1e-3 if i >= 300 else 0) + (2e-3 if i >= 700 else 0) for i in range(1000)]
    lines = "".join(f"{t:.6f},{i % 9}\n" for i, t in enumerate(times))
    (tmp_path / "line.csv").write_text("time,A\ns,V\n" + lines)
    assert places(open_capture(tmp_path / "line.csv"), "time-gap") == [300, 700]


def test_a_search_is_given_up_when_asked(tmp_path: Path) -> None:
    values = np.zeros(1000, np.float32)
    values[[5, 900]] = np.nan
    np.save(tmp_path / "line.npy", values)
    capture = open_capture(tmp_path / "line.npy", ReadOptions(rate_hz=1e6))
    with pytest.raises(CancelledError):
        next_place(capture, capture.warnings[0], 6, cancelled=lambda: True)
