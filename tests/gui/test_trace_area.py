"""The trace area used with mouse and keyboard, and looked at."""

from __future__ import annotations

import threading

import numpy as np
import pytest
from PySide6.QtCore import QEvent, QPoint, QPointF, Qt
from PySide6.QtGui import QColor, QContextMenuEvent, QFocusEvent, QFont, QImage, QWheelEvent
from PySide6.QtWidgets import QApplication, QMenu, QWidget

from app.gui import style
from app.gui.trace.api import FlipView, LaneBurst, TraceChannel, TraceSegment
from app.gui.trace.area import TraceArea
from app.gui.trace.builder import EnvelopeBuilder
from app.gui.trace.canvas import TraceCanvas
from app.gui.trace.overview import OverviewStrip
from app.model.items import Cursor

RATE_HZ = 100e3
START_S = 2.0
COUNT = 50_000  # half a second
FLIPS = tuple(FlipView(START_S + 0.1 + k * 0.01, None) for k in range(1, 8))


def tone(count=COUNT):
    """1 kHz: crossings every 0.5 ms from the start."""
    return np.round(1000 * np.sin(2 * np.pi * 1000 * np.arange(count) / RATE_HZ)).astype(np.int16)


def channel(stored=None, **more):
    stored = tone() if stored is None else stored
    return TraceChannel("line", "V", stored, RATE_HZ, more.pop("start_s", START_S), scale=1e-3, **more)


@pytest.fixture
def area(qtbot):
    made = TraceArea()
    qtbot.addWidget(made)
    made.resize(900, 500)
    made.set_channels([channel()])
    made.set_cursors([Cursor(1, 0, "A", START_S + 0.2), Cursor(2, 0, "B", START_S + 0.3)])
    made.set_flips(FLIPS)
    made.set_lane([LaneBurst(START_S + 0.1, START_S + 0.18, START_S + 0.1, 0.01, "10110010")])
    made.show()
    qtbot.waitExposed(made)
    return made


def canvas_of(area) -> TraceCanvas:
    return area.findChild(TraceCanvas, "traceCanvas")


def point(area, time_s, where="rows") -> QPoint:
    """Where a time lies: in the rows, at the height of flip heads or of cursor flags, or in the lane."""
    canvas = canvas_of(area)
    place = canvas.geometry_px()
    heights = {
        "rows": (place.heads_bottom + place.rows_bottom) / 2,
        "heads": place.heads_bottom - 5,
        "flags": place.heads_top + 4,
        "lane": place.lane_bottom - 10,
    }
    return QPoint(round(canvas.time_scale().px(time_s)), round(heights[where]))


def drag(
    qtbot, area, start, *ways, button=Qt.MouseButton.LeftButton, modifier=Qt.KeyboardModifier.NoModifier
):
    viewport = canvas_of(area).viewport()
    qtbot.mousePress(viewport, button, modifier, start)
    for way in ways:
        qtbot.mouseMove(viewport, way)
    qtbot.mouseRelease(viewport, button, modifier, ways[-1])


def heard(signal) -> list[tuple]:
    """The list fills with what a signal carries."""
    calls: list[tuple] = []
    signal.connect(lambda *values: calls.append(values))
    return calls


def wheel(area, at: QPoint, steps: int, held=Qt.KeyboardModifier.NoModifier):
    viewport = canvas_of(area).viewport()
    event = QWheelEvent(
        QPointF(at),
        QPointF(viewport.mapToGlobal(at)),
        QPoint(),
        QPoint(0, 120 * steps),
        Qt.MouseButton.NoButton,
        held,
        Qt.ScrollPhase.NoScrollPhase,
        False,
    )
    QApplication.sendEvent(viewport, event)


def pixel_s(area) -> float:
    return canvas_of(area).time_scale().seconds_per_pixel


# --- view


def test_every_widget_has_a_name_for_people_and_for_programs(area):
    widgets = [area, area.findChild(OverviewStrip), canvas_of(area), canvas_of(area).viewport()]
    for widget in widgets:
        assert widget.objectName()
        assert widget.accessibleName()
    assert len({widget.objectName() for widget in widgets}) == len(widgets)
    focusable = [w for w in area.findChildren(QWidget) if w.focusPolicy() & Qt.FocusPolicy.TabFocus]
    assert set(focusable) <= set(widgets)


