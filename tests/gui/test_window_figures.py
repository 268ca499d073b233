"""Figures of the trace and of pictures: chosen, looked at and saved with mouse and keys."""

from __future__ import annotations

import csv
from xml.etree import ElementTree

import numpy as np
import pytest
from PySide6.QtCore import QPoint, QSize, Qt
from PySide6.QtGui import QColor, QGuiApplication, QImage, QPainter
from PySide6.QtSvg import QSvgRenderer

from app.gui.figures.choice import MOST_PIXELS, PRESETS, FigureChoice
from app.gui.figures.cut import cut_curve
from app.gui.figures.sheet import image_of
from app.gui.figures.trace_drawing import TraceDrawing

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def dialog(decoded, qtbot):
    """The dialog as the key opens it, over a decoded capture with readings."""
    qtbot.waitUntil(lambda: decoded.readings.model.rowCount() > 4)
    qtbot.keyClick(decoded, Qt.Key.Key_P, Qt.KeyboardModifier.ControlModifier)
    qtbot.waitUntil(lambda: decoded.figures._dialog is not None and decoded.figures._dialog.isVisible())
    return decoded.figures._dialog


def save(window, qtbot, answer, path, question: str = "where_to_export") -> None:
    """Return in the open dialog; wait until the file is there and the dialog has gone."""
    answer(question, path)
    open_one = window.figures._dialog
    qtbot.keyClick(open_one, Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: window.figures._dialog is None and path.exists(), timeout=10_000)


def typed(qtbot, spin, text: str) -> None:
    spin.selectAll()
    qtbot.keyClicks(spin, text)
    qtbot.keyClick(spin, Qt.Key.Key_Tab)


def test_a_png_has_the_size_that_was_typed_and_the_resolution(dialog, decoded, qtbot, answer, tmp_path):
    typed(qtbot, dialog.width_px, "1500")
    typed(qtbot, dialog.height_px, "900")
    typed(qtbot, dialog.dots, "200")
    save(decoded, qtbot, answer, tmp_path / "vents.png")
    image = QImage(str(tmp_path / "vents.png"))
    assert image.size() == QSize(1500, 900)
    assert image.dotsPerMeterX() == pytest.approx(200 / 0.0254, abs=1)
    assert image.pixelColor(2, 2) == QColor("#ffffff")
    assert str(tmp_path / "vents.png") in decoded.messages.lines()[0].message.text


def test_an_svg_is_drawn_in_lines_and_words(dialog, decoded, qtbot, answer, tmp_path):
    path = tmp_path / "vents.svg"
    dialog.caption.selectAll()
    qtbot.keyClicks(dialog.caption, "Both wires of bay 3")
    save(decoded, qtbot, answer, path)
    root = ElementTree.parse(path).getroot()
    words = ["".join(one.itertext()).strip() for one in root.iter(f"{SVG}text")]
    assert "Both wires of bay 3" in words
    assert any(word.startswith("time in ") for word in words)
    assert any(" in " in word and word.endswith("V") for word in words)  # the value axis with its unit
    assert "frequency" in words
    assert "A" in words  # a cursor
    assert list(root.iter(f"{SVG}image")) == []
    assert len(list(root.iter(f"{SVG}path"))) > 2
    assert "non-scaling-stroke" not in path.read_text()


def test_an_svg_looks_as_the_png_does(dialog, decoded, qtbot, answer, tmp_path):
    expected, _ = image_of(dialog.figure(), dialog.choice, dialog.font())
    save(decoded, qtbot, answer, tmp_path / "vents.svg")
    renderer = QSvgRenderer(str(tmp_path / "vents.svg"))
    assert renderer.isValid()
    drawn = QImage(expected.size(), QImage.Format.Format_RGB32)
    drawn.fill(QColor("#ffffff"))
    painter = QPainter(drawn)
    renderer.render(painter)
    painter.end()

    def grey(image: QImage) -> np.ndarray:
        small = image.convertToFormat(QImage.Format.Format_Grayscale8).scaled(
            60, 35, mode=Qt.TransformationMode.SmoothTransformation
        )
        rows = np.frombuffer(small.constBits(), np.uint8).reshape(small.height(), small.bytesPerLine())
        return rows[:, : small.width()].astype(float)

    assert np.abs(grey(drawn) - grey(expected)).mean() < 2.0
    assert np.corrcoef(grey(drawn).ravel(), grey(expected).ravel())[0, 1] > 0.98


