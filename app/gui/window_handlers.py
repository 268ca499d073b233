"""What each action of the table runs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication, QMainWindow, QWidget

from app.gui import help_texts
from app.gui.action_table_panels import PANELS
from app.gui.bursts_flow import BurstsFlow
from app.gui.channels_flow import ChannelsFlow
from app.gui.decode_flow import DecodeFlow
from app.gui.figure_flow import FigureFlow
from app.gui.files_flow import FilesFlow
from app.gui.handover_flow import HandoverFlow
from app.gui.marking_aids import MarkingAids
from app.gui.marks_flow import MarksFlow
from app.gui.messages import Message
from app.gui.panels.message_strip import MessageStrip
from app.gui.panels.notes import NotesPanel
from app.gui.panels.readings import ReadingsPanel
from app.gui.panels.table import RowTable
from app.gui.panels.text_window import TextWindow
from app.gui.pictures.panel import PicturesPanel
from app.gui.readings_flow import ReadingsFlow
from app.gui.style import Appearance
from app.gui.trace.area import TraceArea
from app.gui.view_choices import ViewChoices
from app.gui.watch_flow import WatchFlow
from app.gui.window_layout import WindowLayout
from app.model.cautions import CAUTIONS
from app.model.document import Document

Handlers = dict[str, Callable[[], object]]


@dataclass(frozen=True, eq=False)
class Parts:
    """What the actions work on."""

    window: QMainWindow
    document: Document
    area: TraceArea
    files: FilesFlow
    decoding: DecodeFlow
    channels: ChannelsFlow
    marks: MarksFlow
    bursts: BurstsFlow
    measuring: ReadingsFlow
    choices: ViewChoices
    messages: MessageStrip
    readings: ReadingsPanel
    notes: NotesPanel
    pictures: PicturesPanel
    arrangement: WindowLayout
    cancel_work: Callable[[], None]
    watching: WatchFlow
    handover: HandoverFlow
    find_action: Callable[[], None]
    figures: FigureFlow
    aids: MarkingAids


def handlers_of(parts: Parts) -> Handlers:
    """One entry for each action."""
    return {
        **_files(parts),
        **_edits(parts),
        **_views(parts),
        **_marks(parts),
        **_decodes(parts),
        "find_action": parts.find_action,
        "cautions": lambda: show_cautions(parts),
        "shortcuts": lambda: _show_text(parts, "Keyboard and mouse", help_texts.shortcuts_html()),
        "about": lambda: _show_text(parts, "About Halfturn", help_texts.about_html()),
    }


def show_cautions(parts: Parts) -> None:
    """Above the trace, where they hold nothing up."""
    parts.messages.tell(Message(" ".join(CAUTIONS), weight="caution"))


def _files(parts: Parts) -> Handlers:
    files, marks = parts.files, parts.marks
    return {
        "open": files.ask_and_open,
        "open_with_details": files.ask_and_open_with_details,
        "open_demo": files.open_demo,
        "watch_folder": parts.watching.ask_and_watch,
        "open_session": files.ask_and_open_session,
        "save": files.save,
        "save_as": files.save_as,
        "save_linked": files.save_linked,
        "new_session": files.new_session,
        "describe_capture": marks.describe_capture,
        "next_capture": partial(marks.step_capture, 1),
        "previous_capture": partial(marks.step_capture, -1),
        "close_capture": marks.close_capture,
        "export_picture": parts.figures.of_trace,
        "write_report": parts.handover.write_report,
        "export_data": parts.handover.export_data,
        "share_copy": parts.handover.share_copy,
        "check_decodes": parts.handover.checking.check,
        "second_opinion": parts.handover.take_second_opinion,
        "export_plot": parts.figures.of_picture,
        "quit": parts.window.close,
    }


def _edits(parts: Parts) -> Handlers:
    return {
        "undo": parts.document.undo,
        "redo": parts.document.redo,
        "copy": lambda: copy_selected(parts),
        "pin_readings": parts.measuring.pin,
        "unpin_readings": parts.measuring.unpin,
        "copy_sentences": parts.measuring.copy_sentences,
        "export_readings": lambda: parts.measuring.export(
            str(parts.files.folder() / f"{parts.files.name} readings.csv")
        ),
        "name_cursor": parts.measuring.name_cursor,
        "cursor_to_level": parts.measuring.to_level,
        "delete": lambda: delete_selected(parts),
    }


def _views(parts: Parts) -> Handlers:
    area, choices = parts.area, parts.choices
    return {
        "zoom_all": area.zoom_all,
        "zoom_in": partial(area.zoom_by, 0.5),
        "zoom_out": partial(area.zoom_by, 2.0),
        "zoom_to_span": area.zoom_to_span,
        "pan_earlier": partial(area.pan_by, -0.5),
        "pan_later": partial(area.pan_by, 0.5),
        "fit_values": area.fit_values,
        "tool_pan": partial(choices.set_tool, "pan"),
        "tool_zoom": partial(choices.set_tool, "zoom"),
        "tool_span": partial(choices.set_tool, "span"),
        "tool_flip": partial(choices.set_tool, "flip"),
        "next_panel": lambda: to_next_panel(parts),
        **{f"to_{name}": partial(to_panel, parts, holder) for name, _, holder in PANELS},
        "axes_by_unit": partial(choices.set_axes, "by-unit"),
        "axes_each": partial(choices.set_axes, "each"),
        "axes_overlaid": partial(choices.set_axes, "overlaid"),
        "smooth": choices.set_smooth,
        "clear_messages": parts.messages.clear,
        "look_system": partial(choices.set_appearance, Appearance.SYSTEM),
        "look_light": partial(choices.set_appearance, Appearance.LIGHT),
        "look_dark": partial(choices.set_appearance, Appearance.DARK),
    }


def _marks(parts: Parts) -> Handlers:
    area, marks, choices = parts.area, parts.marks, parts.choices
    snaps = {
        f"snap_{snap}": choices.set_snaps for snap in ("crossing", "extremum", "level", "flip", "symbol")
    }
    return {
        "place_flip": area.place_flip,
        "next_flip": partial(area.select_next_flip, 1),
        "previous_flip": partial(area.select_next_flip, -1),
        "clear_hand_flips": marks.clear_hand_flips,
        "add_cursor": marks.add_cursor,
        "bring_cursors": marks.bring_cursors,
        "span_from_cursors": area.span_from_cursors,
        "keep_span": marks.keep_span,
        "clear_span": marks.clear_span,
        **snaps,
        "walk_crossings": lambda: walk(parts),
        "next_difference": partial(parts.aids.comparing.step, 1),
        "previous_difference": partial(parts.aids.comparing.step, -1),
        "lay_grid": parts.aids.grid.lay,
        "fit_grid": parts.aids.grid.fit,
        "select_grid": lambda: select_grid(parts),
        "tell_grid_rate": parts.aids.grid.tell_decoder,
        "remove_grid": parts.aids.grid.remove,
        "level_line": lambda: toggle_level(parts),
        "add_note": lambda: begin_note(parts),
    }


def _decodes(parts: Parts) -> Handlers:
    decoding = parts.decoding
    bursts = parts.bursts
    return {
        "next_burst": partial(bursts.step, 1),
        "previous_burst": partial(bursts.step, -1),
        "rename_burst": bursts.begin_renaming,
        "exclude_burst": bursts.toggle_excluded,
        "decode_burst": bursts.decode_again,
        "turn_symbol": bursts.turn_symbol_here,
        "decode_all": decoding.decode_all,
        "decode_span": decoding.decode_span,
        "cancel_work": parts.cancel_work,
        "decode_settings": decoding.ask_settings,
        "derived_channel": parts.channels.ask_derived,
        "pair_channels": parts.channels.ask_pair,
        "describe_channel": parts.channels.describe_current,
        "clear_decode": decoding.clear,
    }


def walk(parts: Parts) -> None:
    """Begin stepping from crossing to crossing, or end it."""
    parts.area.setFocus()
    if not parts.area.walk():
        parts.area.walk_changed.emit(False)
        parts.messages.tell(Message("There is no zero crossing here: go to where something is sent first."))


def select_grid(parts: Parts) -> None:
    parts.area.setFocus()
    parts.area.select_grid()


def toggle_level(parts: Parts) -> None:
    """Put a level line where it is asked for, with marks snapping to it; take it away where there is one."""
    if parts.area.level is not None:
        parts.area.set_level(None)
    elif parts.measuring.ask_level_line():
        parts.choices.snap_to_level()


def copy_selected(parts: Parts) -> None:
    """The rows of the table that has the keyboard; without one, those of the readings."""
    focus = QApplication.focusWidget()
    table = focus if isinstance(focus, RowTable) else parts.readings.table
    QApplication.clipboard().setText(table.selected_text())


def to_next_panel(parts: Parts) -> None:
    """Give the keyboard to the next part of the window that is shown."""
    focus = QApplication.focusWidget()
    holders = [parts.area, *(dock.widget() for dock in parts.arrangement.docks if dock.isVisible())]
    has_it = [
        i for i, one in enumerate(holders) if focus is not None and (focus is one or one.isAncestorOf(focus))
    ]
    following = holders[(has_it[0] + 1) % len(holders)] if has_it else holders[0]
    _give_keyboard(parts, following)


def to_panel(parts: Parts, name: str) -> None:
    """Show the part of the window with this object name, and give it the keyboard."""
    holders = [parts.area, *(dock.widget() for dock in parts.arrangement.docks)]
    _give_keyboard(parts, next(one for one in holders if one.objectName() == name))


def _give_keyboard(parts: Parts, following: QWidget) -> None:
    for dock in parts.arrangement.docks:
        if dock.widget() is following:
            dock.show()
            dock.raise_()
    following.setFocus(Qt.FocusReason.TabFocusReason)
    if not following.hasFocus() and (inner := following.focusProxy()) is not None:
        inner.setFocus(Qt.FocusReason.TabFocusReason)


def delete_selected(parts: Parts) -> None:
    """A note if the notes have the keyboard, else the flip selected in the trace."""
    if parts.notes.table.hasFocus():
        parts.notes.remove_selected()
    elif parts.readings.pins.table.hasFocus():
        parts.measuring.unpin()
    else:
        parts.area.delete_flip()


def begin_note(parts: Parts) -> None:
    dock = parts.arrangement.dock_of(parts.notes)
    dock.show()
    dock.raise_()
    parts.notes.begin_note()


def _show_text(parts: Parts, title: str, html: str) -> None:
    TextWindow(title, html, parts.window).show()
