"""Many captures into one session, with one and two workers: ``batch.py [--files N]``.

Prints the time of each, the ratio to one worker in the same run, the processor time of the main process and of the
workers, and the most memory the main process took. With two workers on two idle processors nothing but the main process's
time beside them, and their start, keeps the ratio from 2; on processors that others use the last line tells more.
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
own, workers = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
seconds = [round(used.ru_utime + used.ru_stime, 3) for used in (own, workers)]
print(*seconds, own.ru_maxrss, file=sys.stderr)
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


def timed(files: list[Path], session: Path, workers: int) -> tuple[float, float, float, int]:
    """Seconds, those of the processor in the main process and in the workers, and kilobytes of the main process."""
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
    found = re.search(r"([\d.]+) ([\d.]+) (\d+)\s*$", done.stderr)
    assert found is not None, done.stderr
    return taken, float(found[1]), float(found[2]), int(found[3])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=60)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        files = make_files(folder, given.files)
        base = 0.0
        for workers in (1, 2):
            taken, own, workers_s, kilobytes = timed(files, folder / f"all{workers}.h5", workers)
            base = base or taken
            size = (folder / f"all{workers}.h5").stat().st_size
            print(
                f"{workers} worker{'s'[: workers > 1]}: {taken:7.2f} s  {given.files / taken:6.2f} files/s  "
                f"x{base / taken:.2f}  processor {own:.2f} s main, {workers_s:.2f} s workers  "
                f"main process {kilobytes / 1024:.0f} MB  "
                f"session {size / 1e6:.1f} MB"
            )


if __name__ == "__main__":
    main()
