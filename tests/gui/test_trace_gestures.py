"""The mouse's state machine, without widgets."""

from __future__ import annotations

import pytest

from app.gui.trace.api import FlipView
from app.gui.trace.gestures import (
    Band,
    ClearSpan,
    Drag,
    Drop,
    Hit,
    MouseMachine,
    MoveMark,
    Pan,
    PlaceFlip,
    Pointer,
    Select,
    Zone,
)
from app.model.items import Cursor

CURSOR = Cursor(7, 0, "A", 1.0)
FLIP = FlipView(2.0)
ON_CURSOR = Hit(Zone.CURSOR, CURSOR)
ON_HEAD = Hit(Zone.FLIP_HEAD, FLIP)
ON_LINE = Hit(Zone.FLIP_LINE, FLIP)
EMPTY = Hit()


def at(x, free=False):
    """A pixel is 10 ms wide here."""
    return Pointer(x, 50.0, x / 100, free)


def machine(tool="pan", has_span=False):
    made = MouseMachine(lambda: has_span)
    made.tool = tool
    return made


def drag(mouse, hit, *places, **how):
    """Intents of a press at the first place, moves, and a release at the last."""
    mouse.press(at(places[0]), hit, **how)
    intents = [intent for x in places[1:] for intent in mouse.move(at(x))]
    return intents + mouse.release(at(places[-1]))


def test_one_drag_of_a_cursor_has_one_id_and_keeps_the_grip():
    mouse = machine()
    first = drag(mouse, ON_CURSOR, 102, 110, 120)
    assert first[0] == Select(CURSOR)
    moves = first[1:]
    assert all(isinstance(m, MoveMark) and m.mark is CURSOR for m in moves)
    # grabbed 2 pixels, 20 ms, beside the line
    assert [m.time_s for m in moves] == pytest.approx([1.08, 1.18, 1.18])
    assert [m.done for m in moves] == [False, False, True]
    assert len({id(m.gesture) for m in moves}) == 1
    second = drag(mouse, ON_CURSOR, 102, 110)
    assert second[1].gesture != moves[0].gesture


def test_a_press_that_hardly_moves_is_a_click():
    assert drag(machine(), ON_CURSOR, 100, 102) == [Select(CURSOR)]
    assert drag(machine(), ON_HEAD, 200) == [Select(FLIP)]
    assert drag(machine(), EMPTY, 200) == [Select(None)]


def test_flip_heads_move_in_every_tool_and_lines_only_with_the_flip_tool():
    for tool in ("pan", "zoom", "span", "flip"):
        moved = drag(machine(tool), ON_HEAD, 200, 230)
        assert [type(i) for i in moved] == [Select, MoveMark, MoveMark]
    assert isinstance(drag(machine("pan"), ON_LINE, 200, 230)[0], Pan)
    assert isinstance(drag(machine("flip"), ON_LINE, 200, 230)[1], MoveMark)


def test_a_struck_out_flip_can_be_selected_but_not_moved():
    removed = Hit(Zone.FLIP_HEAD, FlipView(2.0, None, "removed", 3))
    assert drag(machine(), removed, 200, 230) == []
    assert drag(machine(), removed, 200) == [Select(removed.mark)]


def test_each_tool_has_its_plain_drag():
    pan = drag(machine("pan"), EMPTY, 100, 110, 150)
    assert pan == [Pan(10, first=True), Pan(50, first=False), Pan(50, first=False)]
    assert drag(machine("zoom"), EMPTY, 100, 150)[-1] == Band(1.0, 1.5, zoom=True, done=True, free=False)
    backwards = drag(machine("span"), EMPTY, 150, 100)
    assert backwards[0] == Band(1.0, 1.5, zoom=False, done=False, free=False)
    assert backwards[-1] == Band(1.0, 1.5, zoom=False, done=True, free=False)
    assert isinstance(drag(machine("flip"), EMPTY, 100, 150)[0], Pan)


def test_held_keys_and_the_middle_button_override_the_tool():
    assert isinstance(drag(machine("pan"), ON_HEAD, 100, 150, shift=True)[0], Band)
    assert isinstance(drag(machine("span"), ON_CURSOR, 100, 150, middle=True)[0], Pan)
    assert drag(machine("flip"), EMPTY, 100, middle=True) == []
    assert drag(machine("flip"), EMPTY, 100, shift=True) == []


def test_span_edges_are_anchored_at_the_other_edge():
    edge = Hit(Zone.SPAN_START, None, 5.0)
    assert drag(machine("pan"), edge, 300, 200)[-1] == Band(2.0, 5.0, zoom=False, done=True, free=False)
    # dragged past the other edge, start and end change places
    assert drag(machine("pan"), edge, 300, 600)[-1] == Band(5.0, 6.0, zoom=False, done=True, free=False)


def test_a_stretch_of_no_length_is_dropped():
    mouse = machine("span")
    mouse.press(at(100), EMPTY)
    mouse.move(at(150))
    assert mouse.release(at(100)) == [Drop()]


def test_clicks_place_flips_and_clear_spans_where_they_should():
    assert drag(machine("flip"), EMPTY, 100) == [PlaceFlip(1.0, free=False)]
    assert drag(machine("flip"), ON_HEAD, 200) == [Select(FLIP)]
    assert drag(machine("span", has_span=True), EMPTY, 100) == [ClearSpan(), Select(None)]
    assert drag(machine("span", has_span=False), EMPTY, 100) == [Select(None)]


@pytest.mark.parametrize(("tool", "placed"), [("pan", 1), ("zoom", 1), ("span", 1), ("flip", 0)])
def test_double_click_places_one_flip(tool, placed):
    assert len(machine(tool).double_click(at(100), EMPTY)) == placed
    assert machine(tool).double_click(at(100), ON_HEAD) == []


def test_a_double_click_with_the_flip_tool_places_one_flip_in_all():
    mouse = machine("flip")
    intents = drag(mouse, EMPTY, 100)
    intents += mouse.double_click(at(100), EMPTY)
    intents += mouse.release(at(100))
    assert intents == [PlaceFlip(1.0, free=False)]


def test_cancel_puts_a_mark_back_and_drops_a_stretch():
    mouse = machine()
    mouse.press(at(100), ON_CURSOR)
    moved = mouse.move(at(150))[-1]
    (back,) = mouse.cancel()
    assert (back.mark, back.time_s, back.gesture) == (CURSOR, 1.0, moved.gesture)
    assert mouse.release(at(150)) == []
    mouse.press(at(100), EMPTY)
    mouse.move(at(150))
    assert mouse.cancel() == [Drop()]
    assert mouse.cancel() == []


def test_alt_is_passed_on():
    mouse = machine()
    mouse.press(at(100), ON_HEAD)
    assert mouse.move(at(120, free=True))[-1].free
    assert machine("flip").double_click(at(100), EMPTY) == []
    assert mouse.dragging is Drag.MARK
