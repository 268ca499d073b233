"""One line that says what the mouse would do here."""

from __future__ import annotations

from app.gui.trace.api import FlipView, GridHandle, Tool
from app.gui.trace.gestures import Hit, Zone
from app.gui.trace.marks_shown import Mark, MarksShown
from app.gui.trace.ticks import time_text
from app.model.items import Cursor

_PLAIN: dict[Tool, str] = {
    "pan": "drag: move the view",
    "zoom": "drag: mark the stretch to fill the view",
    "span": "drag: select a span",
    "flip": "click: place a flip",
}
_ALWAYS = "wheel: zoom here"


def hint_text(hit: Hit, time_s: float, pixel_s: float, tool: Tool, shown: MarksShown) -> str:
    """``pixel_s`` tells how finely the pointer's time can be read."""
    where = time_text(time_s, pixel_s)
    return " · ".join((where, *_parts(hit, tool, shown, time_s, pixel_s)))


def selected_text(mark: Mark, shown: MarksShown, pixel_s: float) -> str:
    """What is selected, where it stands, and what the keys do with it."""
    where = time_text(mark.time_s, pixel_s)
    arrows = "arrows: a sample · Shift: a crossing · Alt: a symbol edge · Shift+Alt: what marks snap to"
    if isinstance(mark, Cursor):
        return f"cursor {mark.name} at {where} · {arrows}"
    if isinstance(mark, GridHandle):
        what = "symbol grid" if mark.part == "whole" else f"{mark.part} of the symbol grid"
        do = "move" if mark.part == "whole" else "stretch"
        said = "" if shown.grid is None else f" · {shown.grid.text}"
        return f"{what} at {where}{said} · arrows {do} it · Up, Down: a symbol more, fewer"
    if mark.origin == "removed":
        return f"struck-out flip at {where} · Delete: take it back in"
    name = "flip found" if mark.origin == "auto" else "flip set by hand"
    return f"{name} at {where} · {arrows} · Delete"


def _parts(hit: Hit, tool: Tool, shown: MarksShown, time_s: float, pixel_s: float) -> tuple[str, ...]:
    if isinstance(hit.mark, Cursor):
        return f"cursor {hit.mark.name}", "drag or click and arrow keys: move it"
    if isinstance(hit.mark, FlipView):
        return _flip(hit, hit.mark, tool, pixel_s)
    if isinstance(hit.mark, GridHandle):
        said = "" if shown.grid is None else shown.grid.text
        if hit.mark.part == "whole":
            return "symbol grid", said, "drag: move it", "drag an end: stretch it"
        return f"{hit.mark.part} of the symbol grid", said, "drag: stretch it, the other end stays"
    if hit.zone is Zone.LEVEL:
        return "level line", "drag: move it", "marks snap to its crossings"
    if hit.zone in (Zone.SPAN_START, Zone.SPAN_END):
        return ("drag: move this edge of the span",)
    burst = shown.lane.at(time_s)
    symbol: tuple[str, ...] = ()
    if burst is not None and burst.symbol_period_s > 0:
        k = int((time_s - burst.first_symbol_s) // burst.symbol_period_s)
        if 0 <= k < len(burst.symbols):
            sure = f", {burst.confidence[k]:.3f} certain" if k < len(burst.confidence) else ""
            symbol = (f"symbol {k + 1} of {len(burst.symbols)}: {burst.symbols[k]}{sure}",)
    flip = () if tool == "flip" else ("F: place a flip",)
    span = () if tool == "span" else ("Shift+drag: select a span",)
    return *symbol, _PLAIN[tool], _ALWAYS, *flip, *span


def _flip(hit: Hit, flip: FlipView, tool: Tool, pixel_s: float) -> tuple[str, ...]:
    if flip.origin == "removed":
        return "struck-out flip", "Delete: take it back in"
    name = {"auto": "flip found", "hand": "flip set by hand"}[flip.origin]
    wide = ""
    if flip.interval_s is not None:
        half = (flip.interval_s[1] - flip.interval_s[0]) / 2
        wide = f" ± {time_text(half, half / 10)}"
    movable = hit.zone is Zone.FLIP_HEAD or tool == "flip"
    do = "drag: move it" if movable else "drag its head: move it"
    away = "Delete: strike it out" if flip.origin == "auto" else "Delete: take it away"
    return f"{name} at {time_text(flip.time_s, pixel_s)}{wide}", do, away
