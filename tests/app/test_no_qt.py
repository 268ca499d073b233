"""The command line and the decoder load no Qt, and help loads nothing heavy."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import numpy as np
from generators.files import write_text

ROOT = Path(__file__).resolve().parents[2]
HEAVY = ("numpy", "scipy", "h5py", "PySide6", "shiboken6", "pyqtgraph")


def loaded_after(code: str) -> set[str]:
    """Top-level modules in a fresh interpreter after ``code``."""
    shown = subprocess.run(
        [
            sys.executable,
            "-c",
            f"{code}\nimport sys\nprint('\\n', *{{m.split('.')[0] for m in sys.modules}})",
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    return set(shown.splitlines()[-1].split())


def test_importing_every_module_but_those_of_the_window_loads_no_qt():
    code = """
import importlib, pkgutil, app, dsp
for package in (app, dsp):
    for module in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
        if not module.name.startswith("app.gui") and module.name != "app.assets.make_demo":
            importlib.import_module(module.name)
"""
    loaded = loaded_after(code)
    assert {"numpy", "dsp", "app"} <= loaded
    assert not loaded & {"PySide6", "shiboken6", "pyqtgraph"}


def test_decoding_loads_no_qt_and_no_hdf5(tmp_path):
    write_text(tmp_path / "line.csv", np.sin(np.arange(3000.0)), 1e6)
    loaded = loaded_after(
        f"from app.__main__ import main\nmain(['decode', {str(tmp_path / 'line.csv')!r}])\n"
        f"main(['info', {str(tmp_path / 'line.csv')!r}])"
    )
    assert "numpy" in loaded
    assert not loaded & {"PySide6", "shiboken6", "pyqtgraph", "h5py"}


def test_help_loads_nothing_heavy():
    for arguments in (["--help"], ["decode", "--help"], ["--version"], ["decode"]):
        loaded = loaded_after(f"from app.__main__ import main\nmain({arguments!r})")
        assert "argparse" in loaded
        assert not loaded & set(HEAVY)


def test_help_comes_at_once():
    def least_s(*arguments: str) -> float:
        times = []
        for _ in range(3):
            begin = time.perf_counter()
            subprocess.run([sys.executable, *arguments], cwd=ROOT, capture_output=True, check=True)
            times.append(time.perf_counter() - begin)
        return min(times)

    assert least_s("-m", "app", "--help") - least_s("-c", "pass") < 0.2
