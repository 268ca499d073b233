"""``halfturn demo``: the built-in capture decoded and summed up."""

from __future__ import annotations

import argparse

from app.cli.batch import FileTask
from app.cli.decode import run_tasks
from app.demo import demo_path


def run(given: argparse.Namespace) -> int:
    """Decode the demo capture and print what was found; the window is opened by the caller."""
    wanted = given.hash or given.session is not None
    task = FileTask(demo_path(), hash_wanted=wanted, keep_capture=given.session is not None)
    return run_tasks([task], given)
