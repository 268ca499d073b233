"""Damaged captures for every reader: read or refused in one line, within memory and time, nothing written.

``python -m tests.fuzz.readers --seed 7 --count 100000`` from the top of the checkout goes on as long as you like
and says how many files were tried; whatever fails is told with its seed, and kept in ``--keep FOLDER``.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import random
import resource
import signal
import sys
import tempfile
import traceback
import warnings
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from app.__main__ import main as halfturn
from app.errors import HalfturnError
from app.files import capture_text
from app.files.capture_options import ReadOptions, Watch
from app.files.captures import open_capture
from app.files.inputs import is_session_file
from app.jobs.inspecting import inspect_capture
from app.model.capture import Capture
from tests.fuzz.mutate import mutated
from tests.fuzz.originals import Original, originals

# Beyond what the process has when it begins; the files are of some kilobytes. Every thread reserves 64 MB
# of addresses for its allocations that it never uses, so that the limit on addresses must be wider.
ADDRESS_BYTES = 3 << 30
MEMORY_BYTES = 256 << 20
SECONDS = 5


class HangError(Exception):
    """An input took longer than `SECONDS`."""


def check_consistent(capture: Capture) -> None:
    """What holds of every capture that is read."""
    assert np.isfinite([capture.rate_hz, capture.start_s]).all()
    assert capture.rate_hz > 0
    assert {len(channel) for channel in capture.channels} == {capture.samples}
    assert (capture.segments[0].first, capture.segments[-1].last) == (0, capture.samples)
    for before, after in pairwise(capture.segments):
        assert before.last == after.first
        assert before.start_s < after.start_s
    assert len({channel.name for channel in capture.channels}) == len(capture.channels)
    assert all(notice.text and "\n" not in notice.text for notice in capture.warnings)


def outcome(path: Path, options: ReadOptions) -> str:
    """``read`` or ``refused``; raises whatever is neither."""
    try:
        capture = open_capture(path, options)
    except HalfturnError as error:
        _check_sentence(str(error), path)
        return "refused"
    check_consistent(capture)
    facts = inspect_capture(capture)
    assert facts.samples == capture.samples
    if capture.format == capture_text.FORMAT:
        _check_ways_agree(path, options, capture)
    return "read"


def _check_sentence(text: str, path: Path) -> None:
    assert "\n" not in text
    assert path.stem in text


def _check_ways_agree(path: Path, options: ReadOptions, expected: Capture) -> None:
    """The reader for large files gives the same, bit by bit."""
    large, capture_text.LARGE_BYTES = capture_text.LARGE_BYTES, 0
    try:
        capture = open_capture(path, options)
    finally:
        capture_text.LARGE_BYTES = large
    # the texts differ: only reading row by row keeps the words of an odd cell
    said, wanted = (
        [(notice.code, notice.count, notice.first_sample) for notice in one.warnings]
        for one in (capture, expected)
    )
    assert said == wanted
    assert (capture.rate_hz, capture.segments) == (expected.rate_hz, expected.segments)
    for ours, theirs in zip(capture.channels, expected.channels, strict=True):
        np.testing.assert_array_equal(ours.stored, theirs.stored)


def check_command(path: Path, options: ReadOptions) -> None:
    """``halfturn info --json -``: status 0 with strict JSON, or 3 with one line on standard error."""
    # a session tells its rate itself, and one told beside it is wrong usage
    told = ["--rate", repr(options.rate_hz)] if options.rate_hz and not is_session_file(path) else []
    said, wrong = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(wrong):
        status = halfturn(["info", str(path), "--json", "-", *told])
    document = json.loads(said.getvalue(), parse_constant=_refuse_constant)
    assert status in (0, 3), status
    assert (len(document["captures"]), len(document["errors"])) == ((1, 0) if status == 0 else (0, 1))
    assert len(wrong.getvalue().splitlines()) == (0 if status == 0 else 1)


def _refuse_constant(name: str) -> float:
    raise AssertionError(f"{name} in the JSON")


def attempt(number: int, seed: int, files: list[Original], folder: Path, spare: bytes) -> str:
    """Try one damaged file; ``number`` and ``seed`` make it."""
    chance = random.Random(f"{seed} {number}")
    # text has the most to go wrong; of the others every kind as often
    kind = chance.choice([*sorted({original.kind for original in files}), *["text"] * 6])
    original = chance.choice([each for each in files if each.kind == kind])
    path = folder / f"mutant{original.suffix}"
    path.write_bytes(mutated(original.data, chance, spare))
    for ending, data in original.beside.items():
        beside = path.with_suffix(ending)
        beside.write_bytes(mutated(data, chance, spare) if chance.random() < 0.3 else data)
    options = original.options
    if chance.random() < 0.3:
        options = replace(options, rate_hz=chance.choice((None, 1e6)))
    before = {each.name: (each.read_bytes(), each.stat().st_mtime_ns) for each in folder.iterdir()}
    result = outcome(path, options)
    if number % 10 == 0:
        check_command(path, options)
    assert before == {each.name: (each.read_bytes(), each.stat().st_mtime_ns) for each in folder.iterdir()}
    for each in folder.iterdir():
        each.unlink()
    return f"{kind} {result}"


@contextlib.contextmanager
def limited() -> Iterator[None]:
    """Bounds memory and the time of each input; in a process of its own, as they are not lifted again."""
    capture_text.open_fast_reader(Watch())
    pages = int(Path("/proc/self/statm").read_text().split()[0]) if sys.platform == "linux" else 0
    if pages:
        limit = pages * resource.getpagesize() + ADDRESS_BYTES
        resource.setrlimit(resource.RLIMIT_AS, (limit, limit))

    def hang(_signal: int, _frame: object) -> None:
        raise HangError(f"longer than {SECONDS} s")

    signal.signal(signal.SIGALRM, hang)
    yield
    signal.alarm(0)


def run(seed: int, count: int, keep: Path | None = None) -> tuple[Counter[str], list[str]]:
    """How often what came of ``count`` files made from ``seed``, and what failed."""
    least = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    files = originals()
    spare = b"".join(original.data[:400] for original in files)
    counts: Counter[str] = Counter()
    failures: list[str] = []
    warnings.simplefilter("error")
    with tempfile.TemporaryDirectory() as name, limited():
        folder = Path(name)
        for number in range(count):
            signal.alarm(SECONDS)
            try:
                counts[attempt(number, seed, files, folder, spare)] += 1
            except BaseException as error:
                if isinstance(error, KeyboardInterrupt):
                    raise
                signal.alarm(0)
                told = "".join(traceback.format_exception(error, limit=-4))
                failures.append(f"seed {seed}, file {number}: {told}")
                for path in folder.iterdir():
                    if keep is not None:
                        keep.mkdir(parents=True, exist_ok=True)
                        (keep / f"{seed}-{number}{path.suffix}").write_bytes(path.read_bytes())
                    path.unlink()
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - least) << 10
    if grown > MEMORY_BYTES:
        failures.append(f"seed {seed}: memory grew by {grown >> 20} MB")
    return counts, failures


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--keep", type=Path)
    given = parser.parse_args()
    counts, failures = run(given.seed, given.count, given.keep)
    for failure in failures:
        sys.stderr.write(f"{failure}\n")
    told = {"tried": given.count, "failed": len(failures), "outcomes": dict(sorted(counts.items()))}
    sys.stdout.write(json.dumps(told) + "\n")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
