"""Keeps the picture up to date, made in a thread of its own while it is on show, and acts on clicks in it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Qt, QTimer, Signal, Slot
from PySide6.QtGui import QKeySequence, QShortcut

from app.errors import HalfturnError
from app.gui.bridge import DocumentBridge
from app.gui.channel_view import ChannelView
from app.gui.messages import message_of
from app.gui.panels.work_bar import WorkBar
from app.gui.pictures.panel import PicturesPanel
from app.gui.trace.area import TraceArea
from app.gui.work import JobRunner
from app.model import edits
from app.model.changes import Change
from dsp.errors import DspError

if TYPE_CHECKING:
    from app.gui.pictures.api import Picture, PictureRequest, Place
    from app.model.corrections import CorrectedBurst

_AFTER_MS = 120
_TOPIC = "picture"
_EMPTY = "Open a capture first."
_STOPPED = "Stopped. Choose a picture again, or show another stretch, to have it made."


class PicturesLink(QObject):
    """``told(Message)`` is what the user must know; ``burst_wanted(number)`` when a click selects a burst."""

    told = Signal(object)
    burst_wanted = Signal(int)

    def __init__(
        self,
        panel: PicturesPanel,
        bridge: DocumentBridge,
        view: ChannelView,
        area: TraceArea,
        runner: JobRunner,
    ) -> None:
        super().__init__(panel)
        self._panel = panel
        self._bridge = bridge
        self._view = view
        self._area = area
        self._runner = runner
        self._closed = False
        self._soon = QTimer(self)
        self._soon.setSingleShot(True)
        self._soon.setInterval(_AFTER_MS)
        self._soon.timeout.connect(self._ask)
        self._bar = WorkBar(
            runner, panel, name="picture", of="the picture that is being made", keys="Escape", small=True
        )
        panel.add_bar(self._bar)
        self._bar.cancel_wanted.connect(self.cancel)
        self._escape = QShortcut(QKeySequence(Qt.Key.Key_Escape), panel)
        self._escape.setContext(Qt.ShortcutContext.WidgetWithChildrenShortcut)
        self._escape.activated.connect(self.cancel)
        self._escape.setEnabled(False)
        runner.changed.connect(self._arm)
        panel.wanted.connect(self._later)
        panel.place_clicked.connect(self._go_to)
        view.changed.connect(self._later)
        view.burst_changed.connect(self._later)
        view.span_changed.connect(self._later)
        bridge.changed.connect(self._follow)
        area.range_changed.connect(self._later)

    def close(self) -> None:
        """Make nothing more."""
        self._closed = True
        self._soon.stop()

    @Slot()
    def cancel(self) -> None:
        """Stop making the picture under way; nothing if there is none."""
        if self._runner.is_busy(_TOPIC):
            self._runner.cancel()
            self._panel.show_words(_STOPPED)

    @Slot()
    def _arm(self) -> None:
        """Escape stops a picture under way; else it is the panel's."""
        self._escape.setEnabled(self._runner.is_busy(_TOPIC))

    @Slot()
    def _later(self) -> None:
        if not self._closed and self._panel.isVisible() and not self._soon.isActive():
            self._soon.start()

    @Slot()
    def _ask(self) -> None:
        if self._closed or not self._panel.isVisible():
            return
        request = self.request()
        if isinstance(request, str):
            self._panel.show_words(request)
            return
        make = self._panel.kind.make
        self._runner.start(
            self._panel.kind.title,
            lambda _progress, cancelled: make(replace(request, cancelled=cancelled)),
            self._made,
            self._failed,
            topic=_TOPIC,
        )

    def request(self) -> PictureRequest | str:
        """What to make, or why nothing can be made."""
        from app.gui.pictures.api import PictureRequest

        view = self._view
        if view.capture is None or view.channel is None:
            return _EMPTY
        bursts: tuple[tuple[int, CorrectedBurst], ...]
        if self._panel.scope == "burst":
            if view.burst is None or view.chosen is None:
                return "Select a burst in the table of bursts first."
            bursts = ((view.chosen, view.burst),)
            span_s = (view.burst.basis.start_s, view.burst.basis.end_s)
        else:
            found = self._area.visible_range() if self._panel.scope == "view" else self._marked()
            if found is None:
                return "Select a span (Shift and drag), or place two cursors first."
            span_s = found
            bursts = _within(view.bursts, span_s, self._left_out())
        return PictureRequest(
            view.capture, view.channel, span_s, bursts, self._panel.scope == "burst", self._panel.chosen
        )

    def _left_out(self) -> list[float]:
        """An instant in each burst that the user left out."""
        marks = self._bridge.document.data.burst_marks
        mine = (self._view.index, self._view.channel)
        return [one.time_s for one in marks if one.excluded and (one.capture, one.channel) == mine]

    def _marked(self) -> tuple[float, float] | None:
        """The selected span; without one, what lies between the first and the last cursor."""
        if self._view.span_s is not None:
            return self._view.span_s
        cursors = self._bridge.document.data.cursors
        times = sorted(one.time_s for one in cursors if one.capture == self._view.index)
        return (times[0], times[-1]) if times and times[0] < times[-1] else None

    @Slot(object)
    def _follow(self, change: Change) -> None:
        if change & Change.BURSTS or (change & Change.CURSORS and self._panel.scope == "span"):
            self._later()

    @Slot(object)
    def _made(self, picture: Picture) -> None:
        self._panel.show_picture(picture)

    @Slot(object)
    def _failed(self, error: BaseException) -> None:
        if isinstance(error, HalfturnError | DspError):
            self._panel.show_words(str(error))
        else:
            self._panel.show_words("This picture could not be made.")
            self.told.emit(message_of(error, f"drawing the picture {self._panel.kind.title}"))

    @Slot(object)
    def _go_to(self, place: Place) -> None:
        """Select the burst, or bring the last cursor that was placed to the instant."""
        if place.burst is not None:
            self.burst_wanted.emit(place.burst)
        if place.time_s is None or self._view.index is None:
            return
        cursors = [one for one in self._bridge.document.data.cursors if one.capture == self._view.index]
        if cursors:
            self._bridge.run(edits.MoveCursor(cursors[0].key, place.time_s))
        else:
            self._bridge.run(edits.AddCursor(self._view.index, place.time_s))


def _within(
    bursts: tuple[CorrectedBurst, ...], span_s: tuple[float, float], left_out_s: list[float]
) -> tuple[tuple[int, CorrectedBurst], ...]:
    """Bursts that reach into a span, each with its number; of very many, evenly spread ones."""
    from app.gui.pictures.api import MOST_BURSTS

    found = [
        (n, one)
        for n, one in enumerate(bursts)
        if one.basis.start_s < span_s[1] and one.basis.end_s > span_s[0]
    ]
    if left_out_s:
        found = [
            (n, one)
            for n, one in found
            if not any(one.burst.start_s <= time_s < one.burst.end_s for time_s in left_out_s)
        ]
    step = -(-len(found) // MOST_BURSTS) or 1
    return tuple(found[::step])