def test_shows_everything_at_first_and_a_range_when_asked(area):
    start_s, end_s = area.visible_range()
    assert start_s < START_S
    assert end_s > START_S + 0.5
    changes = heard(area.range_changed)
    area.show_range(START_S + 0.1, START_S + 0.2)
    assert area.visible_range() == pytest.approx((START_S + 0.1, START_S + 0.2))
    area.show_range(*area.visible_range())
    assert len(changes) == 1
    area.zoom_all()
    assert area.visible_range() == (start_s, end_s)


def test_wheel_zooms_about_the_pointer(area):
    at = point(area, START_S + 0.123)
    before = canvas_of(area).time_scale()
    wheel(area, at, 5)
    after = canvas_of(area).time_scale()
    assert after.seconds_per_pixel < 0.5 * before.seconds_per_pixel
    assert after.time(at.x()) == pytest.approx(before.time(at.x()), abs=1e-9)
    wheel(area, at, -5)
    assert canvas_of(area).time_scale().seconds_per_pixel == pytest.approx(before.seconds_per_pixel)


def test_wheel_with_control_zooms_the_values(area):
    row = canvas_of(area).rows[0]
    low, high = row.values
    before = area.visible_range()
    wheel(area, point(area, START_S + 0.1), 3, Qt.KeyboardModifier.ControlModifier)
    assert row.values[1] - row.values[0] < 0.6 * (high - low)
    assert area.visible_range() == before
    area.fit_values()
    assert row.values == pytest.approx((low, high))


def test_drag_pans_and_middle_button_pans_in_every_tool(area, qtbot):
    area.show_range(START_S + 0.1, START_S + 0.2)
    step_s = 50 * pixel_s(area)
    start = point(area, START_S + 0.12)
    drag(qtbot, area, start, start + QPoint(20, 0), start + QPoint(50, 0))
    assert area.visible_range()[0] == pytest.approx(START_S + 0.1 - step_s)
    area.set_tool("flip")
    drag(qtbot, area, start, start + QPoint(-50, 0), button=Qt.MouseButton.MiddleButton)
    assert area.visible_range()[0] == pytest.approx(START_S + 0.1)


