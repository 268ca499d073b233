"""Digests of what a cut copy still holds, so that it can be checked where the whole capture is not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from app.errors import UsageError
from app.jobs.digest import samples_sha256
from app.jobs.spans import select
from app.model.expressions import channel_source
from app.model.items import DecodeRun, SessionData
from app.model.sharing import SHARED_CUT

Progress = Callable[[float], None]
Cancelled = Callable[[], bool]


def with_own_digests(
    data: SessionData, progress: Progress | None = None, cancelled: Cancelled | None = None
) -> SessionData:
    """``data`` with the digest of the samples that are left in each decode that was cut when it was shared.

    Others keep the one they were saved with, which is of all the samples that were decoded.

    Raises
    ------
    dsp.errors.CancelledError : ``cancelled`` answered True.
    """
    runs = []
    for number, run in enumerate(data.decodes):
        runs.append(_digested(data, run, cancelled))
        if progress is not None:
            progress((number + 1) / len(data.decodes))
    return replace(data, decodes=tuple(runs))


def _digested(data: SessionData, run: DecodeRun, cancelled: Cancelled | None) -> DecodeRun:
    is_cut = any(notice.code == SHARED_CUT for notice in run.result.warnings)
    if run.samples_sha256 or not is_cut:
        return run
    capture = data.captures[run.capture]
    try:
        segments = select(capture, run.span_s).segments
        source = channel_source(capture, run.channel)
    except UsageError:
        return run
    return replace(run, samples_sha256=samples_sha256(source.stored, segments, cancelled))
