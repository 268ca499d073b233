"""Every dialect of delimited text gives its rate, start, channels, values, segments and warnings."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from app.files.captures import ReadOptions, open_capture
from app.model.capture import Capture
from tests.app.fixtures_text import DIALECTS, Dialect
from tests.app.fixtures_text_bench import BENCH
from tests.app.fixtures_text_mixed import MIXED
from tests.app.fixtures_text_odd import ODD
from tests.app.fixtures_text_wild import WILD


def opened(dialect: Dialect, folder: Path) -> Capture:
    path = folder / f"capture{dialect.suffix}"
    path.write_bytes(dialect.data)
    return open_capture(path, ReadOptions(**dialect.options))


@pytest.mark.parametrize("dialect", DIALECTS + BENCH + ODD + MIXED + WILD, ids=lambda dialect: dialect.name)
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
    every = DIALECTS + BENCH + ODD + MIXED + WILD
    assert len({dialect.name for dialect in every}) == len({dialect.data for dialect in every}) >= 200
