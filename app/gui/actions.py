"""What an action of the window is, and what decides whether it can be taken; nothing here knows Qt."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Situation:
    """What decides whether an action can be taken."""

    has_capture: bool = False
    has_span: bool = False
    has_decode: bool = False
    has_flips: bool = False
    has_hand_flips: bool = False
    has_burst: bool = False
    has_pins: bool = False
    has_cursors: bool = False
    has_session: bool = False
    busy: bool = False
    undo_label: str | None = None
    redo_label: str | None = None


Needs = Callable[[Situation], bool]


def always(_now: Situation) -> bool:
    return True


@dataclass(frozen=True)
class ActionSpec:
    """One action. ``group`` makes it one choice of several, ``submenu`` puts it one level down."""

    name: str
    menu: str
    text: str
    tip: str
    keys: tuple[str, ...] = ()
    needs: Needs = always
    group: str = ""
    checkable: bool = False
    submenu: str = ""
    line_before: bool = False
    brief: str = ""


def step_text(verb: str, label: str | None) -> str:
    """Text of Undo and Redo with the step they would take: ``&Undo move cursor A``."""
    return f"&{verb} {label}" if label else f"&{verb}"
