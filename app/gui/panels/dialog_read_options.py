"""What the user tells about a file that does not say it itself."""

from __future__ import annotations

from PySide6.QtWidgets import QLineEdit, QWidget

from app.files.capture_options import ReadOptions
from app.gui.panels.dialog_form import FormDialog, number

_FROM_FILE = "as the file says"
_TYPES = ("int8", "uint8", "int16", "uint16", "int32", "uint32", "float32", "float64")


class ReadOptionsDialog(FormDialog):
    """Empty fields mean: as the file says."""

    def __init__(self, known: ReadOptions, parent: QWidget | None = None) -> None:
        super().__init__(
            "Open with details",
            "For files that do not say their own sample rate, scale or number type. What is left empty is "
            "taken from the file.",
            parent,
        )
        self._rate = self.add_text(
            "rate",
            "Sample &rate",
            _shown(known.rate_hz),
            _FROM_FILE,
            "Samples in a second, for example 5 MSa/s",
        )
        choices: list[tuple[str, object]] = [(_FROM_FILE, None), *((name, name) for name in _TYPES)]
        if known.dtype is not None and known.dtype not in _TYPES:
            choices.append((known.dtype, known.dtype))
        self._dtype = self.add_choice("dtype", "&Number type of raw samples", choices, known.dtype)
        self._channels = self.add_text("channels", "&Channels in raw samples", _shown(known.channels), "1")
        self._skip = self.add_text(
            "skip", "Bytes to s&kip before raw samples", _shown(known.skip or None), "0"
        )
        self._order = self.add_choice(
            "order",
            "&Order of raw samples",
            [("one of each channel in turn", True), ("channel after channel", False)],
            known.interleaved,
        )
        self._scale = self.add_text(
            "scale",
            "&Scale",
            _shown(known.scale),
            _FROM_FILE,
            "How much of the unit one step of the stored numbers is",
        )
        self._offset = self.add_text("offset", "O&ffset", _shown(known.offset), _FROM_FILE)
        self._unit = self.add_text("unit", "&Unit", known.unit or "", _FROM_FILE)

    def options(self) -> ReadOptions:
        """What the fields say; ValueError or UsageError if one of them makes no sense."""
        return ReadOptions(
            rate_hz=number(self._rate, "Sa/s", "S/s", "Hz"),
            dtype=self._dtype.currentData(),
            channels=_whole(self._channels),
            scale=number(self._scale),
            offset=number(self._offset),
            unit=self._unit.text().strip() or None,
            skip=_whole(self._skip) or 0,
            interleaved=self._order.currentData(),
        )

    def check(self) -> None:
        self.options()


def _shown(value: float | None) -> str:
    return "" if value is None else f"{value:.12g}"


def _whole(field: QLineEdit) -> int | None:
    value = number(field)
    if value is not None and value != int(value):
        raise ValueError(f"{field.accessibleName()}: {field.text().strip()} is no whole number.")
    return None if value is None else int(value)
