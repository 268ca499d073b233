"""Decoding from the window: the question, the work off the window's thread, the answer into the session."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal, Slot
from PySide6.QtWidgets import QWidget

from app.gui import ask
from app.gui.bridge import DocumentBridge
from app.gui.channel_view import ChannelView
from app.gui.messages import Message, message_of
from app.gui.work import JobRunner
from app.model import edits
from app.model.capture import Capture
from app.model.items import DecodeRun
from app.version import program_version

if TYPE_CHECKING:
    from app.jobs.decoding import DecodeOutcome
    from dsp.results import DecodeSettings

DECODING = "decode"


class DecodeFlow(QObject):
    """``told(Message)`` is what the user must know. ``settings`` are those of the next decode."""

    told = Signal(object)

    def __init__(self, bridge: DocumentBridge, view: ChannelView, runner: JobRunner, window: QWidget) -> None:
        from dsp.results import DecodeSettings

        super().__init__(window)
        self._bridge = bridge
        self._view = view
        self._runner = runner
        self._window = window
        self.settings = DecodeSettings()

    @property
    def has_decode(self) -> bool:
        """Whether the channel being looked at has been decoded."""
        return bool(self._view.runs)

    @Slot()
    def decode_all(self) -> None:
        self._decode(None)

    def decode_span(self) -> None:
        if self._view.span_s is not None:
            self._decode(self._view.span_s)

    def decode_stretch(self, span_s: tuple[float, float], settings: DecodeSettings) -> None:
        """Decode a stretch with settings of its own, held within the capture."""
        capture = self._view.capture
        if capture is not None:
            ends = [part.start_s + (part.last - part.first) / capture.rate_hz for part in capture.segments]
            first_s = min(part.start_s for part in capture.segments)
            self._decode((max(span_s[0], first_s), min(span_s[1], max(ends))), settings)

    def ask_settings(self) -> None:
        settings = ask.decode_settings(self._window, self.settings)
        if settings is not None:
            self.settings = settings

    def clear(self) -> None:
        if self._view.index is not None and self._view.channel is not None:
            self._bridge.run(edits.ClearDecodes(self._view.index, self._view.channel))

    def _decode(self, span_s: tuple[float, float] | None, settings: DecodeSettings | None = None) -> None:
        from app.jobs.decoding import DecodeRequest, run_decode
        from app.model.corrections import CorrectedBurst, corrected

        capture = self._view.capture
        if capture is None:
            return
        seen: list[CorrectedBurst] = []
        request = DecodeRequest(
            capture, self._view.channel, span_s, settings or self.settings, hash_wanted=True
        )

        def work(progress: Callable[[float], None], cancelled: Callable[[], bool]) -> DecodeOutcome:
            outcome = run_decode(request, progress, cancelled)
            # of tens of thousands of bursts this takes the better part of a second: not in the window's thread
            seen.extend(corrected(burst, ()) for burst in outcome.result.bursts)
            return outcome

        def take(outcome: DecodeOutcome) -> None:
            self._view.expect(seen)
            self._decoded(capture, outcome)

        self._runner.start(
            f"Decoding {self._view.channel}",
            work,
            take,
            lambda error: self.told.emit(message_of(error, f"decoding {capture.name}")),
            topic=DECODING,
        )

    def _decoded(self, capture: Capture, outcome: DecodeOutcome) -> None:
        index = edits.position_of(self._bridge.document.data, capture)
        if index is None:
            return  # closed meanwhile
        run = DecodeRun(
            key=0,
            capture=index,
            channel=outcome.channel,
            span_s=outcome.span_s,
            program_version=program_version(),
            samples_sha256=outcome.samples_sha256 or "",
            result=outcome.result,
        )
        self._bridge.run(edits.AddDecode(run))
        # those of the capture itself were told when it was opened
        new = [notice.text for notice in outcome.result.warnings if notice not in capture.warnings]
        if new:
            self.told.emit(Message("\n".join(new), weight="caution"))
