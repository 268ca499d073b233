"""Every dialect of delimited text gives its rate, start, channels, values, segments and warnings."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from app.errors import CaptureError
from app.files.captures import ReadOptions, open_capture
from app.model.capture import Capture
from tests.app.fixtures_text import DIALECTS, Dialect
from tests.app.fixtures_text_bench import BENCH
from tests.app.fixtures_text_found import FOUND, REFUSED
from tests.app.fixtures_text_mixed import MIXED
from tests.app.fixtures_text_odd import ODD
from tests.app.fixtures_text_wild import WILD


def opened(dialect: Dialect, folder: Path) -> Capture:
    path = folder / f"capture{dialect.suffix}"
    path.write_bytes(dialect.data)
    return open_capture(path, ReadOptions(**dialect.options))


EVERY = DIALECTS + BENCH + ODD + MIXED + WILD + FOUND


@pytest.mark.parametrize("dialect", EVERY, ids=lambda dialect: dialect.name)
def test_dialect(dialect: Dialect, tmp_path: Path) -> None:
    capture = opened(dialect, tmp_path)
    assert [(channel.name, channel.unit) for channel in capture.channels] == list(dialect.channels)
    assert capture.rate_hz == pytest.approx(dialect.rate_hz, rel=dialect.rate_rtol)
    assert capture.start_s == pytest.approx(dialect.start_s, abs=0.3 / dialect.rate_hz)
    for channel, expected in zip(capture.channels, dialect.values, strict=True):
        np.testing.assert_allclose(channel.values(0, len(channel)), expected, rtol=3e-7, atol=1e-6)
    assert [notice.code for notice in capture.warnings] == list(dialect.codes)
    lengths = dialect.segments or (len(dialect.values[0]),)
    assert tuple(segment.last - segment.first for segment in capture.segments) == lengths


def test_there_are_enough_dialects_and_each_stands_for_itself() -> None:
    assert len({dialect.name for dialect in EVERY}) == len({dialect.data for dialect in EVERY}) >= 300


@pytest.mark.parametrize("text", REFUSED, ids=lambda text: text.split("\n")[0])
def test_no_rate_is_made_up(text: str, tmp_path: Path) -> None:
    path = tmp_path / "capture.csv"
    path.write_text(text)
    with pytest.raises(CaptureError, match=r"no time column, sample interval or sample rate.*--rate"):
        open_capture(path)
