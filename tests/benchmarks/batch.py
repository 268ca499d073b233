"""Many captures into one session, with one and two workers: ``batch.py [--files N]``.

Prints the time of each, the ratio to one worker in the same run, and the most memory the main process took.
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from app.demo import demo_path  # noqa: E402
from app.files.captures import open_capture  # noqa: E402

_SAMPLES = 12_000
_RUN = """
import resource, sys
from app.__main__ import main
code = main(sys.argv[1:])
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, file=sys.stderr)
sys.exit(code)
"""


def make_files(folder: Path, count: int) -> list[Path]:
    """Pieces of the demo capture at random places, with a little noise of their own."""
    capture = open_capture(demo_path())
    values = capture.channels[0].values(0, capture.samples)
    chance = np.random.default_rng(1)
    made = []
    for n in range(count):
        first = int(chance.integers(0, len(values) - _SAMPLES))
        piece = values[first : first + _SAMPLES] + chance.normal(0, 0.01, _SAMPLES)
        made.append(folder / f"piece{n:05d}.npy")
        np.save(made[-1], piece.astype("f4"))
    return made


def timed(files: list[Path], session: Path, workers: int) -> tuple[float, int]:
    """Seconds, and kilobytes of the main process."""
    command = [
        "decode",
        *map(str, files),
        "--rate",
        "1.25M",
        "--session",
        str(session),
        "--jobs",
        str(workers),
    ]
    begun = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", _RUN, *command], cwd=ROOT, capture_output=True, text=True, check=False
    )
    taken = time.perf_counter() - begun
    found = re.search(r"(\d+)\s*$", done.stderr)
    assert found is not None, done.stderr
    return taken, int(found[1])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=60)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        files = make_files(folder, given.files)
        base = 0.0
        for workers in (1, 2):
            taken, kilobytes = timed(files, folder / f"all{workers}.h5", workers)
            base = base or taken
            size = (folder / f"all{workers}.h5").stat().st_size
            print(
                f"{workers} worker{'s'[: workers > 1]}: {taken:7.2f} s  {given.files / taken:6.2f} files/s  "
                f"x{base / taken:.2f}  main process {kilobytes / 1024:.0f} MB  session {size / 1e6:.1f} MB"
            )


if __name__ == "__main__":
    main()
