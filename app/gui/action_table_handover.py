"""Actions that hand work on: reports, exports, copies, another person's session."""

from __future__ import annotations

from app.gui.actions import ActionSpec, Situation

_FILE = "&File"
_HAND_ON = "&Hand on"


def _capture(now: Situation) -> bool:
    return now.has_capture


HANDOVER = (
    ActionSpec(
        "write_report",
        _FILE,
        "Write &report…",
        "One page that stands alone: signal sheet, pictures, bursts, notes, digests",
        ("Ctrl+Alt+R",),
        _capture,
        submenu=_HAND_ON,
    ),
    ActionSpec(
        "export_data",
        _FILE,
        "Export &data…",
        "Bits, bursts, marks, or the samples of the span, for other programs",
        ("Ctrl+Alt+X",),
        _capture,
        submenu=_HAND_ON,
    ),
    ActionSpec(
        "share_copy",
        _FILE,
        "&Share a copy…",
        "A smaller session of chosen stretches and channels, with what stands on them",
        (),
        _capture,
        submenu=_HAND_ON,
    ),
    ActionSpec(
        "save_linked",
        _FILE,
        "Save with &links to the captures…",
        "A small session that names the captures' files by path and digest instead of holding their samples",
        (),
        _capture,
        submenu=_HAND_ON,
    ),
    ActionSpec(
        "check_decodes",
        _FILE,
        "&Check the decodes",
        "Decode the session again from its own samples and settings, and compare burst by burst",
        ("Ctrl+Alt+V",),
        _capture,
        submenu=_HAND_ON,
    ),
    ActionSpec(
        "second_opinion",
        _FILE,
        "Take in a second &opinion…",
        "Another person's session on these captures: their marks beside yours, differences listed",
        (),
        _capture,
        submenu=_HAND_ON,
    ),
)
