"""Commands on decode results."""

from __future__ import annotations

from dataclasses import dataclass, replace

from app.model.commands import CommandError, check_capture, with_key
from app.model.items import DecodeRun, SessionData


@dataclass(frozen=True, eq=False)
class AddDecode:
    """Take in the result of a decode.

    Older results of the same channel that lie wholly within the new span go; of those that reach beyond
    it, the bursts under the new span are no longer shown (see `app.model.shown`).
    """

    run: DecodeRun
    item = None

    def describe(self, _data: SessionData) -> str:
        return f"decode {self.run.channel}"

    def apply(self, data: SessionData) -> SessionData:
        check_capture(data, self.run.capture)
        key, data = with_key(data)
        start_s, end_s = self.run.span_s
        kept = tuple(
            old
            for old in data.decodes
            if (old.capture, old.channel) != (self.run.capture, self.run.channel)
            or old.span_s[0] < start_s
            or old.span_s[1] > end_s
        )
        return replace(data, decodes=(*kept, replace(self.run, key=key)))


@dataclass(frozen=True)
class ClearDecodes:
    """Drop every decode result of one channel."""

    capture: int
    channel: str
    item = None

    def describe(self, _data: SessionData) -> str:
        return f"clear the decode of {self.channel}"

    def apply(self, data: SessionData) -> SessionData:
        kept = tuple(
            run for run in data.decodes if (run.capture, run.channel) != (self.capture, self.channel)
        )
        if len(kept) == len(data.decodes):
            raise CommandError("There is no decode of this channel to clear.")
        return replace(data, decodes=kept)
