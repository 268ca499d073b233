"""The actions that say how the trace is drawn; a part of the table of `app.gui.action_table`."""

from __future__ import annotations

from app.gui.actions import ActionSpec


def look_actions(menu: str) -> tuple[ActionSpec, ...]:
    """Value axes, interpolation, colours."""
    return (
        ActionSpec(
            "clear_messages",
            menu,
            "Put &messages away",
            "Close every message above the trace; the cautions stay under Help",
            ("Ctrl+Alt+M",),
        ),
        ActionSpec(
            "axes_by_unit",
            menu,
            "One axis for each &unit",
            "Channels of the same unit lie over one another on one scale, to compare their values",
            group="axes",
            submenu="Value a&xes",
        ),
        ActionSpec(
            "axes_each",
            menu,
            "One axis for each &channel",
            "Channels stand one above the other, each with its own scale, so that none hides another",
            group="axes",
            submenu="Value a&xes",
        ),
        ActionSpec(
            "axes_overlaid",
            menu,
            "All &over one another",
            "Every channel on a scale and a place of its own; the axis is that of the channel looked at",
            group="axes",
            submenu="Value a&xes",
        ),
        ActionSpec(
            "smooth",
            menu,
            "Interpolate &between samples",
            "Draw the band-limited curve (sin x / x) through the samples where there is room; the trace says so",
            ("Ctrl+Shift+I",),
            checkable=True,
        ),
        ActionSpec(
            "look_system",
            menu,
            "As the &system",
            "Colours light or dark as the system has them",
            group="appearance",
            submenu="&Appearance",
        ),
        ActionSpec(
            "look_light",
            menu,
            "&Light",
            "Dark lines on a light ground, for bright rooms and projectors",
            group="appearance",
            submenu="&Appearance",
        ),
        ActionSpec(
            "look_dark",
            menu,
            "&Dark",
            "Light lines on a dark ground, for dim rooms",
            group="appearance",
            submenu="&Appearance",
        ),
    )
