"""What to mind when probing a line and when trusting a decode; shown in the window and in reports."""

from __future__ import annotations

CAUTIONS = (
    "The ground clip of a bench oscilloscope's probe is tied to protective earth: clip it only where that is "
    "safe, or use a differential probe.",
    "Work on extra-low-voltage circuits, with a current-limited supply. Mains wiring is for licensed people "
    "under local codes.",
    "Probe only equipment that you own or may test.",
    "Never rely on a decode for a safety function.",
)
