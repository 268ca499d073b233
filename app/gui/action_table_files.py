"""The actions of the menu File: opening, saving, captures, figures; a part of the table of actions."""

from __future__ import annotations

from app.gui.action_table_handover import HANDOVER
from app.gui.actions import ActionSpec, Situation

FILE = "&File"


def _capture(now: Situation) -> bool:
    return now.has_capture


FILE_ACTIONS: tuple[ActionSpec, ...] = (
    ActionSpec(
        "open",
        FILE,
        "&Open…",
        "Open what the oscilloscope wrote, or a saved session; several files at once are fine",
        ("Ctrl+O",),
        brief="Open…",
    ),
    ActionSpec(
        "open_with_details",
        FILE,
        "Open &with details…",
        "For files that do not say their own sample rate, number type or scale, such as raw binary",
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
    ActionSpec(
        "open_demo",
        FILE,
        "Open the d&emo capture",
        "Try everything on a made-up line of greenhouse motors and sensors, without a file of your own",
    ),
    ActionSpec(
        "open_session",
        FILE,
        "Open sess&ion…",
        "Go on with work that was saved: captures, marks, decodes, notes",
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
        "save_as",
        FILE,
        "Save session &as…",
        "Keep captures, marks, decodes and notes in another file; the old one stays as it is",
        ("Ctrl+Shift+S",),
        _capture,
    ),
    ActionSpec(
        "new_session",
        FILE,
        "&New session",
        "Put everything away and begin again; asks first whether to save",
        ("Ctrl+N",),
        lambda now: now.has_capture or now.has_session,
    ),
    ActionSpec(
        "describe_capture",
        FILE,
        "Descri&be capture…",
        "Say what was done while capturing, and how exact the instrument is (ppm, %): readings carry it from then on",
        ("Ctrl+B",),
        _capture,
        line_before=True,
    ),
    ActionSpec(
        "next_capture",
        FILE,
        "Nex&t capture",
        "Look at the next capture of the session; each keeps its marks",
        ("Ctrl+PgDown",),
        _capture,
    ),
    ActionSpec(
        "previous_capture",
        FILE,
        "&Previous capture",
        "Look at the capture before this one in the session",
        ("Ctrl+PgUp",),
        _capture,
    ),
    ActionSpec(
        "close_capture",
        FILE,
        "&Close capture",
        "Take this capture and what stands on it out of the session; Undo brings it back",
        ("Ctrl+W",),
        _capture,
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
    ActionSpec(
        "quit",
        FILE,
        "&Quit",
        "Leave the program; asks first whether to save what is not saved",
        ("Ctrl+Q",),
        line_before=True,
    ),
)
