"""Handing work on from the window: report, exports, a copy to share, another person's session."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, Signal

from app.gui import ask_handover
from app.gui.bridge import DocumentBridge
from app.gui.channel_view import ChannelView
from app.gui.check_flow import CheckFlow
from app.gui.files_flow import FilesFlow
from app.gui.messages import Message, message_of
from app.gui.panels.text_window import TextWindow
from app.gui.trace.area import TraceArea
from app.gui.window_layout import WindowLayout
from app.gui.work import JobRunner
from app.model.items import SessionData
from app.model.quantity import format_value
from app.version import program_version

if TYPE_CHECKING:
    from app.model.opinion import Disagreement

Progress = Callable[[float], None]
Cancelled = Callable[[], bool]

_MOST_SHOWN = 500


class HandoverFlow(QObject):
    """``told(Message)`` is what the user must know."""

    told = Signal(object)

    def __init__(
        self,
        bridge: DocumentBridge,
        view: ChannelView,
        files: FilesFlow,
        runner: JobRunner,
        area: TraceArea,
        arrangement: WindowLayout,
    ) -> None:
        window = arrangement.window
        super().__init__(window)
        self.checking = CheckFlow(bridge, area, arrangement, runner, window)
        self.checking.told.connect(self.told)
        self._bridge = bridge
        self._document = bridge.document
        self._view = view
        self._files = files
        self._runner = runner
        self._window = window

    def write_report(self) -> None:
        path = ask_handover.where_to_report(self._window, self._suggested(".html"))
        if path is None:
            return
        data, title = self._document.data, self._files.name

        def write(progress: Progress, cancelled: Cancelled) -> Path:
            from app.files.capture_options import Watch
            from app.files.export_common import write_whole
            from app.files.session import with_file_digests
            from app.report.page import report_html

            text = report_html(
                with_file_digests(data, Watch(progress, cancelled)),
                title,
                program_version=program_version(),
                progress=progress,
                cancelled=cancelled,
            )
            write_whole(path, lambda file: file.write(text.encode("utf-8")))
            return path

        self._start(f"Writing {path.name}", write, "writing the report")

    def export_data(self) -> None:
        asked = ask_handover.what_to_export(self._window, self._suggested(""))
        if asked is None:
            return
        from app.report.exports import ExportRequest, export

        what, path = asked
        samples = what == "samples"
        derived = samples and self._view.channel not in self._channel_names()
        request = ExportRequest(
            what,
            path,
            self._view.index if samples else None,
            self._view.channel if derived else None,
            self._view.span_s if samples else None,
        )
        data = self._document.data
        self._start(
            f"Exporting {path.name}",
            lambda progress, cancelled: export(data, request, program_version(), progress, cancelled)[0],
            f"exporting {path.name}",
        )

    def share_copy(self) -> None:
        if self._view.index is None:
            return
        data = self._document.data
        copy = ask_handover.what_to_share(self._window, data, self._view.index, self._view.span_s)
        if copy is None:
            return
        path = ask_handover.where_to_share(self._window, self._suggested(" copy.h5"))
        if path is None:
            return
        if self._document.path is not None and path.resolve() == self._document.path.resolve():
            self.told.emit(
                Message(
                    "A copy cannot take the place of the session itself; give it another name.",
                    weight="error",
                )
            )
            return

        def write(progress: Progress, cancelled: Cancelled) -> Path:
            from app.files.session import write_session
            from app.jobs.shared_digests import with_own_digests

            with_digests = with_own_digests(copy, lambda part: progress(part / 2), cancelled)
            write_session(
                path, with_digests, progress=lambda part: progress((1 + part) / 2), cancelled=cancelled
            )
            return path

        self._start(f"Writing {path.name}", write, "writing the copy")

    def take_second_opinion(self) -> None:
        path = ask_handover.opinion_to_open(self._window, self._files.folder())
        if path is None:
            return

        mine = self._document.data
        names = [capture.name for capture in mine.captures]

        def read(progress: Progress, cancelled: Cancelled) -> tuple[SessionData, tuple[Disagreement, ...]]:
            from app.files.capture_options import Watch
            from app.files.probe import check_in_child
            from app.files.session import read_session
            from app.model.opinion import disagreements

            check_in_child(path, cancelled)
            theirs = read_session(path, watch=Watch(progress, cancelled))
            return theirs, disagreements(mine, theirs)

        self._runner.start(
            f"Opening {path.name}",
            read,
            lambda answer: self._opinion(path, names, *answer),
            lambda error: self.told.emit(message_of(error, f"opening {path.name}")),
        )

    def _opinion(
        self, path: Path, names: list[str], theirs: SessionData, found: tuple[Disagreement, ...]
    ) -> None:
        from app.model.opinion import TakeOpinion

        if self._bridge.run(TakeOpinion(theirs)):
            html = differences_html(path.name, found, names)
            TextWindow(f"Second opinion: {path.name}", html, self._window).show()

    def _start(self, title: str, call: Callable[[Progress, Cancelled], Path], doing: str) -> None:
        def written(path: Path) -> None:
            try:
                size = f" ({path.stat().st_size / 1e6:.3g} MB)"
            except OSError:
                size = ""
            self.told.emit(Message(f"Written: {path}{size}."))

        self._runner.start(title, call, written, lambda error: self.told.emit(message_of(error, doing)))

    def _suggested(self, ending: str) -> Path:
        return self._files.folder() / f"{Path(self._files.name).stem}{ending}"

    def _channel_names(self) -> tuple[str, ...]:
        capture = self._view.capture
        return () if capture is None else tuple(channel.name for channel in capture.channels)


def differences_html(name: str, found: tuple[Disagreement, ...], captures: list[str]) -> str:
    """Mine and theirs, a row each; everything from the files as text."""
    from html import escape

    if not found:
        return f"<p>{escape(name)} says the same as this session: no difference in bits, flips, spans and labels.</p>"
    rows = [
        f"<tr><td>{escape(captures[one.capture])}</td>"
        f"<td>{'' if one.time_s is None else escape(format_value(one.time_s, 's', 9))}</td>"
        f"<td>{escape(one.what)}</td><td>{escape(one.mine) or '–'}</td><td>{escape(one.theirs) or '–'}</td></tr>"
        for one in found[:_MOST_SHOWN]
    ]
    more = f"<p>The first {_MOST_SHOWN} of {len(found)}.</p>" if len(found) > _MOST_SHOWN else ""
    head = "<tr><th>capture</th><th>time</th><th>what</th><th>mine</th><th>theirs</th></tr>"
    return (
        f"<p>{len(found)} differences from {escape(name)}. Their marks now stand beside yours, named “(theirs)”; "
        f"undo takes them out.</p><table cellpadding='4' border='1'>{head}{''.join(rows)}</table>{more}"
    )