def test_zoom_tool_lets_a_stretch_fill_the_view(area, qtbot):
    area.set_tool("zoom")
    a, b = point(area, START_S + 0.22), point(area, START_S + 0.28)
    drag(qtbot, area, a, QPoint((a.x() + b.x()) // 2, a.y()), b)
    start_s, end_s = area.visible_range()
    assert start_s == pytest.approx(START_S + 0.22, abs=1e-3)
    assert end_s == pytest.approx(START_S + 0.28, abs=1e-3)


def test_keys_move_and_zoom_the_view(area, qtbot):
    canvas = canvas_of(area)
    area.show_range(START_S + 0.2, START_S + 0.3)
    qtbot.keyClick(canvas, Qt.Key.Key_Right)
    assert area.visible_range()[0] == pytest.approx(START_S + 0.21)
    qtbot.keyClick(canvas, Qt.Key.Key_PageUp)
    assert area.visible_range()[0] == pytest.approx(START_S + 0.16)
    qtbot.keyClick(canvas, Qt.Key.Key_Plus)
    assert area.visible_range() == pytest.approx((START_S + 0.185, START_S + 0.235))
    qtbot.keyClick(canvas, Qt.Key.Key_Minus)
    qtbot.keyClick(canvas, Qt.Key.Key_Home)
    assert area.visible_range()[0] < START_S
    area.set_span((START_S + 0.1, START_S + 0.2))
    qtbot.keyClick(canvas, Qt.Key.Key_Return)
    assert area.visible_range() == pytest.approx((START_S + 0.1, START_S + 0.2))


def test_keys_it_does_not_know_are_left_to_the_window(qtbot):
    class Window(QWidget):
        pressed = 0

        def keyPressEvent(self, event):
            self.pressed = event.key()

    window = Window()
    qtbot.addWidget(window)
    area = TraceArea(window)
    area.make()
    qtbot.keyClick(canvas_of(area), Qt.Key.Key_F9)
    assert window.pressed == Qt.Key.Key_F9


def test_overview_moves_and_stretches_the_visible_range(area, qtbot):
    strip = area.findChild(OverviewStrip)
    area.show_range(START_S + 0.2, START_S + 0.3)

    def at(time_s):
        return QPoint(round(strip._scale().px(time_s)), strip.height() // 2)

    def move(a, b):
        qtbot.mousePress(strip, Qt.MouseButton.LeftButton, pos=a)
        qtbot.mouseMove(strip, b)
        qtbot.mouseRelease(strip, Qt.MouseButton.LeftButton, pos=b)

    move(at(START_S + 0.25), at(START_S + 0.35))
    assert area.visible_range() == pytest.approx((START_S + 0.3, START_S + 0.4), abs=2e-3)
    move(at(area.visible_range()[0]), at(START_S + 0.2))
    assert area.visible_range() == pytest.approx((START_S + 0.2, START_S + 0.4), abs=2e-3)
    move(at(area.visible_range()[1]), at(START_S + 0.25))
    assert area.visible_range() == pytest.approx((START_S + 0.2, START_S + 0.25), abs=2e-3)
    qtbot.mouseClick(strip, Qt.MouseButton.LeftButton, pos=at(START_S + 0.45))
    middle_s = sum(area.visible_range()) / 2
    assert middle_s == pytest.approx(START_S + 0.45, abs=2e-3)
    qtbot.keyClick(strip, Qt.Key.Key_Left)
    assert sum(area.visible_range()) / 2 < middle_s


# --- marks


def test_one_drag_of_a_cursor_is_one_gesture(area, qtbot):
    moves = heard(area.cursor_moved)
    start, end = point(area, START_S + 0.2), point(area, START_S + 0.25)
    drag(qtbot, area, start, start + QPoint(10, 0), end)
    assert len(moves) == 3
    assert {key for key, _, _ in moves} == {1}
    assert len({id(gesture) for _, _, gesture in moves}) == 1
    assert moves[-1][1] == pytest.approx(START_S + 0.25, abs=pixel_s(area))
    moves.clear()
    drag(qtbot, area, point(area, START_S + 0.3, "flags"), point(area, START_S + 0.31, "flags"))
    assert {key for key, _, _ in moves} == {2}


def test_escape_takes_a_drag_back(area, qtbot):
    moves = heard(area.cursor_moved)
    viewport = canvas_of(area).viewport()
    start = point(area, START_S + 0.2)
    qtbot.mousePress(viewport, Qt.MouseButton.LeftButton, pos=start)
    qtbot.mouseMove(viewport, start + QPoint(40, 0))
    qtbot.keyClick(canvas_of(area), Qt.Key.Key_Escape)
    qtbot.mouseRelease(viewport, Qt.MouseButton.LeftButton, pos=start + QPoint(40, 0))
    assert len(moves) == 2
    assert moves[-1][1] == START_S + 0.2
    assert moves[0][2] == moves[-1][2]


def test_a_drag_ends_when_another_window_takes_the_keyboard(area, qtbot):
    moves = heard(area.cursor_moved)
    viewport, start = canvas_of(area).viewport(), point(area, START_S + 0.2)
    qtbot.mousePress(viewport, Qt.MouseButton.LeftButton, pos=start)
    qtbot.mouseMove(viewport, start + QPoint(40, 0))
    QApplication.sendEvent(canvas_of(area), QFocusEvent(QEvent.Type.FocusOut))
    qtbot.mouseMove(viewport, start + QPoint(60, 0))
    assert [time_s for _, time_s, _ in moves][1:] == [START_S + 0.2]


def test_arrows_move_the_selected_cursor_by_sample_crossing_and_symbol(area, qtbot):
    canvas = canvas_of(area)
    moves = heard(area.cursor_moved)
    qtbot.keyClick(canvas, Qt.Key.Key_A)
    qtbot.keyClick(canvas, Qt.Key.Key_Right)
    assert moves[-1][:2] == (1, pytest.approx(START_S + 0.2 + 1e-5, abs=1e-12))
    qtbot.keyClick(canvas, Qt.Key.Key_Right, Qt.KeyboardModifier.ShiftModifier)
    assert moves[-1][1] == pytest.approx(START_S + 0.2005, abs=1e-6)
    area.set_cursors([Cursor(1, 0, "A", START_S + 0.152)])
    qtbot.keyClick(canvas, Qt.Key.Key_Left, Qt.KeyboardModifier.AltModifier)
    assert moves[-1][1] == pytest.approx(START_S + 0.15)
    assert len({id(gesture) for *_, gesture in moves}) == 3


def test_f_places_a_flip_at_the_pointer_and_snaps_when_asked(area, qtbot):
    area.show_range(START_S + 0.2, START_S + 0.21)
    placed = heard(area.flip_place_wanted)
    at = point(area, START_S + 0.20513)
    qtbot.mouseMove(canvas_of(area).viewport(), at)
    qtbot.keyClick(canvas_of(area), Qt.Key.Key_F)
    assert placed[-1][0] == pytest.approx(START_S + 0.20513, abs=pixel_s(area))
    area.set_snap({"crossing"})
    area.place_flip()
    assert placed[-1][0] == pytest.approx(START_S + 0.205, abs=1e-7)


def test_without_a_pointer_a_flip_goes_to_the_cursor_or_mid_view(area, qtbot):
    placed = heard(area.flip_place_wanted)
    QApplication.sendEvent(canvas_of(area), QEvent(QEvent.Type.Leave))
    area.show_range(START_S + 0.21, START_S + 0.31)
    area.place_flip()
    assert placed[-1][0] == pytest.approx(START_S + 0.26)
    qtbot.keyClick(canvas_of(area), Qt.Key.Key_B)
    area.place_flip()
    assert placed[-1][0] == START_S + 0.3


def test_double_click_and_flip_tool_place_flips(area, qtbot):
    placed = heard(area.flip_place_wanted)
    viewport, at = canvas_of(area).viewport(), point(area, START_S + 0.4)
    qtbot.mouseClick(viewport, Qt.MouseButton.LeftButton, pos=at)
    qtbot.mouseDClick(viewport, Qt.MouseButton.LeftButton, pos=at)
    assert len(placed) == 1
    area.set_tool("flip")
    qtbot.mouseClick(viewport, Qt.MouseButton.LeftButton, pos=at)
    assert len(placed) == 2
    assert placed[0][0] == pytest.approx(START_S + 0.4, abs=pixel_s(area))


class Owner:
    """Keeps flips as a session would: moving an automatic flip strikes it out and sets one by hand."""

    def __init__(self, area):
        self.area = area
        self.moves: list[tuple] = []
        self.deleted: list[FlipView] = []
        area.flip_moved.connect(self.move)
        area.flip_delete_wanted.connect(self.deleted.append)

    def move(self, flip, time_s, gesture):
        self.moves.append((flip, time_s, gesture))
        struck_out = FlipView(flip.time_s, flip.interval_s, "removed", 8)
        rest = [other for other in FLIPS if other != flip]
        self.area.set_flips([*rest, struck_out, FlipView(time_s, None, "hand", 9)])


def test_a_dragged_flip_is_the_same_all_through_the_gesture(area, qtbot):
    owner = Owner(area)
    area.show_range(START_S + 0.1, START_S + 0.2)
    flip = FLIPS[2]
    start = point(area, flip.time_s, "heads")
    drag(qtbot, area, start, start + QPoint(10, 0), start + QPoint(25, 0), start + QPoint(40, 0))
    assert len(owner.moves) == 4
    assert all(moved is flip for moved, _, _ in owner.moves)
    assert len({id(gesture) for *_, gesture in owner.moves}) == 1
    assert owner.moves[-1][1] == pytest.approx(flip.time_s + 40 * pixel_s(area), abs=2 * pixel_s(area))
    # what was dragged stays selected, so that Delete and arrows act on it
    QApplication.sendEvent(canvas_of(area), QEvent(QEvent.Type.Leave))
    area.delete_flip()
    assert owner.deleted == [FlipView(owner.moves[-1][1], None, "hand", 9)]


def test_delete_acts_on_the_hovered_flip_then_on_the_selected(area, qtbot):
    owner = Owner(area)
    canvas = canvas_of(area)
    qtbot.mouseMove(canvas.viewport(), point(area, FLIPS[3].time_s))
    qtbot.keyClick(canvas, Qt.Key.Key_Delete)
    assert owner.deleted == [FLIPS[3]]
    QApplication.sendEvent(canvas, QEvent(QEvent.Type.Leave))
    area.delete_flip()
    assert len(owner.deleted) == 1
    area.select_next_flip(1)
    qtbot.keyClick(canvas, Qt.Key.Key_Backspace)
    assert owner.deleted == [FLIPS[3], FLIPS[0]]


def test_flips_can_be_found_and_moved_by_keys_alone(area, qtbot):
    owner = Owner(area)
    canvas = canvas_of(area)
    area.show_range(START_S + 0.3, START_S + 0.4)
    area.select_next_flip(-1)
    start_s, end_s = area.visible_range()
    assert start_s < FLIPS[-1].time_s < end_s
    qtbot.keyClick(canvas, Qt.Key.Key_Comma)
    qtbot.keyClick(canvas, Qt.Key.Key_Left)
    assert owner.moves[-1][:2] == (FLIPS[-2], pytest.approx(FLIPS[-2].time_s - 1e-5))
    qtbot.keyClick(canvas, Qt.Key.Key_Left)
    # a new key press is a new gesture, of the flip as it is now
    flip, time_s, gesture = owner.moves[-1]
    assert flip.origin == "hand"
    assert time_s == pytest.approx(FLIPS[-2].time_s - 2e-5)
    assert gesture != owner.moves[-2][2]


def test_span_by_mouse_and_its_edges(area, qtbot):
    chosen, cleared = heard(area.span_selected), heard(area.span_cleared)
    area.set_tool("span")
    drag(qtbot, area, point(area, START_S + 0.4), point(area, START_S + 0.35), point(area, START_S + 0.32))
    assert len(chosen) == 1
    assert chosen[0] == pytest.approx((START_S + 0.32, START_S + 0.4), abs=pixel_s(area))
    area.set_span(chosen[0])
    area.set_tool("pan")
    drag(qtbot, area, point(area, START_S + 0.32), point(area, START_S + 0.24))
    assert chosen[-1] == pytest.approx((START_S + 0.24, START_S + 0.4), abs=pixel_s(area))
    area.set_span(chosen[-1])
    drag(
        qtbot,
        area,
        point(area, START_S + 0.41),
        point(area, START_S + 0.44),
        modifier=Qt.KeyboardModifier.ShiftModifier,
    )
    assert chosen[-1] == pytest.approx((START_S + 0.41, START_S + 0.44), abs=pixel_s(area))
    area.set_tool("span")
    qtbot.mouseClick(canvas_of(area).viewport(), Qt.MouseButton.LeftButton, pos=point(area, START_S + 0.05))
    assert len(cleared) == 1
    qtbot.keyClick(canvas_of(area), Qt.Key.Key_Escape)
    assert len(cleared) == 2
    area.span_from_cursors()
    assert chosen[-1] == (START_S + 0.2, START_S + 0.3)


@pytest.mark.qt_log_ignore("plugin does not support", extend=True)
def test_menu_offers_what_can_be_done_here(area, qtbot):
    control = area._control
    placed, deleted, moves = (
        heard(area.flip_place_wanted),
        heard(area.flip_delete_wanted),
        heard(area.cursor_moved),
    )

    def choose(place, text):
        at = canvas_of(area).viewport().mapToGlobal(place)
        qtbot.mouseMove(canvas_of(area).viewport(), place)
        event = QContextMenuEvent(QContextMenuEvent.Reason.Mouse, place, at)
        QApplication.sendEvent(canvas_of(area).viewport(), event)
        menu = canvas_of(area).findChild(QMenu, "traceMenu")
        next(action for action in menu.actions() if action.text() == text).trigger()
        menu.close()
        QApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)

    choose(point(area, START_S + 0.4), "Place a flip here")
    assert placed[0][0] == pytest.approx(START_S + 0.4, abs=pixel_s(area))
    choose(point(area, FLIPS[0].time_s), "Strike out this flip")
    assert deleted == [(FLIPS[0],)]
    choose(point(area, START_S + 0.4), "Bring cursor B here")
    assert moves[0][:2] == (2, pytest.approx(START_S + 0.4, abs=pixel_s(area)))
    area.show_range(START_S + 0.1, START_S + 0.2)
    choose(point(area, START_S + 0.195), "Show the whole capture")
    assert area.visible_range()[0] < START_S
    assert control.dragging is None


def test_the_mouse_says_what_it_would_do(area, qtbot):
    hints = heard(area.mouse_hint)
    viewport = canvas_of(area).viewport()
    qtbot.mouseMove(viewport, point(area, FLIPS[0].time_s, "heads"))
    assert "flip found" in hints[-1][0]
    qtbot.mouseMove(viewport, point(area, START_S + 0.2))
    assert "cursor A" in hints[-1][0]
    QApplication.sendEvent(canvas_of(area), QEvent(QEvent.Type.Leave))
    assert hints[-1] == ("",)


@pytest.mark.parametrize("setter", ["set_tool", "set_arrangement"])
def test_unknown_names_are_refused(area, setter):
    with pytest.raises(ValueError, match="one of"):
        getattr(area, setter)("sideways")
    with pytest.raises(ValueError, match="no snapping to sideways"):
        area.set_snap(["sideways"])


# --- what is seen


def picture(area) -> np.ndarray:
    """Colours, shape (height, width, 3), of the canvas as it is painted."""
    image = canvas_of(area).grab().toImage().convertToFormat(QImage.Format.Format_RGB888)
    raw = np.frombuffer(image.constBits(), np.uint8).reshape(image.height(), image.bytesPerLine())
    return raw[:, : 3 * image.width()].reshape(image.height(), image.width(), 3).astype(int)


def inked(area, colour: QColor) -> np.ndarray:
    """Where the picture has just this colour."""
    return (picture(area) == (colour.red(), colour.green(), colour.blue())).all(axis=2)


def bare(qtbot, *channels) -> TraceArea:
    area = TraceArea()
    qtbot.addWidget(area)
    area.resize(900, 500)
    area.set_channels(channels)
    area.show()
    qtbot.waitExposed(area)
    return area


def traced(area, hue=0) -> np.ndarray:
    """Pixels of a trace, right of its name and within the rows."""
    place = canvas_of(area).geometry_px()
    seen = inked(area, canvas_of(area).colours.channel(hue))
    seen[:, : int(place.left) + 60] = False
    seen[: int(place.heads_bottom)] = seen[int(place.rows_bottom) :] = False
    return seen


def test_a_flat_line_is_seen_as_a_line(qtbot):
    area = bare(qtbot, channel(np.full(COUNT, 700, np.int16)))
    columns = traced(area).any(axis=0)
    place = canvas_of(area).geometry_px()
    assert columns[int(place.left) + 65 : int(place.right) - 15].all()
    assert traced(area).sum(axis=0).max() <= 2


@pytest.mark.parametrize("around_s", [0.5, 0.05, 0.005])
def test_a_glitch_of_one_sample_is_seen(qtbot, around_s):
    stored = np.zeros(COUNT, np.int16)
    stored[31_234] = 900
    area = bare(qtbot, channel(stored))
    at_s = START_S + 0.31234
    area.show_range(at_s - around_s / 2, at_s + around_s / 2)
    seen = traced(area)
    x = round(canvas_of(area).time_scale().px(at_s))
    rows = canvas_of(area).rows[0]
    top = round(rows.value_y(0.9))
    assert seen[top - 2 : top + 4, x - 2 : x + 3].any()


def test_panning_by_whole_pixels_moves_the_picture_and_changes_nothing(qtbot):
    rng = np.random.default_rng(3)
    area = bare(qtbot, channel(np.cumsum(rng.integers(-50, 51, COUNT)).astype(np.int16)))
    area.show_range(START_S + 0.1, START_S + 0.3)
    place = canvas_of(area).geometry_px()
    before = traced(area)
    shift = 37
    area.pan_by(shift / (place.right - place.left))
    after = traced(area)
    inner = slice(int(place.left) + 110, int(place.right) - 80)
    old, new = before[:, inner], np.roll(after, shift, axis=1)[:, inner]
    # columns may fall on the next pixel by rounding, so neighbours may differ
    assert old.any()
    assert (old & ~(new | np.roll(new, 1, axis=1) | np.roll(new, -1, axis=1))).sum() < 0.01 * old.sum()


def test_segments_have_a_gap_between_them(qtbot):
    segments = (TraceSegment(0, 25_000, START_S), TraceSegment(25_000, COUNT, START_S + 0.5))
    area = bare(qtbot, channel(np.full(COUNT, 500, np.int16), segments=segments))
    scale = canvas_of(area).time_scale()
    columns = traced(area).any(axis=0)
    gap = slice(round(scale.px(START_S + 0.26)), round(scale.px(START_S + 0.49)))
    assert not columns[gap].any()
    assert columns[gap.start - 30] or columns[gap.start - 20]
    assert columns[gap.stop + 30]


def test_samples_are_dots_when_there_is_room(qtbot):
    area = bare(qtbot, channel())
    crest_s = START_S + 0.10025

    def thickness(time_s):
        return traced(area)[:, round(canvas_of(area).time_scale().px(time_s))].sum()

    area.show_range(crest_s - 1.5e-4, crest_s + 1.5e-4)
    assert thickness(crest_s) >= 4
    assert thickness(crest_s + 0.5 / RATE_HZ) <= 2
    area.show_range(crest_s - 15e-4, crest_s + 15e-4)
    assert thickness(crest_s) <= 3


def heads(area, flip) -> np.ndarray:
    """The head of a flip as a drawing without colour."""
    area.set_flips([flip])
    place = canvas_of(area).geometry_px()
    x = round(canvas_of(area).time_scale().px(flip.time_s))
    ground = canvas_of(area).colours.ground
    part = picture(area)[int(place.heads_middle) : int(place.heads_bottom), x - 9 : x + 10]
    return (part != (ground.red(), ground.green(), ground.blue())).any(axis=2)


def test_kinds_of_flips_differ_in_shape(area):
    at_s = START_S + 0.45
    kinds = [FlipView(at_s), FlipView(at_s, None, "hand", 1), FlipView(at_s, None, "removed", 2)]
    drawn = [heads(area, kind) for kind in kinds]
    assert all(one.sum() > 10 for one in drawn)
    for a, b in ((0, 1), (0, 2), (1, 2)):
        assert (drawn[a] != drawn[b]).sum() > 10


def test_only_flips_that_count_have_a_line_through_trace_and_lane(area):
    at_s = START_S + 0.45
    for origin, expected in (("auto", True), ("hand", True), ("removed", False)):
        area.set_flips([FlipView(at_s, None, origin, 1)])
        colours = canvas_of(area).colours
        colour = {"auto": colours.auto_flip, "hand": colours.hand_flip, "removed": colours.removed_flip}[
            origin
        ]
        seen = inked(area, colour)
        place = canvas_of(area).geometry_px()
        x = round(canvas_of(area).time_scale().px(at_s))
        line = seen[int(place.heads_bottom) + 2 : int(place.lane_bottom) - 2, x - 1 : x + 2].any(axis=1)
        assert line.all() == expected
        assert line.any() == expected


def test_symbols_are_boxes_with_their_digit_close_up_and_shading_far_off(area):
    colours = canvas_of(area).colours
    area.show_range(START_S + 0.1, START_S + 0.18)
    area.set_flips([])
    close = inked(area, colours.symbol)
    scale, place = canvas_of(area).time_scale(), canvas_of(area).geometry_px()
    middle = int((place.rows_bottom + place.lane_bottom) / 2) + 4
    for k, symbol in enumerate("10110010"):
        x = round(scale.px(START_S + 0.1 + (k + 0.2) * 0.01))
        assert close[place_of_top(place) : middle, x].any() == (symbol == "1")
    text = inked(area, colours.symbol_text)
    x = slice(round(scale.px(START_S + 0.1005)), round(scale.px(START_S + 0.1095)))
    assert text[middle:, x].any()
    area.show_range(START_S - 1, START_S + 2)
    assert inked(area, colours.symbol).any()


def place_of_top(place) -> int:
    """Where only the boxes of high symbols reach."""
    return int(place.rows_bottom + 0.4 * (place.lane_bottom - place.rows_bottom))


def test_doubtful_symbols_and_changed_ones_are_marked(area):
    area.show_range(START_S + 0.1, START_S + 0.18)
    colours = canvas_of(area).colours
    area.set_flips([])
    sure = LaneBurst(START_S + 0.1, START_S + 0.18, START_S + 0.1, 0.01, "10110010", [0.9999] * 8)
    area.set_lane([sure])
    assert not inked(area, colours.doubt).any()
    doubtful = [0.9999] * 3 + [0.6] + [0.9999] * 4
    area.set_lane([LaneBurst(sure.start_s, sure.end_s, sure.first_symbol_s, 0.01, sure.symbols, doubtful)])
    x = np.flatnonzero(inked(area, colours.doubt).any(axis=0))
    scale = canvas_of(area).time_scale()
    assert scale.time(x.min()) == pytest.approx(START_S + 0.13, abs=2e-4)
    assert scale.time(x.max()) == pytest.approx(START_S + 0.14, abs=3e-4)
    changed = [k == 6 for k in range(8)]
    area.set_lane([LaneBurst(sure.start_s, sure.end_s, sure.first_symbol_s, 0.01, sure.symbols, (), changed)])
    x = np.flatnonzero(inked(area, colours.hand_flip).any(axis=0))
    assert scale.time(float(x.mean())) == pytest.approx(START_S + 0.165, abs=2e-4)


def test_palettes_and_fonts_are_followed(area, qtbot):
    heights = []
    for appearance in (style.Appearance.LIGHT, style.Appearance.DARK):
        area.setPalette(style.palette_of(appearance))
        ground = style.palette_of(appearance).base().color()
        assert canvas_of(area).grab().toImage().pixelColor(2, 2) == ground
        heights.append(canvas_of(area).geometry_px())
    assert heights[0] == heights[1]
    font = QFont(area.font())
    font.setPointSizeF(2 * font.pointSizeF())
    area.setFont(font)
    QApplication.processEvents()
    larger = canvas_of(area).geometry_px()
    assert larger.lane_bottom - larger.rows_bottom > 1.5 * (heights[0].lane_bottom - heights[0].rows_bottom)
    assert larger.heads_bottom - larger.heads_top > 1.2 * (heights[0].heads_bottom - heights[0].heads_top)


def test_names_tell_the_channels_apart(qtbot):
    other = TraceChannel("shunt", "A", tone() // 2, RATE_HZ, START_S, scale=1e-3)
    third = TraceChannel("return", "V", -tone(), RATE_HZ, START_S, scale=1e-3)
    area = bare(qtbot, channel(), other, third)
    assert [len(row.envelopes) for row in canvas_of(area).rows] == [1, 1, 1]
    area.set_arrangement("by-unit")
    assert [[e.channel.name for e in row.envelopes] for row in canvas_of(area).rows] == [
        ["line", "return"],
        ["shunt"],
    ]
    tags = [tag for row in canvas_of(area).rows for tag in row.tags()]
    assert [tag.name for tag in tags] == ["line", "return", "shunt"]
    assert len({tag.colour.name() for tag in tags}) == 3
    for hue in range(3):
        assert traced(area, hue).any()


def test_far_from_zero_the_picture_is_the_same(qtbot):
    near, far = bare(qtbot, channel(start_s=0.0)), bare(qtbot, channel(start_s=86_400.0))
    near.show_range(0.1, 0.1005)
    far.show_range(86_400.1, 86_400.1005)
    a, b = traced(near), traced(far)
    assert a.any()
    assert (a != b).sum() <= 0.05 * a.sum()


# --- captures


def test_the_same_samples_keep_envelope_and_view(area):
    stored = tone()
    area.set_channels([channel(stored)])
    area.show_range(START_S + 0.1, START_S + 0.2)
    envelope = area._envelopes[0]
    area.set_channels([channel(stored), TraceChannel("half", "V", stored // 2, RATE_HZ, START_S)])
    assert area._envelopes[0]._pyramid is envelope._pyramid
    assert area.visible_range() == pytest.approx((START_S + 0.1, START_S + 0.2))
    area.set_channels([channel(start_s=7.0)])
    assert area.visible_range()[0] == pytest.approx(7.0, abs=0.01)


def test_nothing_to_show_is_shown(area, qtbot):
    area.set_channels([])
    area.set_channels([channel(np.zeros(0, np.int16))])
    area.set_channels([channel(np.full(500, np.nan))])
    area.set_channels([channel(np.zeros(1, np.int16))])
    area.set_flips([])
    area.set_lane([LaneBurst(START_S, START_S, START_S, 0.0, "")])
    area.grab()
    for key in (Qt.Key.Key_Comma, Qt.Key.Key_Right, Qt.Key.Key_Delete, Qt.Key.Key_Plus, Qt.Key.Key_Escape):
        qtbot.keyClick(canvas_of(area), key)
    start_s, end_s = area.visible_range()
    assert start_s < end_s


class Slow:
    """Samples that are given only after ``open`` is set."""

    def __init__(self, stored):
        self.stored = stored
        self.open = threading.Event()

    def __len__(self):
        return len(self.stored)

    def __getitem__(self, key):
        if key.stop > key.start:
            self.open.wait(5)
        return self.stored[key]


def test_large_captures_appear_while_their_envelope_grows(qtbot):
    stored = np.zeros(3_000_000, np.int8)
    stored[2_999_000] = 100
    source = Slow(stored)
    area = bare(qtbot, TraceChannel("line", "V", source, RATE_HZ))
    builder = area.findChild(EnvelopeBuilder)
    assert builder.busy
    assert not traced(area).any()
    source.open.set()
    qtbot.waitUntil(lambda: not builder.busy)
    assert traced(area).any()
    assert canvas_of(area).rows[0].values[1] > 100


def test_building_stops_when_the_area_goes(qtbot):
    source = Slow(np.zeros(1 << 24, np.int8))
    area = TraceArea()
    area.set_channels([TraceChannel("line", "V", source, RATE_HZ)])
    worker = area.findChild(EnvelopeBuilder)._thread
    area.deleteLater()
    QApplication.sendPostedEvents(area, QEvent.Type.DeferredDelete)
    source.open.set()
    worker.join(2)
    assert not worker.is_alive()
    assert not any(thread.name == "envelopes" for thread in threading.enumerate())


def test_another_capture_ends_the_building_of_the_one_before(qtbot):
    source = Slow(np.zeros(1 << 24, np.int8))
    area = TraceArea()
    qtbot.addWidget(area)
    area.set_channels([TraceChannel("line", "V", source, RATE_HZ)])
    source.open.set()
    area.set_channels([channel()])
    assert not any(thread.name == "envelopes" for thread in threading.enumerate())
    area.stop()
