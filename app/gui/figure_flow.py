"""Figures of what is shown: of the trace, and of the picture in its panel."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QObject, QSettings, Signal
from PySide6.QtWidgets import QWidget

from app.errors import HalfturnError
from app.gui import ask
from app.gui.channel_view import ChannelView
from app.gui.files_flow import FilesFlow
from app.gui.messages import Message, message_of
from app.gui.panels.readings import ReadingsPanel
from app.gui.picture import write_whole
from app.gui.trace.area import TraceArea
from app.gui.work import JobRunner

if TYPE_CHECKING:
    from app.gui.figures.dialog import FigureDialog
    from app.gui.pictures.panel import PicturesPanel
    from app.gui.trace.contents import TraceContents

_UNREAD = "the capture is still being read, and what is missing is missing here, too"


class FigureFlow(QObject):
    """``told(Message)`` is what the user must know. What draws figures is imported when one is wanted."""

    told = Signal(object)

    def __init__(
        self,
        view: ChannelView,
        area: TraceArea,
        readings: ReadingsPanel,
        pictures: PicturesPanel,
        files: FilesFlow,
        runner: JobRunner,
        settings: QSettings,
        window: QWidget,
    ) -> None:
        super().__init__(window)
        self._view, self._area, self._readings, self._pictures = view, area, readings, pictures
        self._files, self._runner, self._settings, self._window = files, runner, settings, window
        self._dialog: FigureDialog | None = None

    def of_trace(self) -> None:
        """The current view with cursors, flips, lane, readings and a caption."""
        from app.gui.figures.caption import trace_caption
        from app.gui.figures.dialog import FigureDialog
        from app.gui.figures.trace_drawing import TraceDrawing

        view, contents = self._view, self._area.contents()
        if view.capture is None or view.channel is None or not contents.rows:
            return
        caption = trace_caption(view.capture, view.channel, contents, view.bursts, view.tolerance)
        dialog = FigureDialog(
            TraceDrawing(contents),
            "Figure of the trace",
            caption,
            self._reading_rows(),
            self._settings,
            _UNREAD if contents.unread else "",
            self._window,
            _out_of_view(contents),
        )
        self._show(dialog, lambda suggestion: ask.where_to_export(dialog, suggestion), "")

    def of_picture(self) -> None:
        """The picture of the panel, or the numbers in it."""
        from app.gui.figures.caption import picture_caption
        from app.gui.figures.dialog import FigureDialog
        from app.gui.figures.picture_drawing import PictureDrawing
        from app.gui.pictures.export import table_text

        view, shown = self._view, self._pictures.view
        picture = shown.picture
        if picture is None or view.capture is None or view.channel is None:
            self.told.emit(Message("There is no picture to export; show one in the panel Pictures first."))
            return
        drawing = PictureDrawing(picture, *shown.shown_range())
        caption = picture_caption(view.capture, view.channel, picture)
        dialog = FigureDialog(drawing, picture.title, caption, (), self._settings, "", self._window)
        self._show(
            dialog,
            lambda suggestion: ask.where_to_export_plot(dialog, suggestion),
            f" {self._pictures.kind.name}",
            lambda: table_text(picture).encode(),
        )

    def close(self) -> None:
        """Leave no dialog behind."""
        if self._dialog is not None:
            self._dialog.reject()

    def _reading_rows(self) -> tuple[tuple[str, str], ...]:
        from app.gui.figures.caption import with_minus

        model = self._readings.model
        places = range(model.rowCount())
        rows = ((model.index(k, 0).data(), model.index(k, 1).data()) for k in places)
        return tuple((str(name), with_minus(str(text))) for name, text in rows)

    def _show(
        self,
        dialog: FigureDialog,
        where: Callable[[Path], Path | None],
        what: str,
        numbers: Callable[[], bytes] | None = None,
    ) -> None:
        self._dialog = dialog
        dialog.finished.connect(self._forget)
        dialog.save_wanted.connect(lambda: self._save(dialog, where, what, numbers))
        dialog.open()

    def _forget(self) -> None:
        if self._dialog is not None:
            self._dialog.deleteLater()
            self._dialog = None

    def _save(
        self,
        dialog: FigureDialog,
        where: Callable[[Path], Path | None],
        what: str,
        numbers: Callable[[], bytes] | None,
    ) -> None:
        """Ask for a file; draw here, pack and write in another thread."""
        from app.gui.figures.choice import keep_ending, last_ending
        from app.gui.figures.sheet import image_of, png_of, svg_of

        ending = last_ending(self._settings)
        path = where(self._files.folder() / f"{Path(self._files.name).stem}{what}{ending}")
        if path is None:
            return
        suffix = path.suffix.lower()
        if suffix == ".png":
            image, _ = image_of(dialog.figure(), dialog.choice, dialog.font())
            self._write(dialog, path, lambda: png_of(image))
        elif suffix == ".svg":
            content = svg_of(dialog.figure(), dialog.choice, dialog.font())
            self._write(dialog, path, lambda: content)
        elif suffix == ".csv" and numbers is not None:
            self._write(dialog, path, numbers)
        else:
            also = ", its numbers .csv" if numbers is not None else ""
            dialog.complain(f"{path.name}: a figure can be .png or .svg{also}; choose one of these endings.")
            return
        if suffix != ".csv":
            keep_ending(self._settings, suffix)

    def _write(self, dialog: FigureDialog, path: Path, pack: Callable[[], bytes]) -> None:
        def written(_answer: object) -> None:
            if self._dialog is dialog:
                dialog.accept()
            self.told.emit(Message(f"Written: {path}."))

        def failed(error: BaseException) -> None:
            if self._dialog is dialog and isinstance(error, HalfturnError):
                dialog.complain(str(error))
            else:
                self.told.emit(message_of(error, f"writing {path.name}"))

        self._runner.start(
            f"Writing {path.name}",
            lambda _progress, _cancelled: write_whole(path, pack()),
            written,
            failed,
        )


def _out_of_view(contents: TraceContents) -> set[str]:
    """Headings of readings whose cursors the figure does not show."""
    names = [one.name for one in contents.cursors]
    hidden = [one.name for one in contents.cursors if not contents.start_s <= one.time_s <= contents.end_s]
    pairs = {f"{a} to {b}" for a in names for b in names if a in hidden or b in hidden}
    return pairs | {f"Cursor {name}" for name in hidden}
