"""What the caption of a figure says until the user writes another one: only what is in it, measured values with their
standard uncertainty."""

from __future__ import annotations

import re
from collections.abc import Sequence

from app.gui.pictures.api import Picture
from app.gui.trace.contents import TraceContents
from app.model.capture import Capture
from app.model.corrections import CorrectedBurst
from app.model.quantity import format_quantity, format_value
from app.model.tolerance import Tolerance

_FLIPS = {
    "auto": "wedges: phase flips found automatically",
    "hand": "diamonds: flips set by hand",
    "removed": "crosses: flips struck out by hand",
}
_KNOWN_PLACES = 5
_MINUS = re.compile(r"(?<![\w.)-])-(?=\d)")


def trace_caption(
    capture: Capture,
    channel: str,
    contents: TraceContents,
    bursts: Sequence[CorrectedBurst],
    tolerance: Tolerance,
) -> str:
    """``bursts`` are those of the channel."""
    stretch = (contents.start_s, contents.end_s)
    place = (
        f"{format_value(stretch[0], 's', _KNOWN_PLACES)} to {format_value(stretch[1], 's', _KNOWN_PLACES)}"
    )
    others = sum(len(row.envelopes) for row in contents.rows) - 1
    also = f" with {others} other channel{'s' if others > 1 else ''}" if others > 0 else ""
    said = f" ({capture.label})" if capture.label else ""
    parts = [f"{channel}{also} of {capture.name}{said}, {place}."]
    inside = [one for one in bursts if one.basis.start_s < stretch[1] and one.basis.end_s > stretch[0]]
    if inside:
        parts.append(_sent(inside, tolerance))
    if legend := _legend(contents):
        parts.append(legend)
    return with_minus(" ".join(parts))


def picture_caption(capture: Capture, channel: str, picture: Picture) -> str:
    said = f" ({capture.label})" if capture.label else ""
    # what a click does is of no use on paper
    sentences = [one.strip() for one in picture.note.split(". ") if not one.startswith("A click")]
    note = ". ".join(sentences)
    text = f"{picture.title}, {channel} of {capture.name}{said}. {note}".strip()
    return with_minus(text if text.endswith(".") else f"{text}.")


def with_minus(text: str) -> str:
    """The sign of print before negative numbers."""
    return _MINUS.sub("\N{MINUS SIGN}", text)


def _sent(bursts: Sequence[CorrectedBurst], tolerance: Tolerance) -> str:
    talkers = sorted({one.basis.talker for one in bursts if one.basis.talker is not None})
    who = ""
    if talkers:
        names = " and ".join([", ".join(map(str, talkers[:-1])), str(talkers[-1])] if talkers[1:] else ["0"])
        names = names if talkers[1:] else str(talkers[0])
        who = f" of talker{'s' if talkers[1:] else ''} {names}"
    words = [f"{len(bursts)} burst{'s' if len(bursts) > 1 else ''}{who}"]
    if len(talkers) <= 1:
        basis = bursts[0].basis
        if basis.carrier_hz:
            words.append(f"carrier {format_quantity(basis.carrier_hz, basis.carrier_std_hz, 'Hz')}")
        if basis.symbol_rate_bd:
            words.append(f"{format_quantity(basis.symbol_rate_bd, basis.symbol_rate_std_bd, 'Bd')}")
    text = ", ".join(words)
    if tolerance.timebase_ppm is None and len(words) > 1:
        text += " (time base tolerance not stated)"
    return text + "."


def _legend(contents: TraceContents) -> str:
    words = [
        text
        for origin, text in _FLIPS.items()
        if contents.flips.places(origin, contents.start_s, contents.end_s).size  # type: ignore[arg-type]
    ]
    if (
        (grid := contents.grid) is not None
        and grid.start_s < contents.end_s
        and grid.end_s > contents.start_s
    ):
        words.append(
            f"bar under the trace: grid of {grid.count} symbols of {format_value(grid.period_s, 's')}, laid by hand"
        )
    if contents.level is not None:
        words.append("dotted line across: a level set by hand")
    lane = contents.lane.between(contents.start_s, contents.end_s)
    if any(one.symbols for one in lane):
        words.append("boxes: decoded symbols, the height is the value, bars below them doubt")
    if not words:
        return ""
    text = "; ".join(words) + "."
    return text[0].upper() + text[1:]
