"""What can be done to bursts; a part of the table of actions."""

from __future__ import annotations

from app.gui.actions import ActionSpec, Situation

BURSTS = "&Bursts"


def _bursts(now: Situation) -> bool:
    return now.has_capture and now.has_decode


def _burst(now: Situation) -> bool:
    return now.has_burst


BURST_ACTIONS: tuple[ActionSpec, ...] = (
    ActionSpec(
        "next_burst",
        BURSTS,
        "&Next burst",
        "Select the next row of the table of bursts and show its trace",
        ("Ctrl+Down",),
        _bursts,
    ),
    ActionSpec(
        "previous_burst",
        BURSTS,
        "&Previous burst",
        "Select the row before it in the table of bursts and show its trace",
        ("Ctrl+Up",),
        _bursts,
    ),
    ActionSpec(
        "rename_burst",
        BURSTS,
        "Na&me the burst",
        "Give the selected burst a name of yours, such as what it answers to; it is kept in the session",
        ("Ctrl+R",),
        _burst,
        line_before=True,
    ),
    ActionSpec(
        "exclude_burst",
        BURSTS,
        "&Leave out, or take back in",
        "Mark the selected bursts as not to count; they stay in the table, struck out",
        ("Ctrl+Shift+X",),
        _burst,
    ),
    ActionSpec(
        "decode_burst",
        BURSTS,
        "Decode it &again…",
        "Decode the selected burst alone, with settings that you tell",
        ("Ctrl+Shift+R",),
        _burst,
    ),
    ActionSpec(
        "turn_symbol",
        BURSTS,
        "&Turn a symbol over",
        "Decide that the symbol at the pointer, or at the selected cursor, is the other one; a double click in the "
        "lane does the same",
        ("Ctrl+I",),
        _bursts,
        line_before=True,
    ),
)
