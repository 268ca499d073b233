"""What the capture is warned of: what, how often, where first, with a way there."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QModelIndex, QObject, Qt, Signal, Slot
from PySide6.QtWidgets import QVBoxLayout, QWidget

from app.gui.panels.table import AnyIndex, RowsModel, RowTable
from app.model.capture import Capture
from app.model.quantity import format_value

if TYPE_CHECKING:
    from dsp.results import Notice

_AROUND_SAMPLES = 200
_NOTHING = "Nothing was found wrong in this capture: no gaps, no clipping, no samples missing."
_NOTHING_YET = (
    "Nothing was found wrong. Of so long a capture a part is looked at first; all of it has been when the bar below, "
    "Looking over, has come to its end."
)
_TITLES = ("Warning", "Times", "First at", "What it is about")


def time_of(capture: Capture, sample: int | None) -> float | None:
    """When a sample was taken, on the capture's axis; None if there is no such sample."""
    for segment in capture.segments:
        if sample is not None and segment.first <= sample < segment.last:
            return segment.start_s + (sample - segment.first) / capture.rate_hz
    return None


def _words_of_none(capture: Capture) -> str:
    from app.files.look_over import looked_at_in_part  # the window opens sooner without it

    return _NOTHING_YET if looked_at_in_part(capture) else _NOTHING


class WarningsModel(RowsModel):
    titles = _TITLES
    tips = (
        "Short name of what was found, the same as on the command line",
        "How often it was met in this capture; Enter or a double click again goes to the next place",
        "When it was met first, on the capture's own time axis; a double click goes there",
        "What it means for readings and decodes, and what to do about it",
    )

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._rows: tuple[tuple[Notice, float | None], ...] = ()
        self.around_s = 0.0

    def show(self, capture: Capture | None) -> None:
        self.beginResetModel()
        notices = () if capture is None else capture.warnings
        self._rows = tuple(
            (notice, None if capture is None else time_of(capture, notice.first_sample)) for notice in notices
        )
        self.around_s = 0.0 if capture is None else _AROUND_SAMPLES / capture.rate_hz
        self.endResetModel()

    def notice(self, row: int) -> Notice:
        return self._rows[row][0]

    def time_s(self, row: int) -> float | None:
        return self._rows[row][1]

    def count(self) -> int:
        return len(self._rows)

    def data(self, index: AnyIndex, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        notice, time_s = self._rows[index.row()]
        if role == Qt.ItemDataRole.ToolTipRole:
            return notice.text
        if role != Qt.ItemDataRole.DisplayRole:
            return None
        where = "" if time_s is None else format_value(time_s, "s", 9)
        return (notice.code.replace("-", " "), str(notice.count), where, notice.text)[index.column()]


class WarningsPanel(QWidget):
    """``place_chosen(time_s, around_s)`` when the user wants to see where a warning holds, with no more than
    ``around_s`` on either side of it: first where it holds first. ``next_wanted(notice, after)`` when the same one is
    chosen again: the next place from the sample ``after`` on is to be looked for and told to `go_to`.
    """

    place_chosen = Signal(float, float)
    next_wanted = Signal(object, int)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("warningsPanel")
        self.setAccessibleName("Warnings")
        layout = QVBoxLayout(self)
        self.model = WarningsModel(self)
        self.table = RowTable("warningsTable", "Warnings", self.model, self)
        self.table.words_when_empty = _NOTHING
        self.table.horizontalHeader().setStretchLastSection(True)
        self.table.activated.connect(self._chosen)
        self.setFocusProxy(self.table)
        self._capture: Capture | None = None
        self._at: tuple[Notice, int] | None = None
        layout.addWidget(self.table, 1)

    def show_warnings(self, capture: Capture | None) -> None:
        if self._at is not None and (capture is None or self._at[0] not in capture.warnings):
            self._at = None
        self._capture = capture
        self.table.words_when_empty = _NOTHING if capture is None else _words_of_none(capture)
        self.model.show(capture)
        for column in range(len(_TITLES) - 1):
            self.table.resizeColumnToContents(column)

    def go_to(self, notice: Notice, sample: int | None) -> None:
        """Show the place of a warning at a sample; the next one is looked for beyond what is then in view."""
        time_s = None if self._capture is None else time_of(self._capture, sample)
        if time_s is not None and sample is not None:
            self._at = notice, sample
            self.place_chosen.emit(time_s, self.model.around_s)

    @Slot(QModelIndex)
    def _chosen(self, index: QModelIndex) -> None:
        notice = self.model.notice(index.row())
        if notice.count > 1 and self._at is not None and self._at[0] == notice:
            self.next_wanted.emit(notice, self._at[1] + _AROUND_SAMPLES)
        else:
            self.go_to(notice, notice.first_sample)
