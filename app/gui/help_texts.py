"""Texts of the help menu."""

from __future__ import annotations

import platform

from app.gui.action_table import ACTIONS, MENUS
from app.version import program_version

_MOUSE = (
    ("Wheel", "zooms in time about the pointer"),
    ("Drag", "does what the mouse tool on the toolbar says"),
    ("Drag a cursor, an edge of the span or the head of a flip", "moves it, with any tool"),
    (
        "Drag the bar of the symbol grid, or an end of it",
        "moves the grid; stretches it, the other end staying",
    ),
    ("Drag the level line", "moves it up and down"),
    ("Shift and drag", "selects a span, with any tool"),
    ("Middle button and drag", "moves the view"),
    ("Control and wheel, Control and drag", "scales and shifts the values under the pointer"),
    ("Alt while dragging", "leaves snapping off"),
    ("Double click on a symbol in the lane", "turns that symbol over; the bits follow"),
    ("Double click on a burst or a reading in its table", "fits the burst into the view; pins the reading"),
    ("Escape", "gives up the drag"),
)


def next_step(*, has_capture: bool, has_decode: bool, has_bursts: bool) -> str:
    """What to do next, for whoever does not point at anything."""
    if not has_capture:
        return "Open a capture, or drop files on the window"
    if not has_decode:
        return "Next: decode the whole capture (Ctrl+D), or select a span first (Shift and drag)"
    if not has_bursts:
        return "Next: tell the decoder what you know (Decode > Settings…), or select a span and decode that"
    return "Select a burst below to see it; point at the trace to see what the mouse does there"


def shortcuts_html() -> str:
    """All keys by menu, as the table of actions has them, and what the mouse does."""
    from html import escape

    from app.gui.trace.keys import KEYS
    from app.gui.trace.walk import KEYS as WALK_KEYS

    parts = []
    for menu in MENUS:
        rows = "".join(
            f"<tr><td><b>{escape(' or '.join(spec.keys))}</b>&nbsp;&nbsp;</td>"
            f"<td>{escape(spec.text.replace('&', ''))}</td></tr>"
            for spec in ACTIONS
            if spec.menu == menu and spec.keys
        )
        parts.append(f"<h3>{escape(menu.replace('&', ''))}</h3><table>{rows}</table>")
    for heading, lines in (
        ("Keys in the trace", KEYS),
        ("Keys while marking from crossing to crossing", WALK_KEYS),
        ("Mouse over the trace", _MOUSE),
    ):
        rows = "".join(
            f"<tr><td><b>{escape(what)}</b>&nbsp;&nbsp;</td><td>{escape(does)}</td></tr>"
            for what, does in lines
        )
        parts.append(f"<h3>{heading}</h3><table>{rows}</table>")
    return "".join(parts)


def about_html() -> str:
    from html import escape

    import h5py
    import numpy
    import pyqtgraph
    import PySide6

    libraries = {
        "Python": platform.python_version(),
        "PySide6": PySide6.__version__,
        "pyqtgraph": pyqtgraph.__version__,
        "numpy": numpy.__version__,
        "h5py": h5py.__version__,
    }
    rows = "".join(
        f"<tr><td>{name}&nbsp;&nbsp;</td><td>{version}</td></tr>" for name, version in libraries.items()
    )
    return (
        f"<h3>Halfturn {escape(program_version())}</h3>"
        "<p>Finds out how an undocumented two-wire link signals, from oscilloscope captures.</p>"
        f"<table>{rows}</table>"
    )
