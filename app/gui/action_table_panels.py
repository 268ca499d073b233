"""The actions that give the keyboard to one part of the window; a part of the table of actions."""

from __future__ import annotations

from app.gui.actions import ActionSpec, Situation

PANELS = (
    ("trace", "&Trace", "traceArea"),
    ("readings", "&Readings", "readingsPanel"),
    ("channels", "&Channels", "channels"),
    ("bursts", "What is &sent", "burstsPanel"),
    ("pictures", "&Pictures", "picturesPanel"),
    ("notes", "&Notes", "notesPanel"),
    ("warnings", "&Warnings", "warningsPanel"),
    ("checks", "C&heck", "checksPanel"),
    ("comparison", "Flips c&ompared", "comparisonPanel"),
)
"""Name of the action after ``to_``, its text, and the object that gets the keyboard; in the order of their keys."""


def _capture(now: Situation) -> bool:
    return now.has_capture


def panel_actions(menu: str) -> tuple[ActionSpec, ...]:
    return tuple(
        ActionSpec(
            f"to_{name}",
            menu,
            text,
            f"Show the {'' if name == 'trace' else 'panel '}{text.replace('&', '')} and give it the keyboard",
            (f"Ctrl+{number}",),
            _capture,
            submenu="&Go to",
        )
        for number, (name, text, _) in enumerate(PANELS, 1)
    )
