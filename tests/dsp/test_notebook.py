"""The package as somebody uses it in a notebook: each step twice, the README's examples, and what is no input."""

from __future__ import annotations

import pkgutil
import re
import subprocess
import sys
from importlib import import_module
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from generators.truths import RATE_HZ, capture

import dsp
from dsp.errors import BadInputError
from dsp.results import DecodeSettings

ROOT = Path(__file__).resolve().parents[2]


def test_steps_stay_steps_once_their_modules_are_loaded():
    for module in pkgutil.iter_modules(dsp.__path__):
        import_module(f"dsp.{module.name}")
    for name in dsp.__all__:
        assert not isinstance(getattr(dsp, name), ModuleType), name
        assert callable(getattr(dsp, name))


def test_the_readmes_examples_run_one_after_the_other(tmp_path):
    """In a process of their own, since what is loaded first must not matter."""
    text = (ROOT / "README.md").read_text().split("## In a notebook")[1]
    examples = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    assert len(examples) == 3
    made = capture((30, 44, 26, 52), 5, esn0_db=14.0)
    np.save(tmp_path / "line.npy", made.samples)
    script = "\n".join(examples).replace("1.25e6", f"{RATE_HZ}")
    script += "\nassert [b.symbols for b in result.bursts] and runs.count.size == len(result.bursts)\n"
    done = subprocess.run(
        [sys.executable, "-c", script],
        cwd=tmp_path,
        env={"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("Bd") >= 4


@pytest.mark.parametrize(
    ("samples", "error"),
    [
        (3.0, TypeError),
        (None, TypeError),
        ("1 2 3", TypeError),
        (np.array(["a"] * 500), BadInputError),
        (np.zeros((2, 500)), BadInputError),
        (np.zeros(500, dtype=complex), BadInputError),
        (np.array(3.0), BadInputError),
    ],
)
def test_what_are_no_samples_is_said(samples, error):
    with pytest.raises(error, match="samples must be"):
        dsp.decode(samples, RATE_HZ)


@pytest.mark.parametrize("rate", [None, "1e6", 1 + 0j, 0, -1.0, float("nan"), float("inf")])
def test_what_is_no_rate_is_said(rate):
    with pytest.raises((TypeError, ValueError), match="the sample rate must be"):
        dsp.decode(np.zeros(500), rate)


@pytest.mark.parametrize("told", [{"carrier_hz": "200k"}, {"symbol_rate_bd": 1j}])
def test_what_is_told_must_be_a_number(told):
    with pytest.raises(TypeError, match="told must be a real number"):
        dsp.decode(np.zeros(500), RATE_HZ, settings=DecodeSettings(**told))
    with pytest.raises(TypeError, match="settings must be a DecodeSettings, not dict"):
        dsp.decode(np.zeros(500), RATE_HZ, settings=told)


@pytest.mark.parametrize(
    ("segments", "text"),
    [
        (((0, 400, 0.0), (300, 500, 1.0)), "segments must be in order"),
        (((0, 501, 0.0),), "does not lie within"),
        (((0, 400, float("nan")),), "must be a finite time"),
    ],
)
def test_segments_lie_one_after_the_other(segments, text):
    with pytest.raises(BadInputError, match=text):
        dsp.decode(np.zeros(500), RATE_HZ, segments=segments)


@pytest.mark.parametrize(
    "form", [list, tuple, np.asfortranarray, lambda x: x.astype(">f8"), lambda x: np.repeat(x, 2)[::2]]
)
def test_every_form_of_the_same_samples_is_decoded_the_same(form):
    made = capture((30, 44), 6, esn0_db=15.0)
    locked = made.samples.copy()
    locked.flags.writeable = False
    want = dsp.decode(locked, RATE_HZ)
    assert len(want.bursts) == 2
    assert dsp.decode(form(locked), RATE_HZ) == want


def test_samples_that_are_no_numbers_are_said():
    made = capture((30, 44), 6, esn0_db=15.0)
    broken = made.samples.copy()
    broken[100:110] = np.nan
    broken[20] = np.inf
    result = dsp.decode(broken, RATE_HZ)
    assert len(result.bursts) == 2
    (notice,) = result.warnings
    assert (notice.code, notice.count, notice.first_sample) == ("not-finite", 11, 20)
    # in what is not looked at they do not count
    assert not dsp.decode(broken, RATE_HZ, segments=((110, broken.size, 0.0),)).warnings
    nothing = dsp.decode(np.full(5000, np.nan), RATE_HZ)
    assert nothing.refusal is not None
    assert nothing.refusal.code == "flat"
    assert "finite" in nothing.refusal.text
