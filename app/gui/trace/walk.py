"""Stepping through the trace from one half cycle of the carrier to the next, with flips set by key.

While it goes on, `KEYS` mean what stands there; all others keep their meaning.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeyEvent

from app.gui.trace.api import FlipView
from app.gui.trace.snapping import Place
from app.gui.trace.ticks import time_text

if TYPE_CHECKING:
    from app.gui.trace.control import TraceControl

KEYS = (
    ("Space, Right; Left", "to the next crossing, or place where the trace turns back; to the one before"),
    ("F, Enter", "set a flip here, and go on"),
    ("Backspace", "back by one step; the flip set by it goes"),
    ("Delete", "take the flip here away; take a struck-out one back in"),
    ("Shift+Right, Shift+Left", "on and back by a symbol, or by ten crossings where no symbol is known"),
    ("Escape", "end stepping"),
)

_Key = Qt.Key
_Held = Qt.KeyboardModifier
_WIDE = 100.0  # half cycles in view: from here on they cannot be told apart
_SHOWN = 24.0  # half cycles shown then
_MARGIN = 0.12  # of the view: nearer to its ends the view moves on
_HERE = 0.25  # of half a cycle: a flip so near is the one here
_STRIDE = 10.0  # half cycles


class Walk:
    """Acts on a control; ``at_s`` is where it stands, None while it does not go on."""

    def __init__(self, control: TraceControl) -> None:
        self._control = control
        self._half_s = 0.0
        self._trail: list[tuple[float, bool]] = []
        self.at_s: float | None = None
        self._turned = False

    @property
    def active(self) -> bool:
        return self.at_s is not None

    def begin(self, time_s: float) -> bool:
        """Start at the place nearest to a time; False where there is none."""
        from statistics import median

        places = self._control.snapper.places(time_s)
        if len(places) < 2:
            return False
        gaps = [b.time_s - a.time_s for a, b in pairwise(places)]
        self._half_s = median(gaps)
        self._trail = []
        view = self._control.view
        if view.width_s > _WIDE * self._half_s:
            width_s = _SHOWN * self._half_s
            self._control.range_wanted.emit(view.shown(time_s - width_s / 2, time_s + width_s / 2))
        self._control.select(None)
        self._stand(min(places, key=lambda place: abs(place.time_s - time_s)))
        self._control.walk_changed.emit(True)
        return True

    def end(self) -> None:
        self.at_s = None
        self._control.shown.walker = None
        self._control.canvas.marks_changed()
        self._control.walk_changed.emit(False)
        self._control.mouse_hint.emit("")

    def hint(self) -> str:
        """Where it stands, and what the keys do."""
        if self.at_s is None:
            return ""
        where = time_text(self.at_s, self._control.canvas.time_scale().seconds_per_pixel)
        here = "turns back here" if self._turned else "crosses here"
        return (
            f"{where}, {here} · Space: next · F: flip, next · Backspace: back · Shift+Right: a symbol on · "
            "Esc: end"
        )

    def press(self, event: QKeyEvent) -> bool:
        """Whether the key meant something."""
        key, held = event.key(), event.modifiers()
        if self.at_s is None or held & (_Held.ControlModifier | _Held.AltModifier | _Held.MetaModifier):
            return False
        forward = key in (_Key.Key_Space, _Key.Key_Right)
        if forward or key == _Key.Key_Left:
            by = 1 if forward else -1
            if held & _Held.ShiftModifier:
                self._stride(by)
            else:
                self._step(by)
        elif key in (_Key.Key_F, _Key.Key_Return, _Key.Key_Enter):
            self._flip()
        elif key == _Key.Key_Backspace:
            self._back()
        elif key == _Key.Key_Delete:
            self.delete()
        elif key == _Key.Key_Escape:
            self.end()
        else:
            return False
        return True

    def delete(self) -> None:
        """Take away the flip here."""
        flip = self._flip_here()
        if flip is not None:
            self._control.flip_delete_wanted.emit(flip)

    def flips_changed(self) -> None:
        """Where the flip set last was undone, stand there again."""
        flipped = [i for i, (_, was_set) in enumerate(self._trail) if was_set]
        if self.at_s is None or not flipped:
            return
        time_s = self._trail[flipped[-1]][0]
        flip = self._flip_at(time_s)
        if flip is None or flip.origin != "hand":
            del self._trail[flipped[-1] :]
            self._stand(self._place_at(time_s))

    # --- steps

    def _step(self, by: int, flipped: bool = False) -> None:
        if self.at_s is None:
            return
        found = self._control.snapper.next_place(self.at_s, by)
        if found is None:
            self._control.mouse_hint.emit("No crossing that way any more · " + self.hint())
            # the flip that was set is still to be taken back from here
            if flipped:
                self._trail.append((self.at_s, True))
            return
        self._trail.append((self.at_s, flipped))
        self._stand(found)

    def _stride(self, by: int) -> None:
        if self.at_s is None:
            return
        aim_s = self.at_s + by * self._symbol_s()
        places = [p for p in self._control.snapper.places(aim_s) if (p.time_s - self.at_s) * by > 0]
        if not places:
            self._step(by)
            return
        self._trail.append((self.at_s, False))
        self._stand(min(places, key=lambda place: abs(place.time_s - aim_s)))

    def _flip(self) -> None:
        flip = self._flip_here()
        fresh = flip is None or flip.origin != "hand"
        if fresh and self.at_s is not None:
            self._control.flip_place_wanted.emit(self.at_s)
        self._step(1, flipped=fresh)

    def _back(self) -> None:
        if not self._trail:
            self._step(-1)
            self._trail.clear()
            return
        time_s, flipped = self._trail.pop()
        self._stand(self._place_at(time_s))
        flip = self._flip_here()
        if flipped and flip is not None and flip.origin == "hand":
            self._control.flip_delete_wanted.emit(flip)

    def _stand(self, place: Place) -> None:
        control, view = self._control, self._control.view
        self.at_s, self._turned = place.time_s, place.turned
        margin_s = _MARGIN * view.width_s
        if place.time_s > view.end_s - margin_s:
            control.range_wanted.emit(view.panned(place.time_s - view.start_s - 3 * margin_s))
        elif place.time_s < view.start_s + margin_s:
            control.range_wanted.emit(view.panned(place.time_s - view.end_s + 3 * margin_s))
        control.shown.walker = (place.time_s, "turns back" if place.turned else "crosses")
        control.canvas.marks_changed()
        control.mouse_hint.emit(self.hint())

    def _place_at(self, time_s: float) -> Place:
        places = self._control.snapper.places(time_s)
        nearest = min(places, key=lambda place: abs(place.time_s - time_s), default=Place(time_s, False))
        return Place(time_s, nearest.turned)

    def _flip_here(self) -> FlipView | None:
        return None if self.at_s is None else self._flip_at(self.at_s)

    def _flip_at(self, time_s: float) -> FlipView | None:
        """A flip by hand before any other that is as near."""
        reach_s = _HERE * self._half_s
        near = self._control.shown.flips.between(time_s - reach_s, math.nextafter(time_s + reach_s, math.inf))
        return min(near, key=lambda flip: (flip.origin != "hand", flip.origin == "removed"), default=None)

    def _symbol_s(self) -> float:
        shown = self._control.shown
        burst = None if self.at_s is None else shown.lane.at(self.at_s)
        if shown.grid is not None:
            return shown.grid.period_s
        if burst is not None and burst.symbol_period_s > 0:
            return burst.symbol_period_s
        return _STRIDE * self._half_s
