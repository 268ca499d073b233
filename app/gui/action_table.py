"""Everything the window can do, as one table: text, key, when it can be done, where it stands.

What each action runs is handed in by the window under the action's name.
"""

from __future__ import annotations

from app.gui.action_table_bursts import BURST_ACTIONS, BURSTS
from app.gui.action_table_channels import channel_actions
from app.gui.action_table_files import FILE, FILE_ACTIONS
from app.gui.action_table_look import look_actions
from app.gui.action_table_marking import marking_actions
from app.gui.action_table_panels import panel_actions
from app.gui.action_table_readings import READING_ACTIONS, READINGS
from app.gui.actions import ActionSpec, Situation

EDIT, VIEW, MARKS, DECODE, HELP = "&Edit", "&View", "&Marks", "&Decode", "&Help"
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
    *FILE_ACTIONS,
    ActionSpec(
        "undo",
        EDIT,
        "&Undo",
        "Take back the last change of the session; the menu names it. What is in view is not a change",
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
        "Copy the selected rows of the table in use as text, with headings and tabs, for a spreadsheet",
        ("Ctrl+C",),
        line_before=True,
    ),
    ActionSpec(
        "delete",
        EDIT,
        "&Delete",
        "Delete the selected flip, pinned reading or note, of whichever part has the keyboard",
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
    ActionSpec(
        "zoom_in",
        VIEW,
        "Zoom &in",
        "Show half as much time about the middle of the view; the wheel zooms about the pointer",
        ("Ctrl++", "Ctrl+="),
        _capture,
    ),
    ActionSpec(
        "zoom_out",
        VIEW,
        "Zoom &out",
        "Show twice as much time about the middle of the view; the wheel zooms about the pointer",
        ("Ctrl+-",),
        _capture,
    ),
    ActionSpec(
        "zoom_to_span",
        VIEW,
        "Zoom to the &span",
        "Let the selected span fill the view, to see single cycles of it",
        ("Ctrl+E",),
        _span,
        brief="Zoom to span",
    ),
    ActionSpec(
        "pan_earlier", VIEW, "&Earlier", "Move the view half its width back in time", ("PgUp",), _capture
    ),
    ActionSpec("pan_later", VIEW, "&Later", "Move the view half its width on in time", ("PgDown",), _capture),
    ActionSpec(
        "fit_values",
        VIEW,
        "Fit &values",
        "Fit the value axes to what is in view, when the trace is too small or cut off",
        ("Ctrl+Home",),
        _capture,
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
        "next_flip",
        MARKS,
        "&Next flip",
        "Select the next phase flip and bring it into view; then the arrow keys move it and Del deletes it",
        ("Ctrl+Right",),
        lambda now: now.has_flips,
    ),
    ActionSpec(
        "previous_flip",
        MARKS,
        "Pre&vious flip",
        "Select the phase flip before it and bring it into view, to check one after another",
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
        "add_cursor",
        MARKS,
        "Add &cursor",
        "Put another cursor mid-view: it reads time and value, and what lies between it and the next",
        ("Ctrl+K",),
        _capture,
        line_before=True,
    ),
    ActionSpec(
        "bring_cursors",
        MARKS,
        "&Bring cursors into view",
        "Spread the cursors over what is in view, when they stand somewhere else in the capture",
        ("Ctrl+Shift+K",),
        lambda now: now.has_cursors,
        brief="Cursors here",
    ),
    ActionSpec(
        "span_from_cursors",
        MARKS,
        "&Span between cursors",
        "Select the stretch between the first and the last cursor, to measure or decode it",
        ("Ctrl+M",),
        lambda now: now.has_cursors,
        line_before=True,
    ),
    ActionSpec(
        "keep_span",
        MARKS,
        "&Keep span…",
        "Keep the selected span in the session under a name, to come back to it or share just that",
        ("Ctrl+Shift+M",),
        _span,
    ),
    ActionSpec(
        "clear_span",
        MARKS,
        "&Unselect span",
        "Have no span selected: readings are then of the cursors alone",
        ("Ctrl+Shift+A",),
        _span,
    ),
    ActionSpec(
        "snap_crossing",
        MARKS,
        "&Zero crossings",
        "Cursors and flips jump to where the trace crosses its mean or turns back at it, between samples",
        checkable=True,
        submenu="Snap &to",
        line_before=True,
    ),
    ActionSpec(
        "snap_extremum",
        MARKS,
        "&Peaks and troughs",
        "Cursors and flips jump to the nearest peak or trough, between samples",
        checkable=True,
        submenu="Snap &to",
    ),
    ActionSpec(
        "snap_level",
        MARKS,
        "Crossings of the &level line",
        "Cursors and flips jump to where the trace crosses the level line (Ctrl+Alt+H), between samples",
        checkable=True,
        submenu="Snap &to",
    ),
    ActionSpec(
        "snap_flip",
        MARKS,
        "&Flips",
        "Cursors jump to the nearest flip, to measure from flip to flip",
        checkable=True,
        submenu="Snap &to",
    ),
    ActionSpec(
        "snap_symbol",
        MARKS,
        "&Symbol edges",
        "Cursors and flips jump to the nearest edge between two decoded symbols",
        checkable=True,
        submenu="Snap &to",
    ),
    ActionSpec(
        "add_note",
        MARKS,
        "Add n&ote",
        "Write down what you see at the middle of the view; a click on the note leads back here",
        ("Ctrl+T",),
        line_before=True,
    ),
    ActionSpec(
        "decode_all",
        DECODE,
        "Decode the &whole capture",
        "Find every burst of this channel and its bits; nothing has to be told in advance",
        ("Ctrl+D",),
        _capture,
        brief="Decode",
    ),
    ActionSpec(
        "decode_span",
        DECODE,
        "Decode the selected &span",
        "Decode only the selected stretch: quicker, and what else is in the capture does not disturb",
        ("Ctrl+Shift+D",),
        _span,
        brief="Decode span",
    ),
    ActionSpec(
        "cancel_work",
        DECODE,
        "&Cancel",
        "Stop the reading or decoding under way; nothing of it is kept",
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
        "Forget what was decoded of this channel; flips set by hand stay, and Undo brings the decode back",
        (),
        lambda now: now.has_decode,
    ),
    *READING_ACTIONS,
    *BURST_ACTIONS,
    ActionSpec(
        "cautions",
        HELP,
        "&Cautions",
        "What to mind when probing a line (probe ground is earth), and when trusting a decode",
        (),
    ),
    ActionSpec(
        "find_action",
        HELP,
        "&Find an action",
        "Type a word of what you want to do into the field beside the menus",
        ("F4",),
    ),
    ActionSpec(
        "shortcuts",
        HELP,
        "&Keyboard and mouse",
        "All keys, and what the mouse does, in one window to keep beside this one",
        ("F1",),
    ),
    ActionSpec(
        "about",
        HELP,
        "&About Halfturn",
        "Version of the program and of the libraries it works with",
        line_before=True,
    ),
)
