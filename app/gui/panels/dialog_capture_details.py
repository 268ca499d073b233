"""What the user says of a capture: what was done meanwhile, and how exact the instrument is."""

from __future__ import annotations

from dataclasses import dataclass

from PySide6.QtWidgets import QWidget

from app.gui.panels.dialog_form import FormDialog, number


@dataclass(frozen=True)
class CaptureDetails:
    """Tolerances as stated by the instrument's maker, None while not stated."""

    label: str = ""
    timebase_ppm: float | None = None
    gain_percent: float | None = None


class CaptureDetailsDialog(FormDialog):
    def __init__(self, name: str, known: CaptureDetails, parent: QWidget | None = None) -> None:
        super().__init__(
            f"Describe {name}",
            "The tolerances are those of the instrument that captured; they widen the uncertainty of every "
            "reading. While they are not stated, absolute readings say so.",
            parent,
        )
        self._label = self.add_text(
            "label", "&What was done", known.label, "for example: vent motor 2 told to open"
        )
        self._timebase = self.add_text(
            "timebase", "&Time base tolerance in ppm", _shown(known.timebase_ppm), "not stated"
        )
        self._gain = self.add_text(
            "gain", "&Gain tolerance in percent", _shown(known.gain_percent), "not stated"
        )

    def details(self) -> CaptureDetails:
        """What the fields say; ValueError if one of them is no number."""
        return CaptureDetails(
            self._label.text().strip(), number(self._timebase, "ppm"), number(self._gain, "%", "percent")
        )

    def check(self) -> None:
        said = self.details()
        for field, value in ((self._timebase, said.timebase_ppm), (self._gain, said.gain_percent)):
            if value is not None and value < 0:
                raise ValueError(f"{field.accessibleName()}: a tolerance is zero or more.")


def _shown(value: float | None) -> str:
    return "" if value is None else f"{value:.12g}"
