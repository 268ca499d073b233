"""What stands in the part of a long capture that opening does not look at."""

from __future__ import annotations

import wave
from pathlib import Path

import numpy as np
import pytest

from app.__main__ import main
from app.errors import CancelledError
from app.files.capture_checks import MOST_SAMPLES
from app.files.capture_options import ReadOptions
from app.files.captures import open_capture
from app.files.look_over import looked_at_in_part, looked_over

LENGTH = 2 * MOST_SAMPLES
# between two of the blocks that opening looks at
HIDDEN = 3 * (LENGTH // 64) + LENGTH // 64 * 3 // 4


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A sine of 100 mV with one sample missing and one infinite, both out of the way."""
    made = tmp_path / "line.npy"
    stored = np.lib.format.open_memmap(made, mode="w+", dtype=np.float32, shape=(LENGTH,))
    stored[:] = np.resize(np.sin(np.arange(1 << 20) * 2 * np.pi * 37 / (1 << 20)), LENGTH)
    stored[HIDDEN] = np.nan
    stored[HIDDEN + 2] = np.inf
    stored.flush()
    return made


def test_samples_without_a_value_are_found_wherever_they_stand(path: Path) -> None:
    capture = open_capture(path, ReadOptions(rate_hz=1e6))
    assert capture.warnings == ()
    assert looked_at_in_part(capture)
    told = []
    found = looked_over(capture, told.append).warnings
    assert [(one.code, one.count, one.first_sample) for one in found] == [
        ("nan", 1, HIDDEN),
        ("infinity", 1, HIDDEN + 2),
    ]
    assert told == sorted(told)
    assert 0.5 < told[-1] <= 1.0


def test_a_look_is_given_up_when_asked(path: Path) -> None:
    capture = open_capture(path, ReadOptions(rate_hz=1e6))
    with pytest.raises(CancelledError):
        looked_over(capture, cancelled=lambda: True)


def test_clipping_is_counted_in_all_samples(tmp_path: Path) -> None:
    made = tmp_path / "line.wav"
    samples = np.resize((9000 * np.sin(np.arange(4096) * 2 * np.pi * 37 / 4096)).astype("<i2"), LENGTH)
    samples[HIDDEN : HIDDEN + 500] = 32767
    with wave.open(str(made), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(1_000_000)
        file.writeframes(samples.tobytes())
    capture = open_capture(made)
    assert capture.warnings == ()
    (notice,) = looked_over(capture).warnings
    assert (notice.code, notice.count, notice.first_sample) == ("clipped", 500, HIDDEN)
    assert "in the part" not in notice.text


def test_a_short_capture_has_been_looked_at(tmp_path: Path) -> None:
    np.save(tmp_path / "short.npy", np.zeros(1000, np.float32))
    capture = open_capture(tmp_path / "short.npy", ReadOptions(rate_hz=1e6))
    assert looked_over(capture) is capture


def test_info_tells_of_all_samples(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["info", str(path), "--rate", "1M"]) == 0
    assert f"first at sample {HIDDEN}" in capsys.readouterr().out
