"""Everything the window can do, as one table: text, key, when it can be done, where it stands.

What each action runs is handed in by the window under the action's name.
"""

from __future__ import annotations

from app.gui.action_table_bursts import BURST_ACTIONS, BURSTS
from app.gui.action_table_channels import channel_actions
from app.gui.action_table_handover import HANDOVER
from app.gui.action_table_look import look_actions
from app.gui.action_table_marking import marking_actions
from app.gui.action_table_panels import panel_actions
from app.gui.action_table_readings import READING_ACTIONS, READINGS
from app.gui.actions import ActionSpec, Situation

FILE, EDIT, VIEW, MARKS, DECODE, HELP = "&File", "&Edit", "&View", "&Marks", "&Decode", "&Help"
MENUS = (FILE, EDIT, VIEW, MARKS, READINGS, DECODE, BURSTS, HELP)

TOOLBAR = (
    ("open", "save"),
    ("decode_all", "decode_span"),
    ("tool_pan", "tool_zoom", "tool_span", "tool_flip"),
    ("zoom_all", "zoom_to_span", "bring_cursors"),
    ("undo", "redo"),
)
"""Names of the actions on the toolbar, group by group; `ActionSpec.brief` is their text there."""


def _capture(now: Situation) -> bool:
    return now.has_capture


def _span(now: Situation) -> bool:
    return now.has_capture and now.has_span


