"""Decoding again what a session holds, by as many processes as are worth it."""

from __future__ import annotations

from collections.abc import Callable, Generator
from concurrent.futures.process import BrokenProcessPool
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from app.cli.failures import Failure, guarded
from app.files.inputs import file_of, session_of
from app.files.replace import FileState, state_of
from app.jobs.pool import Cancelled, Workers, usable_processors
from app.jobs.verifying import RunVerdict, verify_run
from app.model.items import SessionData

Progress = Callable[[float], None]

# fewer samples than these are decoded before other processes have started
_WORTH_A_POOL_SAMPLES = 4_000_000
# a decode takes a tenth of a second however short it is
_LEAST_SAMPLES = 300_000


@dataclass(frozen=True)
class VerifyTask:
    """One decode of a session that is still in ``state``."""

    session: Path
    state: FileState | None
    number: int


def verdicts(session: Path, data: SessionData, progress: Progress) -> Generator[RunVerdict, None, None]:
    """What comes of each decode of ``data``, which was read from ``session``, in order and as soon as it is known."""
    count = len(data.decodes)
    workers = min(usable_processors(), count)
    done = 0
    if workers > 1 and _samples(data) >= _WORTH_A_POOL_SAMPLES:
        state = state_of(file_of(session))
        tasks = [VerifyTask(session, state, number) for number in range(count)]
        with Workers(workers) as pool, closing(pool.map(verify_one, tasks)) as running:
            try:
                for answer in running:
                    # what failed there fails here in the same way, and is told
                    verdict = verify_run(data, data.decodes[done]) if answer is None else answer
                    done += 1
                    progress(done / count)
                    yield verdict
            except BrokenProcessPool:
                pass  # this process does the rest
    for number in range(done, count):
        yield verify_run(data, data.decodes[number], _share(progress, number, count))


def verify_one(task: VerifyTask, cancelled: Cancelled) -> RunVerdict | None:
    """Decode again in a worker; None where the session cannot be read, or is another by now."""

    def verify() -> RunVerdict | None:
        data = session_of(task.session)
        if state_of(file_of(task.session)) != task.state or task.number >= len(data.decodes):
            return None
        return verify_run(data, data.decodes[task.number], cancelled=cancelled)

    answer = guarded(task.session, verify)
    return None if isinstance(answer, Failure) else answer


def _samples(data: SessionData) -> int:
    spans = ((data.captures[run.capture].rate_hz, run.span_s) for run in data.decodes)
    return sum(max(_LEAST_SAMPLES, int((span[1] - span[0]) * rate_hz)) for rate_hz, span in spans)


def _share(progress: Progress, number: int, count: int) -> Progress:
    return lambda part: progress((number + part) / count)
