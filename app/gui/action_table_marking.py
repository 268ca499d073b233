"""What helps to mark by eye: stepping, the symbol grid, the level line, the comparison; a part of the table of actions."""

from __future__ import annotations

from app.gui.actions import ActionSpec, Needs, Situation

_GRID = "Symbol gri&d"


def _hand(now: Situation) -> bool:
    return now.has_hand_flips


def marking_actions(menu: str, capture: Needs) -> tuple[ActionSpec, ...]:
    return (
        ActionSpec(
            "walk_crossings",
            menu,
            "Mark from crossing to cross&ing",
            "Step from one zero crossing to the next by key, and set flips: Space goes on, F sets one, Escape ends",
            ("F7",),
            capture,
            checkable=True,
        ),
        ActionSpec(
            "next_difference",
            menu,
            "Next di&fference",
            "Look at the next flip that only you have, or only the decoder; the panel Flips compared lists them",
            ("Ctrl+Shift+Right",),
            _hand,
        ),
        ActionSpec(
            "previous_difference",
            menu,
            "Previous diff&erence",
            "Look at the difference before it between your flips and the decoder's",
            ("Ctrl+Shift+Left",),
            _hand,
        ),
        ActionSpec(
            "lay_grid",
            menu,
            "&Lay a symbol grid",
            "Over the selected span, the burst in mid-view, the flips in view, or as ten symbols; then drag it, or its "
            "ends",
            ("Ctrl+G",),
            capture,
            submenu=_GRID,
            line_before=True,
        ),
        ActionSpec(
            "fit_grid",
            menu,
            "&Fit the grid to the flips",
            "Move and stretch it so that it fits yours, and the automatic ones where you have none",
            ("Ctrl+Shift+G",),
            capture,
            submenu=_GRID,
        ),
        ActionSpec(
            "select_grid",
            menu,
            "&Select the grid, its end, its start",
            "In turn; then the arrow keys move what is selected. In the trace G does the same",
            (),
            capture,
            submenu=_GRID,
        ),
        ActionSpec(
            "tell_grid_rate",
            menu,
            "&Tell the decoder the grid's symbol rate",
            "Decode with the symbol rate of the grid, in baud, from now on instead of finding it out",
            ("Ctrl+Alt+G",),
            capture,
            submenu=_GRID,
        ),
        ActionSpec(
            "remove_grid",
            menu,
            "&Remove the grid",
            "Take the symbol grid away; flips and bits stay as they are",
            (),
            capture,
            submenu=_GRID,
        ),
        ActionSpec(
            "level_line",
            menu,
            "&Level line…",
            "A line at a value of yours, which marks snap to where the trace crosses it; drag it, or choose again to "
            "have none",
            ("Ctrl+Alt+H",),
            capture,
            checkable=True,
        ),
    )
