"""SigMF datasets that do not conform: another file, headers before captures, bytes behind the samples.

As the Signal Metadata Format Specification (core namespace: dataset, header_bytes, trailing_bytes) lays them down; the
library of the standard reads the same samples where it reads such a file.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sigmf import SigMFFile

from app.errors import CaptureError
from app.files.captures import open_capture
from app.model.capture import Capture

RATE_HZ = 2e6
LINE = (np.arange(600) * 7 % 501 - 250).astype("<i2")


def written(folder: Path, data: bytes, captures: list[dict[str, Any]], **about: Any) -> Path:
    meta = {
        "global": {"core:version": "1.2.0", "core:datatype": "ri16_le", "core:sample_rate": RATE_HZ, **about},
        "captures": captures,
        "annotations": [],
    }
    path = folder / "line.sigmf-meta"
    path.write_text(json.dumps(meta))
    (folder / about.get("core:dataset", "line.sigmf-data")).write_bytes(data)
    return path


def by_the_library(folder: Path, name: str) -> np.ndarray:
    meta = json.loads((folder / "line.sigmf-meta").read_text())
    file = SigMFFile(metadata=meta, data_file=str(folder / name), skip_checksum=True)
    return file.read_samples()


def codes(capture: Capture) -> list[str]:
    return [notice.code for notice in capture.warnings]


def test_a_header_and_a_trailer_around_the_samples(tmp_path: Path) -> None:
    about = {"core:dataset": "line.bin", "core:trailing_bytes": 5}
    captures = [{"core:sample_start": 0, "core:header_bytes": 37}]
    path = written(tmp_path, b"h" * 37 + LINE.tobytes() + b"t" * 5, captures, **about)
    capture = open_capture(path)
    assert (capture.rate_hz, capture.samples, codes(capture)) == (RATE_HZ, 600, [])
    assert isinstance(capture.channels[0].stored, np.memmap)
    np.testing.assert_array_equal(capture.channels[0].stored, LINE)
    np.testing.assert_array_equal(by_the_library(tmp_path, "line.bin")[:600].ravel() * 2**15, LINE)


def test_a_header_before_every_capture(tmp_path: Path) -> None:
    data = b"a" * 6 + LINE[:200].tobytes() + b"b" * 11 + LINE[200:].tobytes()
    captures = [
        {"core:sample_start": 0, "core:header_bytes": 6, "core:global_index": 0},
        {"core:sample_start": 200, "core:header_bytes": 11, "core:global_index": 5000},
    ]
    capture = open_capture(written(tmp_path, data, captures))
    np.testing.assert_array_equal(capture.channels[0].stored, LINE)
    parts = [(part.first, part.last, part.start_s * RATE_HZ) for part in capture.segments]
    assert parts == [(0, 200, 0.0), (200, 600, pytest.approx(5000.0))]
    assert codes(capture) == []


def test_two_channels_behind_a_header(tmp_path: Path) -> None:
    captures = [{"core:sample_start": 0, "core:header_bytes": 8}]
    path = written(tmp_path, bytes(8) + LINE.tobytes() + b"x", captures, **{"core:num_channels": 2})
    capture = open_capture(path)
    for channel, values in zip(capture.channels, (LINE[::2], LINE[1::2]), strict=True):
        np.testing.assert_array_equal(channel.stored, values)
    assert codes(capture) == ["truncated"]


@pytest.mark.parametrize("header", [1200, 10_000, 1 << 40])
def test_a_header_beyond_the_samples(tmp_path: Path, header: int) -> None:
    captures = [{"core:sample_start": 0, "core:header_bytes": header}]
    with pytest.raises(CaptureError, match="holds no samples"):
        open_capture(written(tmp_path, LINE.tobytes(), captures))


def test_a_second_header_beyond_the_end_leaves_the_first_samples(tmp_path: Path) -> None:
    captures = [{"core:sample_start": 0}, {"core:sample_start": 500, "core:header_bytes": 1 << 30}]
    capture = open_capture(written(tmp_path, LINE.tobytes(), captures))
    np.testing.assert_array_equal(capture.channels[0].stored, LINE[:500])


@pytest.mark.parametrize("name", ["../line.bin", "/etc/passwd", "a\\b.bin", "", "..", 7])
def test_samples_are_sought_beside_the_metadata_alone(tmp_path: Path, name: object) -> None:
    path = written(tmp_path, LINE.tobytes(), [])
    meta = json.loads(path.read_text())
    meta["global"]["core:dataset"] = name
    path.write_text(json.dumps(meta))
    with pytest.raises(CaptureError, match="core:dataset"):
        open_capture(path)


@pytest.mark.parametrize("count", [-1, 1.5, "8", True])
def test_sizes_that_make_no_sense(tmp_path: Path, count: object) -> None:
    with pytest.raises(CaptureError, match="core:header_bytes"):
        open_capture(
            written(tmp_path, LINE.tobytes(), [{"core:sample_start": 0, "core:header_bytes": count}])
        )
