"""What the window needs to open, and what it must not wait for (times: tests/benchmarks/start.py)."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

LATER = (
    "pyqtgraph",
    "dsp.envelope",
    "h5py",
    "scipy",
    "polars",
    "dsp.measure",
    "dsp.decoder",
    "app.gui.figures.dialog",
)
"""Loaded with their first use."""

_SHOW = """
import sys
from PySide6.QtWidgets import QApplication
from app.gui.run import MainWindow, program_settings
application = QApplication([])
window = MainWindow(program_settings())
window.show()
application.processEvents()
print(*sys.modules)
window.close()
"""


def test_the_empty_window_loads_nothing_that_it_does_not_show(home):
    done = subprocess.run(
        [sys.executable, "-c", _SHOW],
        cwd=Path(__file__).parents[2],
        env={**os.environ, "QT_QPA_PLATFORM": "offscreen"},
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    loaded = set(done.stdout.split())
    assert "app.gui.window" in loaded
    assert [name for name in LATER if name in loaded] == []
