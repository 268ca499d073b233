"""The main window: puts panels, menus and flows together; what they do is in their own modules."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import QSettings, Qt, Slot
from PySide6.QtGui import QCloseEvent, QDragEnterEvent, QDropEvent
from PySide6.QtWidgets import QMainWindow, QStackedWidget, QVBoxLayout, QWidget

from app.files.capture_options import ReadOptions
from app.gui import help_texts
from app.gui.actions import Situation
from app.gui.bridge import DocumentBridge
from app.gui.bursts_flow import BurstsFlow
from app.gui.channel_view import ChannelView
from app.gui.channels_flow import ChannelsFlow
from app.gui.decode_flow import DecodeFlow
from app.gui.figure_flow import FigureFlow
from app.gui.files_flow import FilesFlow
from app.gui.handover_flow import HandoverFlow
from app.gui.keeping import Keeper
from app.gui.marking_aids import MarkingAids
from app.gui.marks_flow import MarksFlow
from app.gui.menus import Menus
from app.gui.messages import Message
from app.gui.panels.action_field import ActionField
from app.gui.panels.bursts import BurstsPanel, Sent
from app.gui.panels.channels import ChannelsPanel
from app.gui.panels.chooser import Chooser
from app.gui.panels.comparison import ComparisonPanel
from app.gui.panels.message_strip import MessageStrip
from app.gui.panels.notes import NotesPanel
from app.gui.panels.readings import ReadingsPanel
from app.gui.panels.status_line import fill_status_bar
from app.gui.panels.warnings import WarningsPanel
from app.gui.panels.welcome import Welcome
from app.gui.panels.work_bar import WorkBar
from app.gui.pictures.link import PicturesLink
from app.gui.pictures.panel import PicturesPanel
from app.gui.readings_flow import ReadingsFlow
from app.gui.readings_link import ReadingsLink
from app.gui.recent import RecentFiles
from app.gui.tips import give_tips
from app.gui.trace.area import TraceArea, kept_envelopes
from app.gui.trace_link import TraceLink
from app.gui.view_choices import ViewChoices
from app.gui.warnings_flow import WarningsFlow
from app.gui.watch_flow import WatchFlow
from app.gui.window_handlers import Parts, handlers_of, show_cautions
from app.gui.window_layout import BELOW, RIGHT, WindowLayout
from app.gui.window_menus import ChangingMenus
from app.gui.work import JobRunner
from app.model.changes import Change
from app.model.document import Document
from app.model.quantity import format_stretch

_SEEN_CAUTIONS = "cautionsSeen"


class MainWindow(QMainWindow):
    """One session in one window.

    Parameters
    ----------
    settings : where layout, choices and recent files are kept.
    """

    def __init__(self, settings: QSettings) -> None:
        super().__init__()
        self.setObjectName("mainWindow")
        self.setAccessibleName("Halfturn")
        self.setAcceptDrops(True)
        self._settings = settings
        self._may_leave = False
        self._in_close_event = False
        self.document = Document()
        self.bridge = DocumentBridge(self.document, self)
        self.runner = JobRunner(self)
        self.reader = JobRunner(self, threads=1)
        self.drawer = JobRunner(self, threads=1)
        self.view = ChannelView(self.bridge, self)
        self.recent = RecentFiles(settings)
        self._make_panels()
        self.files = FilesFlow(self.bridge, self.runner, self.recent, self)
        self.decoding = DecodeFlow(self.bridge, self.view, self.runner, self)
        self.channels_flow = ChannelsFlow(self.channels, self.bridge, self.view, self.runner, self)
        self.watching = WatchFlow(self.bridge, self.files, self.decoding, self)
        self.warnings_flow = WarningsFlow(self.warnings, self.view, self.runner, self)
        self.marks = MarksFlow(self.bridge, self.view, self.area, self)
        self.bursts_flow = BurstsFlow(self.bridge, self.view, self.bursts, self.area, self.decoding, self)
        self.measuring = ReadingsFlow(self.bridge, self.view, self.readings, self.area, self)
        self.link = TraceLink(self.area, self.bridge, self.view, self)
        seen = (self.bridge, self.view)
        self.aids = MarkingAids(self.compared, *seen, self.area, self.link, self.decoding, self.reader)
        self.readings_link = ReadingsLink(self.readings, self.bridge, self.view, self.reader, self)
        self.pictures_link = PicturesLink(self.pictures, self.bridge, self.view, self.area, self.drawer)
        self.choices = ViewChoices(self.area, settings)
        self.handover = HandoverFlow(*seen, self.files, self.runner, self.area, self.arrangement)
        drawn = (self.view, self.area, self.readings, self.pictures)
        self.figures = FigureFlow(*drawn, self.files, self.runner, settings, self)
        self.keeper = Keeper(self.bridge, self.files, Path(settings.fileName()).parent / "unsaved", self)
        self.menus = Menus(self, handlers_of(parts := self._parts()))
        self.finder = ActionField(lambda name: self.menus.actions[name], self)
        self.menuBar().setCornerWidget(self.finder)
        self.choices.attach(self.menus)
        self.aids.attach(self.menus)
        for name in ("zoom_all", "pan_earlier", "pan_later", "next_flip", "previous_flip"):
            self.menus.confine(name, self.area)
        for name in ("rename_burst", "exclude_burst", "decode_burst"):
            self.bursts.table.addAction(self.menus.actions[name])
        self.menus.confine("delete", self.area, self.notes.table, self.readings.pins.table)
        self._changing_menus = ChangingMenus(self.menus, parts, self.recent)
        self._connect()
        give_tips(self.welcome)
        self.arrangement.restore()
        self._follow(~Change(0))
        self._show_sent()
        if not settings.value(_SEEN_CAUTIONS, False, type=bool):
            settings.setValue(_SEEN_CAUTIONS, True)
            show_cautions(parts)

    @Slot(object)
    def tell(self, message: Message) -> None:
        """Show a message above the trace."""
        self.messages.tell(message)

    def open_paths(self, paths: list[Path], options: ReadOptions | None = None) -> None:
        """Open captures and sessions; ``options`` are what the command line told of them."""
        self.files.open_paths(paths, options)

    @Slot()
    def cancel_work(self) -> None:
        self.files.forget_waiting()
        self.runner.cancel()

    @Slot()
    def find_action(self) -> None:
        """Give the keyboard to the field that finds actions."""
        self.finder.setFocus(Qt.FocusReason.ShortcutFocusReason)
        self.finder.selectAll()

    @Slot()
    def _back_to_work(self) -> None:
        (self.area if self.pages.currentIndex() else self.welcome.open_button).setFocus()

    def closeEvent(self, event: QCloseEvent) -> None:
        if not self._may_leave:
            self._in_close_event = True
            self.files.leave(self._leave)
            self._in_close_event = False
        if not self._may_leave:
            event.ignore()
            return
        self.arrangement.keep()
        self.area.stop()
        self.keeper.close()
        self.readings_link.close()
        self.aids.close()
        self.watching.close()
        self.pictures_link.close()
        self.figures.close()
        for runner in (self.runner, self.reader, self.drawer):
            runner.close()
        self.bridge.close()
        event.accept()

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        if any(url.isLocalFile() for url in event.mimeData().urls()):
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        paths = [Path(url.toLocalFile()) for url in event.mimeData().urls() if url.isLocalFile()]
        event.acceptProposedAction()
        self.files.open_paths(paths)

    def _leave(self) -> None:
        self._may_leave = True
        # Qt passes over a close within a close; there the event itself is accepted
        if not self._in_close_event:
            self.close()

    def _parts(self) -> Parts:
        return Parts(
            self,
            self.document,
            self.area,
            self.files,
            self.decoding,
            self.channels_flow,
            self.marks,
            self.bursts_flow,
            self.measuring,
            self.choices,
            self.messages,
            self.readings,
            self.notes,
            self.pictures,
            self.arrangement,
            self.cancel_work,
            self.watching,
            self.handover,
            self.find_action,
            self.figures,
            self.aids,
        )

    def _make_panels(self) -> None:
        self.area = TraceArea(self, kept_envelopes)
        self.messages = MessageStrip(self)
        self.welcome = Welcome(self)
        self.chooser = Chooser(self)
        self.readings = ReadingsPanel(self)
        self.channels = ChannelsPanel(self)
        self.bursts = BurstsPanel(self)
        self.pictures = PicturesPanel(self)
        self.compared = ComparisonPanel(self)
        self.notes = NotesPanel(self)
        self.warnings = WarningsPanel(self)
        self.setCentralWidget(self._centre())
        self.arrangement = WindowLayout(self, self._settings)
        self.arrangement.add("Readings", self.readings, RIGHT)
        self.arrangement.add("Channels", self.channels, RIGHT)
        self.arrangement.add("What is sent", self.bursts, BELOW)
        self.arrangement.add("Pictures", self.pictures, BELOW)
        self.arrangement.add("Flips compared", self.compared, BELOW)
        self.arrangement.add("Notes", self.notes, BELOW)
        self.arrangement.add("Warnings", self.warnings, BELOW)
        self.work_bar = WorkBar(self.runner, self)
        self.hint, self.seen = fill_status_bar(self.statusBar(), self.work_bar)

    def _centre(self) -> QWidget:
        work = QWidget(self)
        work.setObjectName("workPage")
        over = QVBoxLayout(work)
        over.setContentsMargins(0, 0, 0, 0)
        over.setSpacing(0)
        over.addWidget(self.chooser)
        over.addWidget(self.area, 1)
        self.pages = QStackedWidget(self)
        self.pages.setObjectName("pages")
        self.pages.addWidget(self.welcome)
        self.pages.addWidget(work)
        centre = QWidget(self)
        centre.setObjectName("centre")
        layout = QVBoxLayout(centre)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self.messages)
        layout.addWidget(self.pages, 1)
        return centre

    def _connect(self) -> None:
        flows = (
            self.files,
            self.decoding,
            self.channels_flow,
            self.readings_link,
            self.pictures_link,
            self.bursts_flow,
            self.measuring,
            self.watching,
            self.handover,
            self.figures,
            self.keeper,
            self.aids,
            self.warnings_flow,
        )
        for told in (self.bridge.refused, *(flow.told for flow in flows)):
            told.connect(self.tell)
        self.watching.changed.connect(self._show_watched)
        self.finder.not_now.connect(lambda text: self.tell(Message(f"Not possible now: {text}.")))
        self.finder.done.connect(self._back_to_work)
        self.bridge.changed.connect(self._follow)
        self.view.changed.connect(self._show_sent)
        self.view.span_changed.connect(self._allow)
        self.view.burst_changed.connect(self._allow)
        self.runner.changed.connect(self._allow)
        self.work_bar.cancel_wanted.connect(self.cancel_work)
        self.files.recent_changed.connect(self._show_recent)
        self.welcome.open_wanted.connect(self.files.ask_and_open)
        self.welcome.demo_wanted.connect(self.files.open_demo)
        self.welcome.recent_wanted.connect(self.files.open_recent)
        self.chooser.capture_chosen.connect(self._look_at_capture)
        self.chooser.channel_chosen.connect(self._look_at_channel)
        self.channels.instrument_wanted.connect(self.marks.describe_capture)
        self.bursts.burst_chosen.connect(self.marks.show_stretch)
        self.bursts.burst_selected.connect(self.view.choose)
        self.readings.pins.export_wanted.connect(self.menus.actions["export_readings"].trigger)
        self.pictures.export_wanted.connect(self.menus.actions["export_plot"].trigger)
        self.pictures_link.burst_wanted.connect(self.bursts.select)
        self.bursts.decode_wanted.connect(self.decoding.decode_all)
        self.notes.add_wanted.connect(self.marks.add_note)
        self.notes.edit_wanted.connect(self.marks.edit_note)
        self.notes.remove_wanted.connect(self.marks.remove_note)
        self.notes.note_chosen.connect(self.marks.show_note)
        self.warnings.place_chosen.connect(self.marks.show_place)
        self.area.mouse_hint.connect(self._show_hint)
        self.pictures.pointer_hint.connect(self._show_hint)
        self.area.range_changed.connect(self._show_range)
        self._show_recent()

    @Slot(object)
    def _follow(self, change: Change) -> None:
        document = self.document
        if change & (Change.CAPTURES | Change.CURRENT):
            self.chooser.show_captures(document.data.captures, document.capture_index)
            self.chooser.show_channels(document.capture, document.channel)
            self.warnings.show_warnings(document.capture)
            self._turn_to_page(0 if document.capture is None else 1)
        if change & Change.BURSTS:
            self.bursts.model.show_names(self.bursts_flow.names())
        if change & (Change.PINS | Change.CAPTURES):
            self.readings.pins.show_pins(document.data)
        if change & (Change.NOTES | Change.CAPTURES):
            self.notes.show_notes(document.data)
        self._allow()

    @Slot()
    def _show_watched(self) -> None:
        self.menus.actions["watch_folder"].setChecked(self.watching.folder is not None)

    def _turn_to_page(self, page: int) -> None:
        """First steps, or the trace with its docks; who turns to the trace wants to use it."""
        if page != self.pages.currentIndex():
            self.pages.setCurrentIndex(page)
            (self.area if page else self.welcome.open_button).setFocus()
            if page:
                give_tips(self)
        self.arrangement.shelve(empty=page == 0)

    @Slot()
    def _show_sent(self) -> None:
        view = self.view
        reasons = view.runs[-1].result.signalling.reasons if view.runs else ()
        has_capture = view.capture is not None
        self._show_hint("")
        self.seen.clear()
        if has_capture:
            self._show_range(*self.area.visible_range())
        self.bursts.show_sent(
            Sent(
                view.sentence,
                reasons,
                view.bursts,
                view.unit,
                view.tolerance,
                has_capture,
                self.bursts_flow.names(),
            )
        )

    @Slot()
    def _allow(self) -> None:
        """Title, and what can be done now."""
        document, view = self.document, self.view
        self.setWindowTitle(f"{self.files.name}[*] – Halfturn" if document.capture else "Halfturn[*]")
        self.setWindowModified(not document.is_saved)
        self.menus.update(
            Situation(
                has_capture=document.capture is not None,
                has_span=view.span_s is not None,
                has_decode=bool(view.runs),
                has_flips=bool(self.link.flips),
                has_hand_flips=bool(view.flips),
                has_burst=bool(self.bursts.chosen_numbers()),
                has_pins=bool(document.data.pins),
                has_cursors=bool(self.marks.cursors),
                has_session=document.path is not None,
                busy=self.runner.current() is not None,
                undo_label=document.undo_label,
                redo_label=document.redo_label,
            )
        )

    @Slot()
    def _show_recent(self) -> None:
        self.welcome.set_recent(self.recent.paths())

    @Slot(str)
    def _show_hint(self, text: str) -> None:
        """What the mouse does here, or what to do next."""
        view = self.view
        following = help_texts.next_step(
            has_capture=view.capture is not None, has_decode=bool(view.runs), has_bursts=bool(view.bursts)
        )
        self.hint.setText(text or following)

    @Slot(float, float)
    def _show_range(self, start_s: float, end_s: float) -> None:
        self.seen.setText(format_stretch(start_s, end_s, "s"))

    @Slot(int)
    def _look_at_capture(self, index: int) -> None:
        self.document.look_at(index)

    @Slot(str)
    def _look_at_channel(self, name: str) -> None:
        self.document.look_at(self.document.capture_index, name)
