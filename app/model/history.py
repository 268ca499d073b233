"""The steps that can be undone: snapshots, so that going back cannot go wrong."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, replace
from itertools import count

from app.model.items import SessionData


@dataclass(frozen=True, eq=False)
class Step:
    """One change. ``serial`` names the state after it and is never used twice."""

    label: str
    before: SessionData
    after: SessionData
    serial: int
    merge: Hashable
    opening: bool


class History:
    """What was done, oldest first, with a place in it; steps after that place can be redone.

    Parameters
    ----------
    limit : steps kept; the oldest are forgotten.
    """

    def __init__(self, limit: int = 500) -> None:
        self._limit = limit
        self._serials = count(1)
        self._steps: list[Step] = []
        self._place = 0
        self._base_serial = 0
        self._saved_serial = 0

    def mergeable_base(self, merge: Hashable) -> SessionData | None:
        """The state before the gesture, if the last step belongs to the gesture ``merge``."""
        if merge is None or not self._place or self._place != len(self._steps):
            return None
        last = self._steps[-1]
        return last.before if last.merge == merge else None

    def push(
        self,
        label: str,
        before: SessionData,
        after: SessionData,
        merge: Hashable = None,
        *,
        opening: bool = False,
    ) -> None:
        """Record a change that has been made; what could be redone is forgotten.

        With ``before`` from `mergeable_base` the last step grows instead of a new one being made, and goes
        if the gesture has come back to where it began.
        """
        if after is before:
            if self.mergeable_base(merge) is before:
                self._steps.pop()
                self._place -= 1
            return
        step = Step(label, before, after, next(self._serials), merge, opening)
        if self.mergeable_base(merge) is before:
            self._steps[-1] = step
            return
        del self._steps[self._place :]
        self._steps.append(step)
        if len(self._steps) > self._limit:
            self._base_serial = self._steps.pop(0).serial
        self._place = len(self._steps)

    def undo(self) -> SessionData:
        """Step back and give the state before the step; IndexError if there is none."""
        if not self._place:
            raise IndexError("nothing to undo")
        self._place -= 1
        return self._steps[self._place].before

    def redo(self) -> SessionData:
        if self._place == len(self._steps):
            raise IndexError("nothing to redo")
        self._place += 1
        return self._steps[self._place - 1].after

    def amend(self, change: Callable[[SessionData], SessionData]) -> None:
        """Put down in every state what was found out meanwhile and is nobody's change."""
        known: dict[int, SessionData] = {}

        def amended(data: SessionData) -> SessionData:
            # the same state stands at the end of one step and the beginning of the next
            return known.setdefault(id(data), change(data))

        self._steps = [
            replace(step, before=amended(step.before), after=amended(step.after)) for step in self._steps
        ]

    @property
    def undo_label(self) -> str | None:
        return self._steps[self._place - 1].label if self._place else None

    @property
    def redo_label(self) -> str | None:
        return self._steps[self._place].label if self._place < len(self._steps) else None

    @property
    def serial(self) -> int:
        """Names the present state."""
        return self._steps[self._place - 1].serial if self._place else self._base_serial

    def mark_saved(self, serial: int) -> None:
        """The state with this serial is what the file holds."""
        self._saved_serial = serial

    @property
    def is_saved(self) -> bool:
        return self.serial == self._saved_serial

    @property
    def only_openings(self) -> bool:
        """Nothing was done to the present state but opening captures and looking at them."""
        return self._base_serial == 0 and all(step.opening for step in self._steps[: self._place])
