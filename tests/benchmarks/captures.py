"""Reading text beside the general-purpose readers that are installed: ``captures.py [--rows N] [--rounds N]``.

Every reading is a process of its own, in turn, on one core and on all. Times leave out the start of Python and
the import of a library, of ours too; the best of the rounds counts, since others use the machine. On one core the
processor time of all threads is what the wall time would be on an idle machine. Memory is the
peak above that after the imports, less pages mapped from files (a library's code), over the bytes of the samples
that result. Of our reader it is also said how
long it leaves progress and cancel unasked, and the worst pause of another thread that only sleeps 5 ms.
pandas, pyarrow and polars are compared with where they are installed; numpy always.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT)]

# what stands in a row, its delimiter and its decimal mark
SHAPES: dict[str, tuple[str, str, str]] = {
    "2 columns, comma": ("{t:.9e},{v:.6f}", ",", "."),
    "2 columns, semicolon, decimal comma": ("{t:.9e};{v:.6f}", ";", ","),
    "9 columns, tab": ("{t:.9e}" + "\t{v:.4f}" * 8, "\t", "."),
    "2 columns, blanks": ("{t:.9e} {v:.6f}", " ", "."),
}
PAUSE_S = 0.005


def write(path: Path, template: str, mark: str, rows: int) -> None:
    rows //= 1 + template.count("{v") // 4
    with path.open("w") as file:
        for first in range(0, rows, 100_000):
            numbers = range(first, min(first + 100_000, rows))
            values = 1.5 * np.sin(np.arange(first, first + len(numbers)) * 0.01)
            lines = (template.format(t=n * 1e-6, v=v) for n, v in zip(numbers, values.tolist(), strict=True))
            text = "\n".join(lines) + "\n"
            file.write(text.replace(".", ",") if mark == "," else text)


def reader(name: str, path: Path, delimiter: str, mark: str) -> Callable[[], Any]:
    """What reads ``path``, with everything imported that it needs."""
    if name == "numpy.loadtxt":
        to_number = {} if mark == "." else {"converters": lambda cell: float(cell.replace(",", "."))}
        return lambda: np.loadtxt(path, delimiter=None if delimiter == " " else delimiter, **to_number)
    if name == "pandas":
        import pandas

        return lambda: pandas.read_csv(path, header=None, sep=delimiter, decimal=mark)
    if name == "polars":
        import polars

        return lambda: polars.read_csv(path, has_header=False, separator=delimiter, decimal_comma=mark == ",")
    if name == "pyarrow":
        from pyarrow import csv

        return lambda: csv.read_csv(
            path,
            read_options=csv.ReadOptions(autogenerate_column_names=True),
            parse_options=csv.ParseOptions(delimiter=delimiter),
            convert_options=csv.ConvertOptions(decimal_point=mark),
        )
    from app.files import capture_text  # noqa: F401  (imported here, so that it is not timed)
    from app.files.captures import open_capture

    # as of the others only the import of the library is left out, not its first call
    if importlib.util.find_spec("polars"):
        import polars
    return lambda: open_capture(path)


def memory_bytes() -> int:
    """The most memory so far less what is mapped from files now, as the code of a library is that its first call reads."""
    mapped = next(
        line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("RssFile:")
    )
    return (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - int(mapped.split()[1])) << 10


def measure(name: str, path: Path, delimiter: str, mark: str) -> dict[str, float]:
    """One reading in this process."""
    read = reader(name, path, delimiter, mark)
    before, used, begin = memory_bytes(), time.process_time(), time.perf_counter()
    found = read()
    found_in = {
        "seconds": time.perf_counter() - begin,
        "processor": time.process_time() - used,
        "memory": float(memory_bytes() - before),
    }
    if name == "halfturn":
        found_in["samples"] = float(sum(channel.stored.nbytes for channel in found.channels))
    return found_in


def pauses(path: Path) -> dict[str, float]:
    """The longest times between two progress reports, and of another thread; until a cancel is heard."""
    from app.errors import CancelledError
    from app.files.captures import open_capture

    seen: list[float] = []
    asked: list[float] = []

    def cancelled() -> bool:
        asked.append(time.perf_counter())
        return False

    def work() -> None:
        open_capture(path, progress=lambda _: seen.append(time.perf_counter()), cancelled=cancelled)

    thread = threading.Thread(target=work)
    worst, last = 0.0, time.perf_counter()
    thread.start()
    while thread.is_alive():
        time.sleep(PAUSE_S)
        now = time.perf_counter()
        worst, last = max(worst, now - last - PAUSE_S), now
    begin = time.perf_counter()
    at = begin + (seen[-1] - seen[0]) / 2
    late = 0.0
    try:
        open_capture(path, cancelled=lambda: time.perf_counter() > at)
    except CancelledError:
        late = time.perf_counter() - at
    return {
        "progress": float(np.diff(seen).max()),
        "asked": float(np.diff(asked).max()),
        "pause": worst,
        "cancel": late,
    }


def in_process(cores: int, *arguments: str) -> dict[str, float] | None:
    """The same script in a process of its own; None if it fails there."""
    allowed = sorted(os.sched_getaffinity(0))[:cores]
    done = subprocess.run(
        [sys.executable, __file__, "--one", json.dumps(arguments)],
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=lambda: os.sched_setaffinity(0, allowed),
    )
    return json.loads(done.stdout) if done.returncode == 0 else None


def compare(path: Path, shape: str, rounds: int, cores: int) -> None:
    _, delimiter, mark = SHAPES[shape]
    names = ["numpy.loadtxt", "halfturn"]
    names += [name for name in ("pandas", "polars", "pyarrow") if importlib.util.find_spec(name)]
    best: dict[str, float] = {}
    used: dict[str, float] = {}
    memory: dict[str, float] = {}
    samples = 1.0
    for _ in range(rounds):
        for name in names:
            told = in_process(cores, name, str(path), delimiter, mark)
            # not every library reads every shape as numbers
            if told is None or (delimiter == " " and name in ("polars", "pyarrow")):
                continue
            best[name] = min(best.get(name, np.inf), told["seconds"])
            used[name] = min(used.get(name, np.inf), told["processor"])
            memory[name] = max(memory.get(name, 0.0), told["memory"])
            samples = told.get("samples", samples)
    others = {name: taken for name, taken in best.items() if name != "halfturn"}
    fastest = min(others, key=lambda name: others[name])
    print(f"\n{shape}, {path.stat().st_size / 1e6:.0f} MB, {cores} core{'s' * (cores > 1)}")
    for name, taken in sorted(best.items(), key=lambda item: item[1]):
        print(
            f"  {name:14} {taken * 1e3:8.0f} ms  x{taken / best[fastest]:5.2f} of {fastest}"
            f"  processor {used[name] * 1e3:6.0f} ms  x{used[name] / used[fastest]:5.2f}"
            f"  memory {memory[name] / samples:5.2f} x the samples"
        )
    told = in_process(cores, "pauses", str(path))
    if told is not None:
        print(
            "  between progress reports {progress:.0f} ms, between questions whether to stop {asked:.0f} ms, "
            "cancelled after {cancel:.0f} ms, worst pause of another thread {pause:.0f} ms".format(
                **{name: value * 1e3 for name, value in told.items()}
            )
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=4_000_000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--one", type=json.loads, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.one:
        name, path, *rest = given.one
        print(json.dumps(pauses(Path(path)) if name == "pauses" else measure(name, Path(path), *rest)))
        return
    with tempfile.TemporaryDirectory() as folder:
        for shape, (template, _, mark) in SHAPES.items():
            path = Path(folder, "rows.csv")
            write(path, template, mark, given.rows)
            for cores in sorted({1, len(os.sched_getaffinity(0))}):
                compare(path, shape, given.rounds, cores)


if __name__ == "__main__":
    main()
