"""The one-way order of the layers."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]

IMPORT_ALL = """
import importlib, pkgutil, sys
for name in {roots!r}:
    package = importlib.import_module(name)
    for found in pkgutil.walk_packages(getattr(package, "__path__", []), name + "."):
        importlib.import_module(found.name)
loaded = {{name.partition(".")[0] for name in sys.modules}}
print(*sorted(loaded & {watched!r}))
"""


def loaded_by(roots: list[str], watched: set[str]) -> set[str]:
    """Which of ``watched`` are loaded in a new process that imports every module of ``roots``."""
    code = IMPORT_ALL.format(roots=roots, watched=watched)
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True, timeout=60
    )
    return set(done.stdout.split())


def test_contracts_hold() -> None:
    linter = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run(
        [linter, "--no-cache"], cwd=ROOT, capture_output=True, text=True, check=False, timeout=60
    )
    assert done.returncode == 0, done.stdout
    assert "0 broken" in done.stdout


def test_the_decoder_needs_neither_qt_nor_files_nor_the_program() -> None:
    assert loaded_by(["dsp"], {"PySide6", "pyqtgraph", "h5py", "app", "numpy"}) == {"numpy"}
