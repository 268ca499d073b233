"""Chooses how a figure is made, and shows it while it is being chosen."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

from PySide6.QtCore import QSettings, QSize, Qt, QTimer, Signal, Slot
from PySide6.QtGui import QGuiApplication, QPixmap, QResizeEvent
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QDoubleSpinBox,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QPlainTextEdit,
    QPushButton,
    QSizePolicy,
    QSpinBox,
    QVBoxLayout,
    QWidget,
)

from app.gui.figures.choice import (
    LEAST_PX,
    MOST_PX,
    PRESETS,
    FigureChoice,
    keep_choice,
    last_choice,
)
from app.gui.figures.sheet import Drawing, Figure, Readings, image_of
from app.gui.tips import give_tips

_AFTER_MS = 60
_OWN = "Numbers of my own"


class FigureDialog(QDialog):
    """``save_wanted()`` when the figure is to be written; it stays open until that has been done or given up.

    Parameters
    ----------
    drawing, title : what the figure shows, and its name for who cannot see it.
    caption : what stands below it at first.
    readings : rows that may stand beside it, each a name and a text; without text it is a heading.
    aside : headings under which nothing is ticked at first.
    warning : what is to be known before it is saved; empty if nothing.
    """

    save_wanted = Signal()

    def __init__(
        self,
        drawing: Drawing,
        title: str,
        caption: str,
        readings: Sequence[tuple[str, str]],
        settings: QSettings,
        warning: str = "",
        parent: QWidget | None = None,
        aside: Collection[str] = (),
    ) -> None:
        super().__init__(parent)
        self.setObjectName("figureDialog")
        self.setWindowTitle(title)
        self.setAccessibleName(title)
        self._drawing, self._title, self._warning = drawing, title, warning
        self._settings = settings
        self._rows = tuple(readings)
        self._aside = frozenset(aside)
        self._complaint = ""
        choice = last_choice(settings)
        self.size_choice = QComboBox(self)
        for words, preset in PRESETS:
            self.size_choice.addItem(words, preset)
        self.size_choice.addItem(_OWN, None)
        self.width_px = self._whole(LEAST_PX, MOST_PX, choice.width_px, " px")
        self.height_px = self._whole(LEAST_PX, MOST_PX, choice.height_px, " px")
        self.dots = self._whole(50, 2400, choice.dots_per_inch, " dpi")
        self.text_pt = QDoubleSpinBox(self)
        self.text_pt.setRange(4, 72)
        self.text_pt.setDecimals(1)
        self.text_pt.setSuffix(" pt")
        self.text_pt.setValue(choice.text_pt)
        self.outlines = QCheckBox("Letters as &outlines in SVG", self)
        self.outlines.setChecked(choice.outlines)
        self.caption = QPlainTextEdit(caption, self)
        self.caption.setTabChangesFocus(True)
        self.readings = QListWidget(self)
        self.preview = _Preview(self)
        self.told = QLabel("", self)
        self.told.setWordWrap(True)
        self._soon = QTimer(self)
        self._soon.setSingleShot(True)
        self._soon.setInterval(_AFTER_MS)
        self._soon.timeout.connect(self._draw)
        self._name_all()
        self._fill_readings()
        self._lay_out()
        self._show_preset()
        self._connect()
        self._draw()
        self.save_button.setFocus()

    @property
    def choice(self) -> FigureChoice:
        return FigureChoice(
            self.width_px.value(),
            self.height_px.value(),
            self.dots.value(),
            self.text_pt.value(),
            self.outlines.isChecked(),
        )

    def figure(self) -> Figure:
        """What is to be written, as chosen now."""
        return Figure(
            self._drawing, self.caption.toPlainText().strip(), Readings(self._ticked()), self._title
        )

    def complain(self, words: str) -> None:
        """Say what became of it, until something else is chosen."""
        self._complaint = words
        self.told.setText(words)

    def done(self, result: int) -> None:
        self._soon.stop()
        if self.choice.objection is None:
            keep_choice(self._settings, self.choice)
        super().done(result)

    # --- made once

    def _whole(self, least: int, most: int, value: int, suffix: str) -> QSpinBox:
        box = QSpinBox(self)
        box.setRange(least, most)
        box.setSuffix(suffix)
        box.setValue(value)
        return box

    def _name_all(self) -> None:
        names: tuple[tuple[QWidget, str, str, str], ...] = (
            (self.size_choice, "figureSize", "Size", "Common sizes; the numbers below can be any others"),
            (self.width_px, "figureWidth", "Width in pixels", "Of the whole figure with its caption"),
            (self.height_px, "figureHeight", "Height in pixels", "Of the whole figure with its caption"),
            (
                self.dots,
                "figureDots",
                "Pixels an inch",
                "What makes so many pixels so large on paper; a printer shows 300 and more as smooth lines",
            ),
            (self.text_pt, "figureText", "Height of the text", "On paper, in points; lines widen with it"),
            (
                self.outlines,
                "figureOutlines",
                "Letters as outlines in SVG",
                "Looks the same in every program, but the words cannot be searched or edited any more",
            ),
            (self.caption, "figureCaption", "Caption", "Stands below the figure; empty for none"),
            (
                self.readings,
                "figureReadings",
                "Readings beside the figure",
                "Ticked ones stand at the right, each with its standard uncertainty; Space ticks",
            ),
            (self.preview, "figurePreview", "Preview of the figure", "As it will be saved"),
            (self.told, "figureTold", "What to know about the figure", ""),
        )
        for widget, name, words, tip in names:
            widget.setObjectName(name)
            widget.setAccessibleName(words)
            widget.setToolTip(tip)
        self.caption.viewport().setObjectName("figureCaptionText")
        self.readings.viewport().setObjectName("figureReadingsRows")

    def _fill_readings(self) -> None:
        kept = str(self._settings.value("figure/readings", "all"))
        heading = ""
        for name, text in self._rows:
            heading = heading if text else name
            item = QListWidgetItem(f"{name}: {text}" if text else name, self.readings)
            if not text:
                font = item.font()
                font.setBold(True)
                item.setFont(font)
                item.setFlags(Qt.ItemFlag.ItemIsEnabled)
                continue
            item.setFlags(item.flags() | Qt.ItemFlag.ItemIsUserCheckable)
            off = kept == "none" or heading in self._aside
            item.setCheckState(Qt.CheckState.Unchecked if off else Qt.CheckState.Checked)

    def _lay_out(self) -> None:
        form = QFormLayout()
        for words, field in (
            ("&Size", self.size_choice),
            ("&Width", self.width_px),
            ("&Height", self.height_px),
            ("&Resolution", self.dots),
            ("&Text", self.text_pt),
        ):
            label = QLabel(words, self)
            label.setBuddy(field)
            form.addRow(label, field)
        form.addRow("", self.outlines)
        side = QVBoxLayout()
        side.addLayout(form)
        if self._rows:
            side.addWidget(self._label("Readings &beside it", self.readings))
            side.addWidget(self.readings, 1)
            self.all_readings = QPushButton("&All or none", self)
            self.all_readings.setObjectName("figureAllReadings")
            self.all_readings.setAccessibleName("Tick all readings, or none")
            self.all_readings.setAutoDefault(False)
            self.all_readings.clicked.connect(self._all_or_none)
            side.addWidget(self.all_readings)
        else:
            self.readings.hide()
            side.addStretch(1)
        left = QVBoxLayout()
        left.addWidget(self.preview, 1)
        left.addWidget(self._label("&Caption", self.caption))
        self.caption.setFixedHeight(round(5.2 * self.fontMetrics().height()))
        left.addWidget(self.caption)
        left.addWidget(self.told)
        both = QHBoxLayout()
        both.addLayout(left, 1)
        both.addLayout(side)
        outer = QVBoxLayout(self)
        outer.addLayout(both, 1)
        self.buttons = QDialogButtonBox(self)
        self.buttons.setObjectName("figureButtons")
        self.save_button = self._button("Sa&ve…", "figureSave", QDialogButtonBox.ButtonRole.ActionRole)
        self.copy_button = self._button("Cop&y", "figureCopy", QDialogButtonBox.ButtonRole.ActionRole)
        self.close_button = self._button("Close", "figureClose", QDialogButtonBox.ButtonRole.RejectRole)
        self.copy_button.setToolTip("Put the figure on the clipboard, to be pasted elsewhere")
        self.save_button.setDefault(True)
        outer.addWidget(self.buttons)
        give_tips(self)
        em = self.fontMetrics().height()
        screen = self.screen().availableSize()
        self.resize(min(em * 64, screen.width() - 40), min(em * 42, screen.height() - 60))

    def _label(self, words: str, field: QWidget) -> QLabel:
        label = QLabel(words, self)
        label.setBuddy(field)
        return label

    def _button(self, words: str, name: str, role: QDialogButtonBox.ButtonRole) -> QPushButton:
        button = self.buttons.addButton(words, role)
        button.setObjectName(name)
        button.setAccessibleName(words.replace("&", "").rstrip("…"))
        button.setAutoDefault(False)
        return button

    def _connect(self) -> None:
        self.size_choice.activated.connect(self._take_preset)
        for spin in (self.width_px, self.height_px, self.dots, self.text_pt):
            spin.valueChanged.connect(self._numbers_changed)
        self.outlines.toggled.connect(self._later)
        self.caption.textChanged.connect(self._later)
        self.readings.itemChanged.connect(self._readings_changed)
        self.preview.resized.connect(self._soon.start)
        self.save_button.clicked.connect(self.save_wanted)
        self.copy_button.clicked.connect(self._copy)
        self.close_button.clicked.connect(self.reject)

    # --- as chosen

    @Slot()
    def _later(self) -> None:
        self._complaint = ""
        self._soon.start()

    @Slot(int)
    def _take_preset(self, index: int) -> None:
        preset = self.size_choice.itemData(index)
        if isinstance(preset, FigureChoice):
            for spin, value in (
                (self.width_px, preset.width_px),
                (self.height_px, preset.height_px),
                (self.dots, preset.dots_per_inch),
            ):
                spin.setValue(value)
            self.text_pt.setValue(preset.text_pt)
            self._show_preset()
            self._later()
        else:
            self.width_px.setFocus()

    def _show_preset(self) -> None:
        now = replace(self.choice, outlines=False)
        places = [k for k, (_, preset) in enumerate(PRESETS) if preset == now]
        self.size_choice.setCurrentIndex(places[0] if places else len(PRESETS))

    @Slot()
    def _numbers_changed(self) -> None:
        self._show_preset()
        self._later()

    @Slot()
    def _readings_changed(self) -> None:
        self._settings.setValue("figure/readings", "all" if self._ticked() else "none")
        self._later()

    @Slot()
    def _all_or_none(self) -> None:
        state = Qt.CheckState.Unchecked if self._ticked() else Qt.CheckState.Checked
        for k, (_, text) in enumerate(self._rows):
            if text:
                self.readings.item(k).setCheckState(state)

    def _ticked(self) -> tuple[tuple[str, str], ...]:
        """The ticked rows, each heading before those that stand under it."""
        kept: list[tuple[str, str]] = []
        for k, (name, text) in enumerate(self._rows):
            if not text:
                if kept and not kept[-1][1]:
                    kept.pop()
                kept.append((name, text))
            elif self.readings.item(k).checkState() == Qt.CheckState.Checked:
                kept.append((name, text))
        if kept and not kept[-1][1]:
            kept.pop()
        return tuple(kept)

    @Slot()
    def _draw(self) -> None:
        choice = self.choice
        objection = choice.objection
        for button in (self.save_button, self.copy_button):
            button.setEnabled(objection is None)
        if objection is not None:
            self.told.setText(objection)
            return
        image, left_out = image_of(self.figure(), choice, self.font(), self.preview.room())
        self.preview.show_pixels(QPixmap.fromImage(image))
        if self._complaint:
            return
        told = [choice.paper]
        if left_out:
            told.append(
                f"{left_out} reading{'s' if left_out > 1 else ''} found no room: untick some, "
                "or choose more height or smaller text"
            )
        if self._warning:
            told.append(self._warning)
        self.told.setText("; ".join(told) + ".")

    @Slot()
    def _copy(self) -> None:
        image, _ = image_of(self.figure(), self.choice, self.font())
        QGuiApplication.clipboard().setImage(image)
        self.complain("The figure is on the clipboard.")


class _Preview(QLabel):
    """``resized()`` when there is room for another size."""

    resized = Signal()

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Ignored)
        self.setMinimumSize(240, 160)
        self.setFrameShape(QLabel.Shape.StyledPanel)

    def room(self) -> QSize:
        """In pixels of the screen."""
        ratio = self.devicePixelRatioF()
        return QSize(max(int((self.width() - 6) * ratio), 1), max(int((self.height() - 6) * ratio), 1))

    def show_pixels(self, pixmap: QPixmap) -> None:
        pixmap.setDevicePixelRatio(self.devicePixelRatioF())
        self.setPixmap(pixmap)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self.resized.emit()