def test_outlines_leave_no_words(dialog, decoded, qtbot, answer, tmp_path):
    qtbot.mouseClick(dialog.outlines, Qt.MouseButton.LeftButton, pos=QPoint(8, dialog.outlines.height() // 2))
    assert dialog.outlines.isChecked()
    save(decoded, qtbot, answer, tmp_path / "vents.svg")
    root = ElementTree.parse(tmp_path / "vents.svg").getroot()
    assert [one for one in root.iter(f"{SVG}text") if "".join(one.itertext()).strip()] == []


def test_the_last_choice_is_remembered(dialog, decoded, qtbot, answer, tmp_path):
    dialog.size_choice.setFocus()
    qtbot.keyClick(dialog.size_choice, Qt.Key.Key_Down)
    assert dialog.choice == PRESETS[1][1]
    save(decoded, qtbot, answer, tmp_path / "vents.svg")
    asked = answer("where_to_export", None)
    decoded.activateWindow()
    qtbot.waitUntil(decoded.isActiveWindow)
    qtbot.keyClick(decoded, Qt.Key.Key_P, Qt.KeyboardModifier.ControlModifier)
    again = decoded.figures._dialog
    assert again.choice == PRESETS[1][1]
    qtbot.keyClick(again, Qt.Key.Key_Return)
    assert asked[0][1].suffix == ".svg"
    assert again.isVisible()  # nobody answered, nothing is lost
    qtbot.keyClick(again, Qt.Key.Key_Escape)
    assert decoded.figures._dialog is None


def test_own_numbers_are_called_so(dialog, qtbot):
    typed(qtbot, dialog.width_px, "1111")
    assert dialog.size_choice.currentText() == "Numbers of my own"
    assert "on paper" in dialog.told.text() or dialog._soon.isActive()


def test_the_preview_follows_the_caption(dialog, qtbot):
    before = dialog.preview.pixmap().toImage()
    dialog.caption.selectAll()
    qtbot.keyClicks(dialog.caption, "Short.")
    qtbot.waitUntil(lambda: not dialog._soon.isActive())
    assert dialog.preview.pixmap().toImage() != before


def test_readings_stand_beside_with_their_uncertainties_until_unticked(dialog, qtbot):
    rows = dict(dialog.figure().readings.rows)
    assert "(" in rows["frequency"]
    assert rows["frequency"].endswith("Hz")
    qtbot.mouseClick(dialog.all_readings, Qt.MouseButton.LeftButton)
    assert dialog.figure().readings.rows == ()
    dialog.readings.setFocus()
    dialog.readings.setCurrentRow(1)
    qtbot.keyClick(dialog.readings, Qt.Key.Key_Space)
    assert [name for name, _ in dialog.figure().readings.rows] == ["Cursor A", "time"]


def test_what_finds_no_room_is_told(dialog, qtbot):
    typed(qtbot, dialog.height_px, "260")
    qtbot.waitUntil(lambda: "found no room" in dialog.told.text())


def test_sizes_that_cannot_be_are_refused(dialog, qtbot):
    typed(qtbot, dialog.width_px, "20000")
    typed(qtbot, dialog.height_px, "20000")
    qtbot.waitUntil(lambda: "million pixels" in dialog.told.text())
    assert not dialog.save_button.isEnabled()
    assert FigureChoice(20_000, MOST_PIXELS // 20_000).objection is None
    assert FigureChoice(300, 200, 600, 12.0).objection is not None


def test_a_copy_is_on_the_clipboard(dialog, qtbot):
    qtbot.mouseClick(dialog.copy_button, Qt.MouseButton.LeftButton)
    assert QGuiApplication.clipboard().image().size() == QSize(
        dialog.choice.width_px, dialog.choice.height_px
    )


def test_the_caption_proposed_says_what_is_in_view(dialog, decoded):
    caption = dialog.caption.toPlainText()
    assert caption.startswith("wire A with 1 other channel of vents")
    assert "2 bursts of talker 0" in caption
    assert "carrier 1.00000(20) kHz" in caption
    assert "flips found automatically" in caption
    assert "set by hand" not in caption


def test_a_failure_says_why_and_leaves_nothing(dialog, decoded, qtbot, answer, tmp_path):
    answer("where_to_export", tmp_path / "vents.gif")
    qtbot.keyClick(dialog, Qt.Key.Key_Return)
    assert "one of these endings" in dialog.told.text()
    answer("where_to_export", tmp_path / "no such folder" / "vents.png")
    qtbot.keyClick(dialog, Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: "cannot be written" in dialog.told.text())
    assert dialog.isVisible()
    assert list(tmp_path.glob("vents*")) == []


@pytest.mark.parametrize("what", ["png", "svg", "csv"])
def test_pictures_have_figures_and_tables(decoded, qtbot, answer, tmp_path, what):
    decoded.arrangement.dock_of(decoded.pictures).raise_()
    qtbot.waitUntil(lambda: decoded.pictures.isVisible() and decoded.pictures.view.picture is not None)
    qtbot.mouseClick(decoded.pictures.export, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: decoded.figures._dialog is not None)
    assert decoded.figures._dialog.caption.toPlainText().startswith("Spectrum")
    path = tmp_path / f"spectrum.{what}"
    save(decoded, qtbot, answer, path, "where_to_export_plot")
    if what == "csv":
        rows = list(csv.DictReader(path.read_text().splitlines()))
        assert len(rows) > 100
        assert float(rows[-1]["frequency_hz"]) > float(rows[0]["frequency_hz"])
    elif what == "png":
        assert QImage(str(path)).size() == QSize(1200, 700)
    else:
        words = ["".join(one.itertext()) for one in ElementTree.parse(path).getroot().iter(f"{SVG}text")]
        assert any("Hz" in word for word in words)


def test_a_curve_is_cut_where_it_leaves_the_frame():
    x, y = cut_curve(
        np.array([0.0, 2.0, 4.0, 6.0]), np.array([0.0, 4.0, 0.0, np.nan]), (1.0, 5.0), (-1.0, 3.0)
    )
    assert np.nan_to_num(x, nan=-9).tolist() == [1.0, 1.5, -9.0, 2.5, 4.0]
    assert np.nan_to_num(y, nan=-9).tolist() == [2.0, 3.0, -9.0, 3.0, 0.0]


def test_cutting_agrees_with_drawing_every_piece_by_itself():
    rng = np.random.default_rng(5)
    x, y = np.sort(rng.uniform(-1, 11, 400)), rng.normal(0, 3, 400)
    y[rng.integers(0, 400, 20)] = np.nan
    cut_x, cut_y = cut_curve(x, y, (0.0, 10.0), (-2.0, 2.0))
    finite = np.isfinite(cut_x)
    assert cut_x[finite].min() >= 0
    assert cut_x[finite].max() <= 10
    assert np.abs(cut_y[finite]).max() <= 2 + 1e-12
    # the length within the frame, by dense sampling of the uncut curve
    at = np.linspace(0, 10, 200_001)
    dense = np.interp(at, x, y)
    inside = np.isfinite(dense) & (np.abs(dense) <= 2)
    pieces = np.diff(cut_x)
    assert np.nansum(pieces) == pytest.approx(inside.mean() * 10, rel=2e-3)


def test_readings_of_cursors_out_of_view_are_left_out_at_first(decoded, qtbot):
    qtbot.waitUntil(lambda: decoded.readings.model.rowCount() > 4)
    decoded.area.show_range(0.555, 0.570)  # the cursors stand at 0.54 and 0.56 s
    qtbot.keyClick(decoded, Qt.Key.Key_P, Qt.KeyboardModifier.ControlModifier)
    qtbot.waitUntil(lambda: decoded.figures._dialog is not None)
    dialog = decoded.figures._dialog
    headings = [name for name, text in dialog.figure().readings.rows if not text]
    assert headings == ["Cursor B", "Instrument"]
    assert "A to B" in [name for name, text in dialog._rows if not text]


def test_the_symbol_grid_and_the_level_line_are_in_the_figure(decoded, qtbot, answer, tmp_path):
    plain = TraceDrawing(decoded.area.contents())
    decoded.area.show_range(0.508, 0.524)
    qtbot.keyClick(decoded, Qt.Key.Key_G, Qt.KeyboardModifier.ControlModifier)
    answer("level_line", 2.5)
    decoded.menus.actions["level_line"].trigger()
    contents = decoded.area.contents()
    assert plain.contents.grid is None
    assert contents.grid is not None
    assert contents.level == (0, 2.5)
    qtbot.keyClick(decoded, Qt.Key.Key_P, Qt.KeyboardModifier.ControlModifier)
    qtbot.waitUntil(lambda: decoded.figures._dialog is not None)
    caption = decoded.figures._dialog.caption.toPlainText()
    assert f"grid of {contents.grid.count} symbols" in caption
    assert "level" in caption
    path = tmp_path / "vents.svg"
    save(decoded, qtbot, answer, path)
    texts = ["".join(one.itertext()) for one in ElementTree.parse(path).getroot().iter(f"{SVG}text")]
    assert any("2.5 V" in text for text in texts)
    assert any("symbols" in text and "grid" not in text for text in texts)
