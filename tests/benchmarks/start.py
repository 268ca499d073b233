"""How soon the program is there: ``start.py [--rounds 9]``.

Each round runs every start once, in turn, so that what else the machine does meets all of them alike; medians and
ratios of one run count, times of two runs do not. The window counts as on screen when its first frame has been
painted and Qt has handled every event that was waiting then; it opens on the X server that ``DISPLAY`` names, or
off screen.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]

WINDOW_LIMIT = 1.3  # of the imports alone
HELP_LIMIT_S = 0.2  # beyond plain Python

_IMPORTS = "import PySide6.QtCore, PySide6.QtGui, PySide6.QtWidgets, pyqtgraph"
_PLAIN_WINDOW = f"""
{_IMPORTS}
from PySide6.QtWidgets import QApplication, QMainWindow
application = QApplication([])
window = QMainWindow()
window.setCentralWidget(pyqtgraph.PlotWidget())
window.resize(1400, 900)
window.show()
application.processEvents()
import os
os._exit(0)
"""
# the program's own start; only its event loop is made to end with the first frame
_WINDOW = """
import os
from PySide6.QtCore import QEvent, QObject, QTimer
from PySide6.QtWidgets import QApplication

class Painted(QObject):
    def eventFilter(self, watched, event):
        if event.type() == QEvent.Type.Paint:
            QTimer.singleShot(0, lambda: os._exit(0))
        return False

execute = QApplication.exec
def enter(*_):
    (window,) = [one for one in QApplication.topLevelWidgets() if one.objectName() == "mainWindow"]
    window.painted = Painted()
    window.centralWidget().installEventFilter(window.painted)
    return execute()
QApplication.exec = enter

from app.__main__ import main
os._exit(main([]) + 100)
"""
STARTS = {
    "python": [sys.executable, "-c", "pass"],
    "help": [str(Path(sys.executable).with_name("halfturn")), "--help"],
    "imports": [sys.executable, "-c", f"{_IMPORTS}\nimport os\nos._exit(0)"],
    "plain window": [sys.executable, "-c", _PLAIN_WINDOW],
    "window": [sys.executable, "-c", _WINDOW],
}


def timed(command: list[str], environment: dict[str, str]) -> tuple[float, float]:
    """Seconds from before a process is started until it has gone, and those that processors worked for it."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begin = time.perf_counter()
    done = subprocess.run(
        command, cwd=ROOT, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, check=False
    )
    took = time.perf_counter() - begin
    if done.returncode:
        raise SystemExit(f"{command} failed:\n{done.stderr.decode()}")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return took, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--rounds", type=int, default=9)
    rounds: int = parser.parse_args().rounds
    with tempfile.TemporaryDirectory() as home:
        environment = {**os.environ, "HOME": home, "XDG_CONFIG_HOME": home, "XDG_CACHE_HOME": home}
        # a program that is used has been compiled, as the libraries it is compared with were when installed
        environment.pop("PYTHONDONTWRITEBYTECODE", None)
        if not environment.get("DISPLAY"):
            environment["QT_QPA_PLATFORM"] = "offscreen"
        for command in STARTS.values():  # compiled, and in the system's cache
            timed(command, environment)
        times: dict[str, list[tuple[float, float]]] = {name: [] for name in STARTS}
        for _ in range(rounds):
            for name, command in STARTS.items():
                times[name].append(timed(command, environment))
    clock = {name: statistics.median(took for took, _ in found) for name, found in times.items()}
    work = {name: statistics.median(worked for _, worked in found) for name, found in times.items()}
    for name, found in times.items():
        least, most = min(found)[0], max(found)[0]
        print(
            f"{name:13} median {clock[name]:.3f} s, {least:.3f} to {most:.3f} s; processor {work[name]:.3f} s"
        )
    pairs = sorted(a / b for (a, _), (b, _) in zip(times["window"], times["imports"], strict=True))
    print(
        f"window on screen / imports alone: {clock['window'] / clock['imports']:.2f} (asked: {WINDOW_LIMIT}), "
        f"median of the rounds' ratios {statistics.median(pairs):.2f}, {pairs[0]:.2f} to {pairs[-1]:.2f}; "
        f"processor {work['window'] / work['imports']:.2f}"
    )
    print(f"a window with one empty plot / imports alone: {clock['plain window'] / clock['imports']:.2f}")
    more = clock["help"] - clock["python"]
    print(f"halfturn --help beyond plain Python: {more:.3f} s (asked: {HELP_LIMIT_S} s)")


if __name__ == "__main__":
    main()
