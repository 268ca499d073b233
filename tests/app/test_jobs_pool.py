"""Work in other processes."""

from __future__ import annotations

import os
import time
from concurrent.futures.process import BrokenProcessPool

import pytest
from generators import work

from app.jobs.pool import run_in_processes, usable_processors


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


def test_an_error_of_the_function_comes_out():
    with pytest.raises(ValueError, match="task 7"):
        list(run_in_processes(work.fail, [7], 1))


def test_a_worker_that_dies_is_noticed():
    with pytest.raises(BrokenProcessPool):
        list(run_in_processes(work.die, [1], 1))


def test_there_is_a_processor_to_use():
    assert 1 <= usable_processors() <= (os.cpu_count() or 1)
