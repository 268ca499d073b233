"""What the user tells the decoder."""

from __future__ import annotations

from PySide6.QtWidgets import QWidget

from app.gui.panels.dialog_form import FormDialog, number
from app.jobs.settings import TELLABLE_KINDS, check_settings
from app.model.quantity import format_value
from app.model.summary import KIND_WORDS
from dsp.results import LINE_CODES, DecodeSettings

_FIND_OUT = "find out"
_LINE_CODE_WORDS = {
    "plain": "plain: the symbols are the bits",
    "differential": "differential: a change is 1",
    "nrzi": "nrzi: a change is 0",
    "manchester": "manchester: the change in mid-cell is the bit",
    "differential-manchester": "differential-manchester: a change at the cell's start is 0",
}


class DecodeSettingsDialog(FormDialog):
    """Empty fields mean: find out."""

    def __init__(self, known: DecodeSettings, parent: QWidget | None = None) -> None:
        super().__init__(
            "Decode settings",
            "Tell only what you know for certain. What is left empty the decoder finds out from the samples, "
            "and says how sure it is.",
            parent,
        )
        self._carrier = self.add_text(
            "carrier",
            "&Carrier",
            _shown(known.carrier_hz, "Hz"),
            _FIND_OUT,
            "What you know of the carrier, for example 118.4 kHz; empty: it is found out",
        )
        self._rate = self.add_text(
            "symbolRate",
            "&Symbol rate",
            _shown(known.symbol_rate_bd, "Bd"),
            _FIND_OUT,
            "What you know of the symbol rate, for example 9.6 kBd; empty: it is found out",
        )
        self._modulation = self.add_choice(
            "modulation",
            "&Modulation",
            [(_FIND_OUT, None), *((f"{kind}: {KIND_WORDS[kind]}", kind) for kind in TELLABLE_KINDS)],
            known.modulation,
        )
        self._line_code = self.add_choice(
            "lineCode",
            "&Line code",
            [(_FIND_OUT, None), *((_LINE_CODE_WORDS[code], code) for code in LINE_CODES)],
            known.line_code,
        )
        self._polarity = self.add_choice(
            "polarity",
            "&Polarity",
            [("normal", "normal"), ("inverted: every bit turned over", "inverted")],
            known.polarity,
        )

    def settings(self) -> DecodeSettings:
        """What the fields say; ValueError if one of them is no number."""
        return DecodeSettings(
            carrier_hz=number(self._carrier, "Hz"),
            symbol_rate_bd=number(self._rate, "Bd"),
            modulation=self._modulation.currentData(),
            line_code=self._line_code.currentData(),
            polarity=self._polarity.currentData(),
        )

    def check(self) -> None:
        check_settings(self.settings())


def _shown(value: float | None, unit: str) -> str:
    return "" if value is None else format_value(value, unit, 12)
