"""Dialogs on channels: a derived one, what the numbers of one mean, a pair of two."""

from __future__ import annotations

from dataclasses import dataclass

from PySide6.QtCore import Slot
from PySide6.QtWidgets import QWidget

from app.gui.panels.dialog_form import FormDialog, number
from app.model.capture import Capture, Channel
from app.model.channel_functions import FUNCTIONS
from app.model.expressions import channel_source

_RECIPES = (
    ("choose…", ""),
    ("turned over", "-{0}"),
    ("without its level, as through a capacitor", "ac({0}, {slow})"),
    ("what lies below a frequency", "lowpass({0}, {high})"),
    ("what lies above a frequency", "highpass({0}, {low})"),
    ("what lies between two frequencies", "bandpass({0}, {low}, {high})"),
    ("amplitude of a carrier", "envelope(highpass({0}, {low}), {high})"),
    ("later by a time", "delay({0}, {step})"),
    ("difference of two", "{0} - {1}"),
    ("mean of two", "({0} + {1}) / 2"),
)


def _numbers(rate_hz: float) -> dict[str, str]:
    """Round numbers that make sense at a sample rate, to go on from."""
    values = {"slow": rate_hz / 1e4, "low": rate_hz / 200, "high": rate_hz / 10, "step": 1 / rate_hz}
    return {name: f"{value:.1g}" for name, value in values.items()}


def names_quoted(capture: Capture) -> list[str]:
    """Names of the channels as they may stand in an expression."""
    return [c.name if c.name.isidentifier() else f"`{c.name}`" for c in capture.channels]


class DerivedChannelDialog(FormDialog):
    def __init__(self, capture: Capture, known: str, parent: QWidget | None = None) -> None:
        usages = ", ".join(one.usage for one in FUNCTIONS.values())
        super().__init__(
            "Derived channel",
            "Arithmetic on channels: + - * / ( ) and the functions "
            f"{usages}. Numbers may have a prefix (20k, 1.5u), frequencies are in hertz; a name that is no plain word "
            "stands in `backquotes`. It is worked out where it is looked at.",
            parent,
        )
        self._capture = capture
        self._names = names_quoted(capture)
        self._recipe = self.add_choice(
            "recipe", "&Begin with", _RECIPES, "", "Writes an expression to go on from"
        )
        self._text = self.add_text(
            "expression", "&Expression", known, f"for example: highpass({self._names[0]}, 10k)"
        )
        self._recipe.activated.connect(self._begin)
        self._text.setFocus()

    def text(self) -> str:
        return self._text.text().strip()

    def check(self) -> None:
        channel_source(self._capture, self.text())

    @Slot(int)
    def _begin(self, row: int) -> None:
        recipe = self._recipe.itemData(row)
        if recipe:
            self._text.setText(
                recipe.format(self._names[0], self._names[-1], **_numbers(self._capture.rate_hz))
            )
            self._text.setFocus()


@dataclass(frozen=True)
class ChannelMeaning:
    """``value = old * factor + add`` in ``unit``."""

    factor: float
    add: float
    unit: str


class ChannelMeaningDialog(FormDialog):
    def __init__(self, channel: Channel, parent: QWidget | None = None) -> None:
        super().__init__(
            f"Describe channel {channel.name}",
            "What its numbers mean: every value is multiplied and then shifted. For a ten to one probe that the "
            "instrument did not know of multiply by 10; over a shunt of 0.1 ohm by 10 as well, with unit A; to turn the "
            "channel over by -1.",
            parent,
        )
        self._factor = self.add_text("factor", "&Multiply by", "1", "1")
        self._shift = self.add_text("shift", "Then &add", "0", "0")
        self._unit = self.add_text("unit", "&Unit", channel.unit, "V")

    def meaning(self) -> ChannelMeaning:
        """What the fields say; ValueError if one of them is no number."""
        factor, add = number(self._factor), number(self._shift)
        unit = self._unit.text().strip()
        return ChannelMeaning(1.0 if factor is None else factor, 0.0 if add is None else add, unit)

    def check(self) -> None:
        if self.meaning().factor == 0:
            raise ValueError("Multiply by: a factor of zero leaves nothing.")


class PairDialog(FormDialog):
    def __init__(self, names: tuple[str, ...], parent: QWidget | None = None) -> None:
        super().__init__(
            "Difference and mean of a pair",
            "Two probes on the two wires see much in common. The second is matched to the first in gain and delay so "
            "that what both share cancels in the difference; both become derived channels with the numbers found. "
            "The selected span is looked at, if there is one.",
            parent,
        )
        choices = [(name, name) for name in names]
        self._first = self.add_choice("first", "&First", choices, names[0])
        self._second = self.add_choice("second", "&Second, matched to it", choices, names[1])

    def pair(self) -> tuple[str, str]:
        return self._first.currentData(), self._second.currentData()

    def check(self) -> None:
        if self._first.currentData() == self._second.currentData():
            raise ValueError("Choose two different channels.")
