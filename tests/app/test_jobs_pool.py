"""Work in other processes."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path

import pytest
from generators import work

from app.jobs.pool import run_in_processes, usable_processors

ROOT = Path(__file__).resolve().parents[2]


def test_results_come_in_the_order_of_the_tasks_from_other_processes():
    results = list(run_in_processes(work.later_tasks_first, [0, 1, 2], 2))
    assert [number for number, _ in results] == [0, 1, 2]
    assert os.getpid() not in {process for _, process in results}


def test_leaving_early_stops_what_is_running_and_waits_for_it(tmp_path):
    running = run_in_processes(work.until_told_to_stop, [tmp_path / "first", tmp_path], 2)
    next(running)
    while not (tmp_path / "begun").exists():
        time.sleep(0.01)
    running.close()
    assert (tmp_path / "stopped").read_text() == "True"


def test_workers_end_with_a_parent_that_was_killed(tmp_path):
    code = (
        "from pathlib import Path; from generators import work; from app.jobs.pool import run_in_processes\n"
        f"list(run_in_processes(work.until_told_to_stop, [Path({str(tmp_path)!r})], 1))"
    )
    path = os.pathsep.join([str(ROOT), str(ROOT / "tests")])
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, env={**os.environ, "PYTHONPATH": path}
    ) as running:
        while not (tmp_path / "begun").exists():
            assert running.poll() is None
            time.sleep(0.01)
        killed = time.monotonic()
        running.kill()
        # the worker holds the same pipe: it ends when both are gone
        assert running.stdout.read() == b""
    assert time.monotonic() - killed < work.LONGEST_WAIT_S / 2
    assert not (tmp_path / "stopped").exists()


def test_an_error_of_the_function_comes_out():
    with pytest.raises(ValueError, match="task 7"):
        list(run_in_processes(work.fail, [7], 1))


def test_a_worker_that_dies_is_noticed():
    with pytest.raises(BrokenProcessPool):
        list(run_in_processes(work.die, [1], 1))


def test_there_is_a_processor_to_use():
    assert 1 <= usable_processors() <= (os.cpu_count() or 1)
