"""Stepping, the symbol grid and the level line in the trace, used with mouse and keys."""

from __future__ import annotations

import numpy as np
import pytest
from PySide6.QtCore import QPoint, Qt

from app.gui.trace.api import FlipView, GridHandle, GridView, LaneBurst, TraceChannel
from app.gui.trace.area import TraceArea
from app.gui.trace.canvas import TraceCanvas
from app.gui.trace.curves import ChannelEnvelope
from app.gui.trace.marks_shown import LaneBook, MarksShown
from app.gui.trace.snapping import Snapper
from app.model.items import Cursor

RATE_HZ = 100e3
START_S = 2.0
SYMBOLS = "1101001110"
EDGES = [START_S + 5e-3 * k for k in range(1, 10) if SYMBOLS[k] != SYMBOLS[k - 1]]
SHIFT, ALT = Qt.KeyboardModifier.ShiftModifier, Qt.KeyboardModifier.AltModifier
Key = Qt.Key


def keyed() -> np.ndarray:
    """1 kHz about 24 V, five cycles a symbol, turned over at crossings."""
    at = np.arange(5000)
    signs = np.array([1.0 if symbol == "1" else -1.0 for symbol in SYMBOLS])[at // 500]
    return np.round(1000 * (24 + signs * np.sin(2 * np.pi * at / 100))).astype(np.int16)


@pytest.fixture
def area(qtbot):
    made = TraceArea()
    qtbot.addWidget(made)
    made.resize(1000, 500)
    made.set_channels([TraceChannel("line", "V", keyed(), RATE_HZ, START_S, scale=1e-3)])
    made.set_cursors([Cursor(1, 0, "A", START_S + 0.012)])
    made.show()
    qtbot.waitExposed(made)
    made.show_range(START_S + 0.005, START_S + 0.025)
    made.setFocus()
    return made


def canvas_of(area) -> TraceCanvas:
    return area.findChild(TraceCanvas, "traceCanvas")


def heard(signal) -> list[tuple]:
    calls: list[tuple] = []
    signal.connect(lambda *values: calls.append(values))
    return calls


def px(area, time_s: float) -> int:
    return round(canvas_of(area).time_scale().px(time_s))


def bar(area, time_s: float) -> QPoint:
    place = canvas_of(area).geometry_px()
    return QPoint(px(area, time_s), round((place.bar_top + place.rows_bottom) / 2))


def drag(qtbot, area, start: QPoint, *ways: QPoint, held=Qt.KeyboardModifier.NoModifier) -> None:
    viewport = canvas_of(area).viewport()
    qtbot.mouseMove(viewport, start)
    qtbot.mousePress(viewport, Qt.MouseButton.LeftButton, held, start)
    for way in ways:
        qtbot.mouseMove(viewport, way)
    qtbot.mouseRelease(viewport, Qt.MouseButton.LeftButton, held, ways[-1])


def press(qtbot, area, *keys, held=Qt.KeyboardModifier.NoModifier) -> None:
    for key in keys:
        qtbot.keyClick(canvas_of(area), key, held)


def selected(area):
    return area.selected_mark()


# --- stepping


@pytest.fixture
def kept(area):
    """An owner that keeps the flips placed and deleted, as the session does."""
    flips: list[FlipView] = []

    def place(time_s):
        flips.append(FlipView(time_s, None, "hand", len(flips) + 100))
        area.set_flips(flips)

    def delete(flip):
        flips.remove(flip)
        area.set_flips(flips)

    area.flip_place_wanted.connect(place)
    area.flip_delete_wanted.connect(delete)
    return flips


def test_every_flip_is_marked_by_stepping(area, kept, qtbot):
    press(qtbot, area, Key.Key_A)
    area.show_range(START_S, START_S + 0.05)
    area.set_cursors([Cursor(1, 0, "A", START_S + 0.001)])
    hints, states = heard(area.mouse_hint), heard(area.walk_changed)
    assert area.walk()
    assert states == [(True,)]
    for _ in range(120):
        turns = "turns back" in hints[-1][0]
        press(qtbot, area, Key.Key_F if turns else Key.Key_Space)
    assert [flip.time_s for flip in kept] == pytest.approx(EDGES, abs=1.5 / RATE_HZ)
    assert "No crossing that way any more" in hints[-1][0]
    press(qtbot, area, Key.Key_Escape)
    assert states[-1] == (False,)
    assert hints[-1] == ("",)


def test_steps_go_both_ways_and_are_taken_back_with_their_flips(area, kept, qtbot):
    press(qtbot, area, Key.Key_A)
    area.walk()
    walk = area._control.walk
    first_s = walk.at_s
    assert first_s == pytest.approx(START_S + 0.012, abs=1e-6)
    press(qtbot, area, Key.Key_Right)
    assert walk.at_s == pytest.approx(first_s + 0.5e-3, abs=1e-6)
    press(qtbot, area, Key.Key_Return)
    assert [flip.time_s for flip in kept] == pytest.approx([first_s + 0.5e-3], abs=1e-6)
    press(qtbot, area, Key.Key_Left, Key.Key_Left, Key.Key_Left)
    assert walk.at_s == pytest.approx(first_s - 0.5e-3, abs=1e-6)
    press(qtbot, area, *[Key.Key_Backspace] * 4)
    assert walk.at_s == pytest.approx(first_s + 0.5e-3, abs=1e-6)
    assert kept == []
    press(qtbot, area, Key.Key_Backspace)
    assert walk.at_s == pytest.approx(first_s, abs=1e-6)
    # behind the first step it goes on backwards
    press(qtbot, area, Key.Key_Backspace)
    assert walk.at_s == pytest.approx(first_s - 0.5e-3, abs=1e-6)


def test_a_flip_is_set_once_and_deleted_while_stepping(area, kept, qtbot):
    press(qtbot, area, Key.Key_A)
    area.walk()
    press(qtbot, area, Key.Key_F, Key.Key_Left, Key.Key_F, Key.Key_Left)
    assert len(kept) == 1
    press(qtbot, area, Key.Key_Delete)
    assert kept == []


def test_a_stride_is_a_symbol_where_one_is_known(area, qtbot):
    press(qtbot, area, Key.Key_A)
    area.walk()
    walk = area._control.walk
    at_s = walk.at_s
    press(qtbot, area, Key.Key_Right, held=SHIFT)
    assert walk.at_s == pytest.approx(at_s + 5e-3, abs=1e-5)  # ten crossings
    area.set_grid(GridView(START_S, START_S + 0.02, 10))
    press(qtbot, area, Key.Key_Right, held=SHIFT)
    assert walk.at_s == pytest.approx(at_s + 7e-3, abs=1e-5)
    area.set_grid(None)
    area.set_lane([LaneBurst(START_S, START_S + 0.05, START_S, 0.005, SYMBOLS)])
    press(qtbot, area, Key.Key_Left, held=SHIFT)
    assert walk.at_s == pytest.approx(at_s + 2e-3, abs=1e-5)


def test_the_view_follows_and_is_zoomed_where_crossings_cannot_be_told_apart(area, qtbot):
    area.zoom_all()
    press(qtbot, area, Key.Key_A)
    area.walk()
    start_s, end_s = area.visible_range()
    assert end_s - start_s == pytest.approx(12e-3)  # 24 half cycles instead of more than 100
    area.walk()
    area.show_range(START_S + 0.008, START_S + 0.016)
    press(qtbot, area, Key.Key_A)
    area.walk()
    for _ in range(30):
        press(qtbot, area, Key.Key_Space)
        start_s, end_s = area.visible_range()
        assert start_s < area._control.walk.at_s < end_s
        assert end_s - start_s == pytest.approx(8e-3)


def test_of_a_long_capture_some_crossings_are_shown_large(qtbot):
    made = TraceArea()
    qtbot.addWidget(made)
    tone = np.round(1000 * np.sin(2 * np.pi * np.arange(200_000) / 100)).astype(np.int16)
    made.set_channels([TraceChannel("line", "V", tone, RATE_HZ, START_S, scale=1e-3)])
    made.show()
    qtbot.waitExposed(made)
    assert made.walk()
    start_s, end_s = made.visible_range()
    assert end_s - start_s == pytest.approx(12e-3)
    half_cycles = (made._control.walk.at_s - START_S) / 0.5e-3
    assert half_cycles == pytest.approx(round(half_cycles), abs=1e-3)


def test_without_a_crossing_stepping_does_not_begin(qtbot):
    made = TraceArea()
    qtbot.addWidget(made)
    made.set_channels([TraceChannel("line", "V", np.zeros(1000, np.int16), RATE_HZ)])
    made.show()
    assert not made.walk()
    assert not made._control.walk.active


# --- the symbol grid


@pytest.fixture
def gridded(area):
    area.set_grid(GridView(START_S + 0.01, START_S + 0.02, 2, "2 symbols"))
    return area


def test_the_bar_moves_the_grid_in_one_gesture(gridded, qtbot):
    shaped = heard(gridded.grid_shaped)
    drag(
        qtbot,
        gridded,
        bar(gridded, START_S + 0.015),
        *(bar(gridded, START_S + 0.015 + k * 1e-3) for k in (1, 2)),
    )
    start_s, end_s, count, _ = shaped[-1]
    pixel_s = canvas_of(gridded).time_scale().seconds_per_pixel
    assert start_s == pytest.approx(START_S + 0.012, abs=pixel_s)
    assert end_s - start_s == pytest.approx(0.01, rel=1e-9)
    assert count == 2
    assert len({id(gesture) for *_, gesture in shaped}) == 1
    assert selected(gridded).part == "whole"


@pytest.mark.parametrize(("at_s", "fixed", "part"), [(0.01, 1, "start"), (0.02, 0, "end")])
def test_an_end_stretches_the_grid_about_the_other(gridded, qtbot, at_s, fixed, part):
    shaped = heard(gridded.grid_shaped)
    drag(qtbot, gridded, bar(gridded, START_S + at_s), bar(gridded, START_S + at_s + 0.002))
    ends = shaped[-1][:2]
    assert ends[fixed] == (START_S + 0.01, START_S + 0.02)[fixed]
    assert ends[1 - fixed] == pytest.approx(START_S + at_s + 0.002, abs=3e-5)
    assert selected(gridded).part == part


def test_escape_puts_the_grid_back(gridded, qtbot):
    shaped = heard(gridded.grid_shaped)
    viewport = canvas_of(gridded).viewport()
    qtbot.mousePress(viewport, Qt.MouseButton.LeftButton, pos=bar(gridded, START_S + 0.02))
    qtbot.mouseMove(viewport, bar(gridded, START_S + 0.023))
    press(qtbot, gridded, Key.Key_Escape)
    assert shaped[0][1] == pytest.approx(START_S + 0.023, abs=5e-5)
    assert shaped[-1][:2] == (START_S + 0.01, START_S + 0.02)
    assert shaped[-1][3] is shaped[0][3]


def test_ends_of_the_grid_snap_unless_held_off(gridded, qtbot):
    gridded.set_snap({"crossing"})
    shaped = heard(gridded.grid_shaped)
    drag(qtbot, gridded, bar(gridded, START_S + 0.02), bar(gridded, START_S + 0.02207))
    assert shaped[-1][1] == pytest.approx(START_S + 0.022, abs=1e-6)
    drag(qtbot, gridded, bar(gridded, START_S + 0.022), bar(gridded, START_S + 0.0217), held=ALT)
    assert shaped[-1][1] != pytest.approx(START_S + 0.0215, abs=1e-5)


def test_keys_select_move_stretch_and_lengthen_the_grid(gridded, qtbot):
    shaped = heard(gridded.grid_shaped)
    press(qtbot, gridded, Key.Key_G)
    assert selected(gridded) == GridHandle("whole", START_S + 0.01)
    press(qtbot, gridded, Key.Key_Right)
    assert shaped[-1][:2] == pytest.approx((START_S + 0.01001, START_S + 0.02001))
    press(qtbot, gridded, Key.Key_Left, held=SHIFT)
    assert shaped[-1][0] == pytest.approx(START_S + 0.01, abs=1e-6)
    press(qtbot, gridded, Key.Key_G)
    press(qtbot, gridded, Key.Key_Left)
    assert shaped[-1][:2] == pytest.approx((START_S + 0.01, START_S + 0.01999), abs=1e-6)
    press(qtbot, gridded, Key.Key_Up)
    assert shaped[-1][2] == 3
    assert shaped[-1][1] == pytest.approx(START_S + 0.024985, abs=1e-6)
    press(qtbot, gridded, Key.Key_Down, Key.Key_Down, Key.Key_Down)
    assert shaped[-1][2] == 1
    press(qtbot, gridded, Key.Key_G)
    press(qtbot, gridded, Key.Key_Right)
    assert selected(gridded).part == "start"
    assert shaped[-1][0] == pytest.approx(START_S + 0.01001, abs=1e-6)
    # the other marks are reached as before, the grid among them
    press(qtbot, gridded, Key.Key_Escape, Key.Key_Period)
    assert selected(gridded).time_s >= START_S + 0.005


def test_the_grid_stays_on_the_capture_and_keeps_its_samples(gridded, qtbot):
    shaped = heard(gridded.grid_shaped)
    gridded.show_range(START_S, START_S + 0.05)
    drag(qtbot, gridded, bar(gridded, START_S + 0.015), bar(gridded, START_S + 0.0495))
    assert shaped[-1][:2] == pytest.approx((START_S + 0.04, START_S + 0.05))
    drag(qtbot, gridded, bar(gridded, START_S + 0.0495), bar(gridded, START_S + 0.002))
    start_s, end_s, *_ = shaped[-1]
    assert (end_s - start_s) * RATE_HZ >= 2 * 2


def test_hints_tell_the_fit_while_the_mouse_is_on_the_grid(gridded, qtbot):
    hints = heard(gridded.mouse_hint)
    qtbot.mouseMove(canvas_of(gridded).viewport(), bar(gridded, START_S + 0.015))
    assert "2 symbols · drag: move it" in hints[-1][0]
    qtbot.mouseMove(canvas_of(gridded).viewport(), bar(gridded, START_S + 0.02))
    assert "end of the symbol grid" in hints[-1][0]


# --- the level line, and snapping to every kind of target


def test_the_level_line_is_dragged_and_each_channel_keeps_its_own(area, qtbot):
    area.set_level(24.0)
    levels = heard(area.level_changed)
    canvas = canvas_of(area)
    y = canvas.geometry_px().level_y
    x = px(area, START_S + 0.02)
    aim = canvas.active_row().value_y(24.6)
    drag(qtbot, area, QPoint(x, round(y)), QPoint(x, round((y + aim) / 2)), QPoint(x, round(aim)))
    assert levels[-1][0] == pytest.approx(24.6, abs=0.02)
    assert area.level == levels[-1][0]
    area.set_channels([TraceChannel("other", "V", keyed(), RATE_HZ, START_S, scale=1e-3)])
    assert area.level is None
    area.set_channels([TraceChannel("line", "V", keyed(), RATE_HZ, START_S, scale=1e-3)])
    assert area.level == pytest.approx(24.6, abs=0.02)


# crossings every 0.5 ms, extremes 0.25 ms after them; from 12 to 12.5 ms a negative lobe, 23.5 V at 1/12 and 5/12 of it
CASES = {
    "crossing": (0.01202, 0.012),
    "extremum": (0.01223, 0.01225),
    "level": (0.01209, 0.012 + 1e-3 / 12),
    "flip": (0.01229, 0.0123),
    "symbol": (0.01248, 0.0125),
}


def cursor_line(area, time_s: float) -> QPoint:
    place = canvas_of(area).geometry_px()
    return QPoint(px(area, time_s), round(place.heads_bottom + 20))


@pytest.fixture
def targets(area):
    area.set_flips([FlipView(START_S + 0.0123)])
    area.set_grid(GridView(START_S + 0.01, START_S + 0.02, 4))
    area.set_level(23.5)
    area.set_cursors([Cursor(1, 0, "A", START_S + 0.0116)])
    area.show_range(START_S + 0.0114, START_S + 0.0134)
    return area


@pytest.mark.parametrize("kind", CASES)
def test_a_dragged_cursor_snaps_between_samples(targets, qtbot, kind):
    near_s, there_s = CASES[kind]
    targets.set_snap({kind})
    moved = heard(targets.cursor_moved)
    drag(qtbot, targets, cursor_line(targets, START_S + 0.0116), cursor_line(targets, START_S + near_s))
    # a tenth of a sample
    assert moved[-1][1] == pytest.approx(START_S + there_s, abs=0.1 / RATE_HZ)


@pytest.mark.parametrize("kind", CASES)
def test_keys_step_to_what_marks_snap_to(targets, qtbot, kind):
    targets.set_snap({kind})
    targets.set_cursors([Cursor(1, 0, "A", START_S + 0.01195)])
    moved = heard(targets.cursor_moved)
    press(qtbot, targets, Key.Key_A)
    press(qtbot, targets, Key.Key_Right, held=SHIFT | ALT)
    assert moved[-1][1] == pytest.approx(START_S + CASES[kind][1], abs=0.1 / RATE_HZ)
    targets.set_cursors([Cursor(1, 0, "A", START_S + CASES[kind][1] + 0.3 / RATE_HZ)])
    press(qtbot, targets, Key.Key_Left, held=SHIFT | ALT)
    assert moved[-1][1] == pytest.approx(START_S + CASES[kind][1], abs=0.1 / RATE_HZ)


def test_keys_take_the_nearest_of_several_kinds(targets, qtbot):
    targets.set_snap(CASES)
    targets.set_cursors([Cursor(1, 0, "A", START_S + 0.01195)])
    moved = heard(targets.cursor_moved)
    press(qtbot, targets, Key.Key_A)
    expected = [0.012, 0.012 + 1e-3 / 12, 0.01225, 0.0123, 0.012 + 5e-3 / 12, 0.0125]
    for there_s in expected:
        press(qtbot, targets, Key.Key_Right, held=SHIFT | ALT)
        assert moved[-1][1] == pytest.approx(START_S + there_s, abs=0.1 / RATE_HZ)


@pytest.mark.parametrize("samples_per_cycle", [4000, 40_000])
def test_crossings_of_a_slow_trace_are_those_of_its_whole_cycles(qtbot, samples_per_cycle):
    made = TraceArea()
    qtbot.addWidget(made)
    phase = np.arange(20 * samples_per_cycle) / samples_per_cycle
    values = np.round(20_000 * np.sin(2 * np.pi * phase)).astype(np.int16)
    made.set_channels([TraceChannel("line", "V", values, 1e6)])
    made.set_snap({"crossing"})
    made.show()
    period_s = samples_per_cycle / 1e6
    snapper = made._control.snapper
    # a quarter of a cycle from the crossing there is none, though the trace passes the middle of what lies around
    assert snapper.snapped(10.12 * period_s, 1e-9) == 10.12 * period_s
    assert snapper.next_crossing(10.12 * period_s, 1) == pytest.approx(10.5 * period_s, rel=1e-5)
    assert snapper.next_crossing(10.12 * period_s, -1) == pytest.approx(10 * period_s, rel=1e-5)


# --- what is selected is said


def test_what_is_selected_by_keys_is_said_with_what_keys_do(gridded, qtbot):
    hints = heard(gridded.mouse_hint)
    canvas = canvas_of(gridded)
    press(qtbot, gridded, Key.Key_G, Key.Key_G)
    assert hints[-1][0].startswith("end of the symbol grid at 2.02")
    assert "2 symbols" in hints[-1][0]
    assert canvas.accessibleDescription() == hints[-1][0]
    press(qtbot, gridded, Key.Key_A)
    assert hints[-1][0].startswith("cursor A at 2.01")
    press(qtbot, gridded, Key.Key_Escape)
    assert "comma and period" in canvas.accessibleDescription()


def test_cursors_of_longer_names_are_selected_by_their_first_letter(area, qtbot):
    names = ("vent opens", "A", "vent shuts", "humid")
    area.set_cursors([Cursor(k, 0, name, START_S + 0.01 + k * 1e-3) for k, name in enumerate(names)])
    picked = []
    for key in (Key.Key_V, Key.Key_V, Key.Key_V, Key.Key_A, Key.Key_H):
        press(qtbot, area, key)
        picked.append(selected(area).name)
    assert picked == ["vent opens", "vent shuts", "vent opens", "A", "humid"]


def test_stepping_meets_flips_of_a_weak_carrier_on_ripple_once_its_burst_is_decoded():
    rng = np.random.default_rng(11)
    rate_hz, carrier_hz, cycles, symbols = 1.25e6, 203_710.0, 6, 120
    signs = rng.choice([-1.0, 1.0], symbols)
    at_s = np.arange(round(symbols * cycles / carrier_hz * rate_hz)) / rate_hz
    phase = at_s * carrier_hz
    wave = signs[np.minimum((phase // cycles).astype(int), symbols - 1)] * np.sin(2 * np.pi * phase)
    ripple = 2.5 * np.sign(np.sin(2 * np.pi * 7_300 * at_s))
    values = (wave + ripple + rng.normal(0, 0.3, wave.size)).astype(np.float32)
    snapper = Snapper(MarksShown())
    snapper.envelope = ChannelEnvelope(TraceChannel("line", "V", values, rate_hz))
    flips_s = (np.flatnonzero(np.diff(signs)) + 1) * cycles / carrier_hz

    def met() -> float:
        near_s = 0.125 / carrier_hz
        found = [any(abs(p.time_s - t) < near_s for p in snapper.places(float(t))) for t in flips_s]
        return sum(found) / len(found)

    before = met()
    period_s = cycles / carrier_hz
    burst = LaneBurst(0.0, float(at_s[-1]), 0.0, period_s, "1" * symbols, carrier_hz=carrier_hz)
    snapper._shown.lane = LaneBook([burst])
    assert before < 0.3
    assert met() > 0.8
