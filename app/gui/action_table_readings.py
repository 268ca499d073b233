"""What can be done with readings and cursors; a part of the table of actions."""

from __future__ import annotations

from app.gui.actions import ActionSpec, Situation

READINGS = "&Readings"


def _capture(now: Situation) -> bool:
    return now.has_capture


def _cursors(now: Situation) -> bool:
    return now.has_cursors


def _pins(now: Situation) -> bool:
    return now.has_pins


READING_ACTIONS: tuple[ActionSpec, ...] = (
    ActionSpec(
        "pin_readings",
        READINGS,
        "&Pin the selected readings",
        "Keep them as they are now, in the list below; a double click on a reading does the same",
        ("Ctrl+L",),
        _capture,
    ),
    ActionSpec(
        "unpin_readings",
        READINGS,
        "&Unpin",
        "Take the selected readings out of the list of pinned ones; Undo brings them back",
        ("Ctrl+Shift+L",),
        _pins,
    ),
    ActionSpec(
        "copy_sentences",
        READINGS,
        "Copy as &text",
        "Copy the selected readings as lines of text; Edit > Copy copies them as rows of a table",
        ("Ctrl+Alt+C",),
        _capture,
    ),
    ActionSpec(
        "export_readings",
        READINGS,
        "&Export pinned readings…",
        "Save the pinned readings as CSV, with value, standard uncertainty and unit",
        ("Ctrl+Alt+P",),
        _pins,
    ),
    ActionSpec(
        "name_cursor",
        READINGS,
        "&Name the cursor…",
        "Give the selected cursor, or the first one, a name of yours",
        ("Ctrl+Alt+K",),
        _cursors,
        line_before=True,
    ),
    ActionSpec(
        "cursor_to_level",
        READINGS,
        "Next crossing of a &level…",
        "Put the selected cursor, or the first one, where the trace next crosses a level, between samples",
        ("Ctrl+Alt+L",),
        _cursors,
    ),
)