ACTIONS: tuple[ActionSpec, ...] = (
    ActionSpec(
        "open",
        FILE,
        "&Open…",
        "Open captures or a session from files",
        ("Ctrl+O",),
        brief="Open…",
    ),
    ActionSpec(
        "open_with_details",
        FILE,
        "Open &with details…",
        "Open a file that does not say its own sample rate, number type or scale",
        ("Ctrl+Alt+O",),
    ),
    ActionSpec(
        "watch_folder",
        FILE,
        "Watch a &folder…",
        "Open the newest capture saved in a folder by itself, and decode it like the one before",
        ("Ctrl+Shift+F",),
        checkable=True,
    ),
    ActionSpec("open_demo", FILE, "Open the d&emo capture", "Open the capture that comes with the program"),
    ActionSpec(
        "open_session",
        FILE,
        "Open sess&ion…",
        "Go on with work that was saved",
        ("Ctrl+Shift+O",),
        line_before=True,
    ),
    ActionSpec(
        "save",
        FILE,
        "&Save session",
        "Keep captures, marks, decodes and notes in one file",
        ("Ctrl+S",),
        _capture,
        brief="Save",
    ),
    ActionSpec(
        "save_as", FILE, "Save session &as…", "Keep them in another file", ("Ctrl+Shift+S",), _capture
    ),
    ActionSpec(
        "new_session",
        FILE,
        "&New session",
        "Put everything away and begin again",
        ("Ctrl+N",),
        lambda now: now.has_capture or now.has_session,
    ),
    ActionSpec(
        "describe_capture",
        FILE,
        "Descri&be capture…",
        "Say what was done while capturing, and how exact the instrument is",
        ("Ctrl+B",),
        _capture,
        line_before=True,
    ),
    ActionSpec(
        "next_capture",
        FILE,
        "Nex&t capture",
        "Look at the next capture of the session",
        ("Ctrl+PgDown",),
        _capture,
    ),
    ActionSpec(
        "previous_capture",
        FILE,
        "&Previous capture",
        "Look at the capture before it",
        ("Ctrl+PgUp",),
        _capture,
    ),
    ActionSpec(
        "close_capture", FILE, "&Close capture", "Take this capture out of the session", ("Ctrl+W",), _capture
    ),
    ActionSpec(
        "export_picture",
        FILE,
        "Fi&gure of the trace…",
        "Export the view with cursors, lane, readings and a caption, fit to publish: PNG of any size, or SVG",
        ("Ctrl+P",),
        _capture,
        line_before=True,
    ),
    *HANDOVER,
    ActionSpec(
        "export_plot",
        FILE,
        "Figure of the shown pict&ure…",
        "Export the picture of the panel Pictures with a caption as PNG or SVG, or its numbers as CSV",
        ("Ctrl+Shift+P",),
        _capture,
    ),
    ActionSpec("quit", FILE, "&Quit", "Leave the program", ("Ctrl+Q",), line_before=True),
    ActionSpec(
        "undo",
        EDIT,
        "&Undo",
        "Take back the last change",
        ("Ctrl+Z",),
        lambda now: now.undo_label is not None,
        brief="Undo",
    ),
    ActionSpec(
        "redo",
        EDIT,
        "&Redo",
        "Make the change again that was taken back",
        ("Ctrl+Shift+Z", "Ctrl+Y"),
        lambda now: now.redo_label is not None,
        brief="Redo",
    ),
    ActionSpec(
        "copy",
        EDIT,
        "&Copy",
        "Copy the selected rows of the table in use as text",
        ("Ctrl+C",),
        line_before=True,
    ),
    ActionSpec(
        "delete",
        EDIT,
        "&Delete",
        "Delete the selected flip, or the selected note",
        ("Del",),
        _capture,
    ),
    ActionSpec(
        "zoom_all",
        VIEW,
        "&Whole capture",
        "Show the capture from end to end",
        ("Home",),
        _capture,
        brief="Whole capture",
    ),
    ActionSpec("zoom_in", VIEW, "Zoom &in", "Show half as much time", ("Ctrl++", "Ctrl+="), _capture),
    ActionSpec("zoom_out", VIEW, "Zoom &out", "Show twice as much time", ("Ctrl+-",), _capture),
    ActionSpec(
        "zoom_to_span",
        VIEW,
        "Zoom to the &span",
        "Let the span fill the view",
        ("Ctrl+E",),
        _span,
        brief="Zoom to span",
    ),
    ActionSpec("pan_earlier", VIEW, "&Earlier", "Move the view half its width back", ("PgUp",), _capture),
    ActionSpec("pan_later", VIEW, "&Later", "Move the view half its width on", ("PgDown",), _capture),
    ActionSpec(
        "fit_values", VIEW, "Fit &values", "Fit the value axes to what is in view", ("Ctrl+Home",), _capture
    ),
    ActionSpec(
        "tool_pan",
        VIEW,
        "&Move the view",
        "Drag moves the view; the wheel zooms",
        ("Alt+1",),
        group="tool",
        submenu="Mouse &tool",
        line_before=True,
        brief="Move view",
    ),
    ActionSpec(
        "tool_zoom",
        VIEW,
        "&Zoom to a stretch",
        "Drag over the stretch that shall fill the view",
        ("Alt+2",),
        group="tool",
        submenu="Mouse &tool",
        brief="Zoom",
    ),
    ActionSpec(
        "tool_span",
        VIEW,
        "&Select a span",
        "Drag over the span to measure or decode",
        ("Alt+3",),
        group="tool",
        submenu="Mouse &tool",
        brief="Select span",
    ),
    ActionSpec(
        "tool_flip",
        VIEW,
        "Place &flips",
        "Click places a flip, drag moves one",
        ("Alt+4",),
        group="tool",
        submenu="Mouse &tool",
        brief="Place flips",
    ),
    ActionSpec(
        "next_panel",
        VIEW,
        "&Keyboard to the next panel",
        "From the trace to the readings, the tabs below, and back",
        ("F6",),
    ),
    *panel_actions(VIEW),
    *look_actions(VIEW),
    ActionSpec(
        "place_flip",
        MARKS,
        "&Place flip",
        "Place a flip at the mouse pointer, at the selected cursor, or mid-view; the bits follow",
        ("Ctrl+F",),
        _capture,
    ),
    ActionSpec(
        "next_flip", MARKS, "&Next flip", "Select the next flip", ("Ctrl+Right",), lambda now: now.has_flips
    ),
    ActionSpec(
        "previous_flip",
        MARKS,
        "Pre&vious flip",
        "Select the flip before",
        ("Ctrl+Left",),
        lambda now: now.has_flips,
    ),
    ActionSpec(
        "clear_hand_flips",
        MARKS,
        "Take back all &hand flips",
        "Forget the flips set and removed by hand, in the span if there is one",
        (),
        lambda now: now.has_hand_flips,
    ),
    *marking_actions(MARKS, _capture),
    ActionSpec(
        "add_cursor", MARKS, "Add &cursor", "Add a cursor mid-view", ("Ctrl+K",), _capture, line_before=True
    ),
    ActionSpec(
        "bring_cursors",
        MARKS,
        "&Bring cursors into view",
        "Spread the cursors over what is in view",
        ("Ctrl+Shift+K",),
        lambda now: now.has_cursors,
        brief="Cursors here",
    ),
    ActionSpec(
        "span_from_cursors",
        MARKS,
        "&Span between cursors",
        "Select the stretch between the first and the last cursor",
        ("Ctrl+M",),
        lambda now: now.has_cursors,
        line_before=True,
    ),
    ActionSpec(
        "keep_span", MARKS, "&Keep span…", "Keep the selected span under a name", ("Ctrl+Shift+M",), _span
    ),
    ActionSpec("clear_span", MARKS, "&Unselect span", "Have no span selected", ("Ctrl+Shift+A",), _span),
    ActionSpec(
        "snap_crossing",
        MARKS,
        "&Zero crossings",
        "Marks snap to where the trace crosses its mean, or turns back at it",
        checkable=True,
        submenu="Snap &to",
        line_before=True,
    ),
    ActionSpec(
        "snap_extremum",
        MARKS,
        "&Peaks and troughs",
        "Marks snap to extremes",
        checkable=True,
        submenu="Snap &to",
    ),
    ActionSpec(
        "snap_level",
        MARKS,
        "Crossings of the &level line",
        "Marks snap to where the trace crosses the level line",
        checkable=True,
        submenu="Snap &to",
    ),
    ActionSpec("snap_flip", MARKS, "&Flips", "Marks snap to flips", checkable=True, submenu="Snap &to"),
    ActionSpec(
        "snap_symbol",
        MARKS,
        "&Symbol edges",
        "Marks snap to symbol edges",
        checkable=True,
        submenu="Snap &to",
    ),
    ActionSpec("add_note", MARKS, "Add n&ote", "Write down what you see here", ("Ctrl+T",), line_before=True),
    ActionSpec(
        "decode_all",
        DECODE,
        "Decode the &whole capture",
        "Find every burst of this channel and its bits",
        ("Ctrl+D",),
        _capture,
        brief="Decode",
    ),
    ActionSpec(
        "decode_span",
        DECODE,
        "Decode the selected &span",
        "Decode only this stretch",
        ("Ctrl+Shift+D",),
        _span,
        brief="Decode span",
    ),
    ActionSpec(
        "cancel_work",
        DECODE,
        "&Cancel",
        "Stop the work under way",
        ("Ctrl+.",),
        lambda now: now.busy,
    ),
    ActionSpec(
        "decode_settings",
        DECODE,
        "S&ettings…",
        "Tell the decoder what is known already; what is left empty it finds out",
        ("Ctrl+Shift+E",),
        line_before=True,
    ),
    *channel_actions(DECODE, _capture),
    ActionSpec(
        "clear_decode",
        DECODE,
        "C&lear the decode",
        "Forget what was decoded of this channel",
        (),
        lambda now: now.has_decode,
    ),
    *READING_ACTIONS,
    *BURST_ACTIONS,
    ActionSpec(
        "cautions", HELP, "&Cautions", "What to mind when probing a line, and when trusting a decode", ()
    ),
    ActionSpec(
        "find_action",
        HELP,
        "&Find an action",
        "Type a word of what you want to do into the field beside the menus",
        ("F4",),
    ),
    ActionSpec("shortcuts", HELP, "&Keyboard and mouse", "All keys, and what the mouse does", ("F1",)),
    ActionSpec("about", HELP, "&About Halfturn", "Version and libraries", line_before=True),
)
