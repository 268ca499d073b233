"""What the window tells its user without being asked: one sentence, and details to unfold."""

from __future__ import annotations

import traceback
from dataclasses import dataclass
from typing import Literal

from app.errors import HalfturnError, one_line
from dsp.errors import DspError

Weight = Literal["note", "error", "caution"]


@dataclass(frozen=True)
class Message:
    """``details`` stay folded until asked for."""

    text: str
    details: str = ""
    weight: Weight = "note"


def message_of(error: BaseException, doing: str) -> Message:
    """What to tell of an error met while ``doing`` something (``opening vents.csv``).

    Errors of our own carry their sentence. Of any other the sentence says that it was not foreseen, and the
    details hold the traceback for whoever is sent it.
    """
    if isinstance(error, HalfturnError | DspError):
        return Message(str(error), weight="error")
    if isinstance(error, MemoryError):
        return Message(f"There is not enough memory for {doing}.", weight="error")
    what = one_line(error) or type(error).__name__
    details = "".join(traceback.format_exception(error))
    text = f"Something unforeseen happened while {doing}: {what}. Your work is still here; save it."
    return Message(text, details, "error")
