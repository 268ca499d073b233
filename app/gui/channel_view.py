"""The channel being looked at, as views show it: worked out once for all of them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal, Slot

from app.errors import HalfturnError
from app.gui.bridge import DocumentBridge
from app.model import edits
from app.model.capture import Capture
from app.model.changes import Change
from app.model.expressions import channel_source
from app.model.items import DecodeRun, FlipMark
from app.model.naming import left_out_text, names_of
from app.model.shown import BurstBook, runs_of
from app.model.tolerance import Tolerance, tolerance_of

if TYPE_CHECKING:
    from app.model.corrections import CorrectedBurst
    from dsp.results import Decode

_CONCERNS = Change.CAPTURES | Change.CURRENT | Change.DECODES | Change.FLIPS | Change.BURSTS


class ChannelView(QObject):
    """``changed`` when another capture or channel is looked at, or its bursts are others.

    ``span_changed`` when another stretch of time is selected; a span belongs to the view, not to the session.
    ``burst_changed`` when another burst is selected.
    """

    changed = Signal()
    span_changed = Signal()
    burst_changed = Signal()

    def __init__(self, bridge: DocumentBridge, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._bridge = bridge
        self._document = bridge.document
        self._book = BurstBook()
        self._shown: Capture | None = None
        self._summed_up: tuple[tuple[Decode, str, Tolerance, frozenset[int]], str] | None = None
        self.bursts: tuple[CorrectedBurst, ...] = ()
        self.span_s: tuple[float, float] | None = None
        self._drawn_hidden: frozenset[str] = frozenset()
        self.chosen: int | None = None
        """Number of the selected burst among `bursts`."""
        bridge.changed.connect(self._follow)

    @property
    def index(self) -> int | None:
        return self._document.capture_index

    @property
    def capture(self) -> Capture | None:
        return self._document.capture

    @property
    def channel(self) -> str | None:
        return self._document.channel

    @property
    def unit(self) -> str:
        """Unit of the channel; empty if there is none."""
        if self.capture is None:
            return ""
        try:
            return channel_source(self.capture, self.channel).unit
        except HalfturnError:
            return ""

    @property
    def tolerance(self) -> Tolerance:
        return Tolerance() if self.capture is None else tolerance_of(self.capture)

    @property
    def runs(self) -> tuple[DecodeRun, ...]:
        """Decodes of this channel, oldest first."""
        if self.index is None or self.channel is None:
            return ()
        return runs_of(self._document.data, self.index, self.channel)

    def expect(self, bursts: Iterable[CorrectedBurst]) -> None:
        """Bursts that no hand has touched, worked out beforehand, which the next change brings."""
        self._book.learn(bursts)

    @property
    def flips(self) -> tuple[FlipMark, ...]:
        """Flips set and removed by hand in this capture."""
        return tuple(flip for flip in self._document.data.flips if flip.capture == self.index)

    @property
    def sentence(self) -> str:
        """What the newest decode found, empty if there is none."""
        if not self.runs:
            return ""
        spans_s = [(burst.start_s, burst.end_s) for burst in self.runs[-1].result.bursts]
        said = names_of(self._document.data, self.index or 0, self.channel or "", spans_s)
        left_out = frozenset(n for n, one in enumerate(said) if one.excluded)
        newest = (self.runs[-1].result, self.unit, self.tolerance, left_out)
        if self._summed_up is None or self._summed_up[0][0] is not newest[0] or self._summed_up[0] != newest:
            self._summed_up = (newest, _sentence(*newest))
        return self._summed_up[1]

    @property
    def carrier_hz(self) -> float | None:
        """Carrier of the first burst that has one."""
        return next((one.burst.carrier_hz for one in self.bursts if one.burst.carrier_hz), None)

    @property
    def hidden(self) -> frozenset[str]:
        """Channels that are not drawn."""
        looks = edits.looks_of(self._document.data, self.index)
        return frozenset(name for name, look in looks.items() if look.hidden)

    @property
    def value_ends(self) -> dict[str, tuple[float, float]]:
        """The ends of channels' value axes, where the user set them."""
        looks = edits.looks_of(self._document.data, self.index)
        return {name: look.values for name, look in looks.items() if look.values is not None}

    @property
    def levels(self) -> dict[str, float]:
        """Where the level lines of channels stand."""
        looks = edits.looks_of(self._document.data, self.index)
        return {name: look.level for name, look in looks.items() if look.level is not None}

    @Slot(str, bool)
    def show_channel(self, name: str, shown: bool) -> None:
        """Draw a channel or not."""
        if self.index is not None:
            self._bridge.run(edits.ShowChannel(self.index, name, shown))

    def select_span(self, span_s: tuple[float, float] | None) -> None:
        if span_s != self.span_s:
            self.span_s = span_s
            self.span_changed.emit()

    @property
    def burst(self) -> CorrectedBurst | None:
        """The selected burst."""
        return None if self.chosen is None else self.bursts[self.chosen]

    def choose(self, number: int | None) -> None:
        """Select a burst by its number."""
        if number is not None and not 0 <= number < len(self.bursts):
            number = None
        if number != self.chosen:
            self.chosen = number
            self.burst_changed.emit()

    @Slot(object)
    def _follow(self, change: Change) -> None:
        rescaled = not change & _CONCERNS
        if rescaled and (not change & Change.LOOKS or self.hidden == self._drawn_hidden):
            return
        self._drawn_hidden = self.hidden
        if self.index is None or self.channel is None:
            self.bursts = ()
        else:
            self.bursts = self._book.bursts_of(self._document.data, self.index, self.channel)
        if self.chosen is not None and self.chosen >= len(self.bursts):
            self.choose(None)
        before = self._shown
        self._shown = self.capture
        self.changed.emit()
        if before is None or self._shown is None or not _same_samples(before, self._shown):
            self.select_span(None)


def _sentence(decode: Decode, unit: str, tolerance: Tolerance, left_out: frozenset[int]) -> str:
    from app.model.summary import sentence, summarise

    counted = tuple(burst for n, burst in enumerate(decode.bursts) if n not in left_out)
    words = sentence(summarise(replace(decode, bursts=counted), unit, tolerance), len(left_out))
    return f"{words} {left_out_text(len(left_out))}".rstrip()


def _same_samples(one: Capture, other: Capture) -> bool:
    """Whether it is the same capture, whatever was said of its channels meanwhile."""
    return [c.stored is d.stored for c, d in zip(one.channels, other.channels, strict=False)] == [True] * max(
        len(one.channels), len(other.channels)
    )
