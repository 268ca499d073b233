"""The readers against damaged and made-up files; `tests.fuzz.readers` goes on for longer by hand."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from generators.long_runs import long_but
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from app.files.capture_options import ReadOptions
from tests.fuzz.originals import originals
from tests.fuzz.readers import outcome

TOP = Path(__file__).parents[2]
FILES = 2000


@pytest.mark.parametrize("seed", long_but(0, of=[1, 2]))
def test_damaged_files_of_every_kind(seed: int) -> None:
    command = [sys.executable, "-m", "tests.fuzz.readers", "--seed", str(seed), "--count", str(FILES)]
    done = subprocess.run(command, cwd=TOP, capture_output=True, text=True, timeout=250, check=False)
    told = json.loads(done.stdout)
    assert (told["failed"], done.returncode) == (0, 0), done.stderr
    assert told["tried"] == sum(told["outcomes"].values()) == FILES
    # the damage is neither always deadly nor ever without effect
    kinds = {original.kind for original in originals()}
    assert {outcome.split()[0] for outcome in told["outcomes"]} == kinds
    read = sum(count for name, count in told["outcomes"].items() if name.endswith("read"))
    assert 0.1 * FILES < read < 0.9 * FILES


CELLS = st.one_of(
    st.floats(width=32).map(str),
    st.floats(-30, 30).map("{:.3f}".format),
    st.integers(-(10**6), 10**6).map(str),
    st.sampled_from(
        ["", "OL", "***", "nan", "-inf", "0x1F", "1,5", "1.234,5", "12:30:01.5", "1.5 mV", "−1", '"2"', "x"]
    ),
)
TITLES = st.sampled_from(["Time (s)", "t/ms", "CH1 (V)", "Record", "Sample", "Code", "", "1", "µs", '"A, V"'])
PREAMBLES = st.lists(
    st.one_of(
        st.sampled_from(["Sample rate: 1 MS/s", "dt = 2 us", "Y increment,0.1", "Trigger position: 20 %", "Unit,V,V"]),
        st.text(max_size=30),
    ),
    max_size=6,
)  # fmt: skip


@st.composite
def tables(draw: st.DrawFn) -> bytes:
    """A text that is nearly a table."""
    delimiter = draw(st.sampled_from([",", ";", "\t", " ", "|"]))
    end = draw(st.sampled_from(["\n", "\r\n", "\r"]))
    width = draw(st.integers(1, 5))
    row = st.lists(CELLS, min_size=width, max_size=width)
    titles = draw(st.lists(TITLES, min_size=width, max_size=width))
    lines = [*draw(PREAMBLES), delimiter.join(titles)]
    lines += [delimiter.join(cells) for cells in draw(st.lists(row, min_size=1, max_size=30))]
    coding = draw(st.sampled_from(["utf-8", "utf-8-sig", "latin-1", "utf-16"]))
    return end.join(lines).encode(coding, "replace")


@given(tables(), st.sampled_from([None, 1e6]))
@settings(
    max_examples=400,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_made_up_tables(tmp_path: Path, text: bytes, rate_hz: float | None) -> None:
    path = tmp_path / "table.txt"
    path.write_bytes(text)
    assert outcome(path, ReadOptions(rate_hz=rate_hz)) in ("read", "refused")


@given(st.binary(max_size=300), st.sampled_from(originals()))
@settings(
    max_examples=300,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_any_bytes_behind_a_known_beginning(tmp_path: Path, data: bytes, original: object) -> None:
    path = tmp_path / f"front{original.suffix}"  # type: ignore[attr-defined]
    path.write_bytes(original.data[:12] + data)  # type: ignore[attr-defined]
    assert outcome(path, original.options) in ("read", "refused")  # type: ignore[attr-defined]
