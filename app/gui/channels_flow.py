"""Channels as the window handles them: shown or hidden, derived, paired, described."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal, Slot
from PySide6.QtWidgets import QWidget

from app.errors import HalfturnError
from app.gui import ask
from app.gui.bridge import DocumentBridge
from app.gui.channel_view import ChannelView
from app.gui.messages import Message, message_of
from app.gui.panels.channels import ChannelRow, ChannelsPanel
from app.gui.work import JobRunner
from app.model import edits
from app.model.capture import Capture
from app.model.expressions import channel_source

if TYPE_CHECKING:
    from app.jobs.pairing import PairOutcome

PAIRING = "pair"


class ChannelsFlow(QObject):
    """``told(Message)`` is what the user must know."""

    told = Signal(object)

    def __init__(
        self,
        panel: ChannelsPanel,
        bridge: DocumentBridge,
        view: ChannelView,
        runner: JobRunner,
        window: QWidget,
    ) -> None:
        super().__init__(window)
        self._panel = panel
        self._bridge = bridge
        self._view = view
        self._runner = runner
        self._window = window
        view.changed.connect(self._show)
        panel.shown_wanted.connect(view.show_channel)
        panel.decode_wanted.connect(self._look_at)
        panel.add_wanted.connect(self.ask_derived)
        panel.pair_wanted.connect(self.ask_pair)
        panel.describe_wanted.connect(self.describe)
        panel.remove_wanted.connect(self.remove)
        self._show()

    @Slot()
    def ask_derived(self) -> None:
        """Look at arithmetic on channels, beside them."""
        capture, index = self._view.capture, self._view.index
        if capture is None or index is None:
            return
        known = self._view.channel or ""
        if known in {channel.name for channel in capture.channels}:
            known = ""
        text = ask.derived_channel(self._window, capture, known)
        if text is not None:
            self._add(capture, (text,))

    @Slot()
    def ask_pair(self) -> None:
        """Match two channels, and show their difference and mean; of two there is nothing to ask."""
        capture = self._view.capture
        if capture is None or len(capture.channels) < 2:
            self.told.emit(Message("A pair needs a capture with two channels; this one has fewer."))
            return
        names = tuple(channel.name for channel in capture.channels)
        pair = (names[0], names[1]) if len(names) == 2 else ask.pair_of_channels(self._window, names)
        if pair is None:
            return
        from app.jobs.pairing import fit_channels

        span_s = self._view.span_s
        self._runner.start(
            f"Matching {pair[1]} to {pair[0]}",
            lambda progress, _cancelled: fit_channels(capture, *pair, span_s, progress),
            lambda outcome: self._paired(capture, outcome),
            lambda error: self.told.emit(message_of(error, f"matching {pair[1]} to {pair[0]}")),
            topic=PAIRING,
        )

    @Slot(str)
    def describe(self, name: str) -> None:
        capture, index = self._view.capture, self._view.index
        channel = next((c for c in capture.channels if c.name == name), None) if capture else None
        if channel is None or index is None:
            return
        meaning = ask.channel_meaning(self._window, channel)
        if meaning is not None:
            self._bridge.run(edits.DescribeChannel(index, name, meaning.factor, meaning.add, meaning.unit))

    @Slot()
    def describe_current(self) -> None:
        if self._view.channel is not None:
            self.describe(self._view.channel)

    @Slot(str)
    def remove(self, text: str) -> None:
        capture, index = self._view.capture, self._view.index
        if capture is None or index is None:
            return
        if self._view.channel == text:
            self._bridge.document.look_at(index, capture.channels[0].name)
        self._bridge.run(edits.RemoveDerived(index, text))

    def _paired(self, capture: Capture, outcome: PairOutcome) -> None:
        if self._add(capture, (outcome.difference, outcome.common)):
            self.told.emit(Message(outcome.sentence))

    def _add(self, capture: Capture, texts: tuple[str, ...]) -> bool:
        """Beside the channels; the first of them is looked at."""
        index = edits.position_of(self._bridge.document.data, capture)
        if index is None:
            return False  # closed meanwhile
        try:
            name = channel_source(capture, texts[0]).name
        except HalfturnError as error:
            self.told.emit(Message(str(error), weight="error"))
            return False
        if not self._bridge.run(edits.AddDerived(index, texts)):
            return False
        self._bridge.document.look_at(index, name)
        return True

    @Slot(str)
    def _look_at(self, name: str) -> None:
        self._bridge.document.look_at(self._view.index, name)

    @Slot()
    def _show(self) -> None:
        capture = self._view.capture
        if capture is None:
            self._panel.show_channels(())
            return
        own = [channel.name for channel in capture.channels]
        rows = []
        for name in (*own, *capture.derived):
            try:
                unit = channel_source(capture, name).unit
            except HalfturnError:
                unit = ""
            rows.append(
                ChannelRow(
                    name, unit, name not in own, name not in self._view.hidden, name == self._view.channel
                )
            )
        self._panel.show_channels(tuple(rows))
