"""The actions on channels: derived ones, pairs, what their numbers mean."""

from __future__ import annotations

from app.gui.actions import ActionSpec, Needs


def channel_actions(menu: str, needs: Needs) -> tuple[ActionSpec, ...]:
    """In the order in which they stand in the ``menu``; all ``needs`` a capture."""
    return (
        ActionSpec(
            "derived_channel",
            menu,
            "&Derived channel…",
            "Look at and decode arithmetic on channels, filters, a delay",
            ("Ctrl+Shift+C",),
            needs,
        ),
        ActionSpec(
            "pair_channels",
            menu,
            "&Pair of channels",
            "Match two probes in gain and delay, and look at their difference and mean",
            ("Ctrl+Shift+H",),
            needs,
        ),
        ActionSpec(
            "describe_channel",
            menu,
            "Channel's &meaning…",
            "Say the probe's factor, a shift and the unit of this channel, so that readings come out in volts or amperes",
            (),
            needs,
        ),
    )
