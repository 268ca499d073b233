"""What of a session goes into a copy for somebody else, and how large the copy will be."""

from __future__ import annotations

from PySide6.QtCore import Qt, Slot
from PySide6.QtWidgets import QCheckBox, QLabel, QListWidget, QListWidgetItem, QWidget

from app.errors import UsageError
from app.files.session_size import written_bytes
from app.gui.panels.dialog_form import FormDialog
from app.model.items import SessionData
from app.model.quantity import format_value
from app.model.sharing import Kept, shared

Span = tuple[float, float]


class ShareDialog(FormDialog):
    """`copy` is the session cut down to what is ticked; None while that makes no sense."""

    def __init__(
        self, data: SessionData, capture: int, span_s: Span | None, parent: QWidget | None = None
    ) -> None:
        super().__init__(
            "Share a copy",
            "Ticked stretches and channels go into a session of their own, with the marks, notes and results on them. "
            "It opens anywhere, without the original capture. Without a stretch ticked all of the capture goes in.",
            parent,
        )
        self._data, self._capture = data, capture
        self.copy: SessionData | None = None
        stretches = [] if span_s is None else [("the selected span", span_s)]
        stretches += [(one.name, (one.start_s, one.end_s)) for one in data.spans if one.capture == capture]
        self._spans = [span for _, span in stretches]
        self.spans = self._list(
            "spans",
            "Stretches",
            [f"{name}: {format_value(a, 's')} to {format_value(b, 's')}" for name, (a, b) in stretches],
            ticked=1 if span_s is not None else 0,
        )
        names = [channel.name for channel in data.captures[capture].channels]
        self.channels = self._list("channels", "Channels", names, ticked=len(names))
        self.others = QCheckBox("The other captures, whole", self)
        self.others.setObjectName("others")
        self.others.setAccessibleName("The other captures, whole")
        self.others.setEnabled(len(data.captures) > 1)
        self.others.toggled.connect(self._measure)
        self.form.addRow("", self.others)
        self.told_size = QLabel("", self)
        self.told_size.setObjectName("size")
        self.told_size.setAccessibleName("Size of the copy")
        self.form.addRow("Size", self.told_size)
        self._measure()

    def check(self) -> None:
        """Raise `UsageError` while there is no copy to make of this."""
        self.copy = shared(self._data, self._kept())

    def _kept(self) -> list[Kept]:
        spans = tuple(self._spans[n] for n in _ticked(self.spans))
        names = tuple(self.channels.item(n).text() for n in _ticked(self.channels))
        kept = [Kept(self._capture, spans, names)]
        if self.others.isChecked():
            kept += [Kept(n) for n in range(len(self._data.captures)) if n != self._capture]
        return kept

    @Slot()
    def _measure(self) -> None:
        try:
            size = written_bytes(shared(self._data, self._kept()))
            self.told_size.setText(
                f"about {size / 1e6:.1f} MB" if size >= 1e6 else f"about {size / 1e3:.1f} kB"
            )
        except UsageError as error:
            self.told_size.setText(str(error))

    def _list(self, name: str, label: str, texts: list[str], ticked: int) -> QListWidget:
        made = QListWidget(self)
        made.setObjectName(name)
        made.setAccessibleName(label)
        made.setMaximumHeight(120)
        for n, text in enumerate(texts):
            item = QListWidgetItem(text, made)
            item.setFlags(item.flags() | Qt.ItemFlag.ItemIsUserCheckable)
            item.setCheckState(Qt.CheckState.Checked if n < ticked else Qt.CheckState.Unchecked)
        made.itemChanged.connect(self._measure)
        self.form.addRow(label, made)
        return made


def _ticked(widget: QListWidget) -> list[int]:
    return [n for n in range(widget.count()) if widget.item(n).checkState() == Qt.CheckState.Checked]
