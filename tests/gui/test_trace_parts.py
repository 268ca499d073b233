"""The parts of the trace area that compute: scales, ranges, curves, hits, snapping."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtGui import QColor

import app.gui.trace
from app.demo import demo_path
from app.files.capture_options import ReadOptions
from app.files.inputs import open_input
from app.gui import style
from app.gui.trace.api import FlipView, LaneBurst, TraceChannel, TraceSegment
from app.gui.trace.curves import ChannelEnvelope
from app.gui.trace.geometry import Geometry, find_hit
from app.gui.trace.gestures import Hit, Zone
from app.gui.trace.hints import hint_text
from app.gui.trace.lane import BurstRow
from app.gui.trace.marks_shown import FlipBook, LaneBook, MarksShown
from app.gui.trace.palette import colours_of, line_pen
from app.gui.trace.scale import TimeScale
from app.gui.trace.snapping import Snapper
from app.gui.trace.symbol_edges import next_symbol_edge
from app.gui.trace.ticks import nice_step, time_text, time_ticks, value_ticks
from app.gui.trace.timeline import Timeline
from app.gui.trace.viewrange import ViewRange
from app.model.items import Cursor

# --- scales


@pytest.mark.parametrize(
    ("start_s", "end_s", "texts", "caption"),
    [
        (0.0, 10e-3, ("0", "2", "4", "6", "8", "10"), "time in ms"),
        (-2e-6, 2e-6, ("−2", "−1", "0", "1", "2"), "time in µs"),
        (61.2, 63.1, ("61.5", "62.0", "62.5", "63.0"), "time in s"),
    ],
)
def test_time_ticks(start_s, end_s, texts, caption):
    ticks = time_ticks(start_s, end_s, 6)
    assert ticks.texts == texts
    assert ticks.caption == caption


def test_times_far_from_zero_count_from_a_base():
    ticks = time_ticks(12.3456781, 12.3456799, 6)
    assert ticks.caption == "time in µs after 12.3455 s"
    assert ticks.values[0] == pytest.approx(12.3456785, abs=1e-9)
    assert ticks.texts[0] == "178.5"
    # while the view pans a little an instant keeps its text
    later = time_ticks(12.3456791, 12.3456809, 6)
    assert later.caption == ticks.caption
    before, after = (dict(zip(t.texts, t.values, strict=True)) for t in (ticks, later))
    both = before.keys() & after.keys()
    assert both
    assert all(before[text] == pytest.approx(after[text], abs=1e-12) for text in both)


@pytest.mark.parametrize("span", [1e-9, 3.3e-4, 1.0, 7e5])
@pytest.mark.parametrize("most", [1, 4, 11])
def test_steps_are_nice_and_not_too_many(span, most):
    step = nice_step(span, most)
    assert span / step <= most * (1 + 1e-6)
    assert round(step / 10 ** np.floor(np.log10(step) + 1e-9), 6) in (1, 2, 5)


def test_value_ticks_take_a_prefix_only_where_units_do():
    assert value_ticks(-0.004, 0.004, 4, "V").caption == "mV"
    assert value_ticks(-0.4, 0.4, 4, "FS").caption == "FS"
    assert value_ticks(-0.4, 0.4, 4, "FS").texts == ("−0.4", "−0.2", "0.0", "0.2", "0.4")


def test_time_text_has_the_digits_it_is_worth():
    assert time_text(0.0123456789, 1e-7) == "12.3457 ms"
    assert time_text(-2.5e-6, 1e-9) == "−2.500 µs"
    assert time_text(0.0, 1e-6) == "0 µs"


def test_time_scale_goes_there_and_back():
    scale = TimeScale(1.0, 3.0, 100.0, 300.0)
    assert (scale.px(2.0), scale.time(200.0), scale.seconds_per_pixel) == (200.0, 2.0, 0.01)


# --- the visible range


def test_range_is_kept_on_the_capture():
    whole = ViewRange.whole(10.0, 20.0, 1000.0)
    assert (whole.start_s, whole.end_s) == (9.9, 20.1)
    assert whole.shown(5.0, 50.0) == whole
    narrow = whole.shown(12.0, 12.0001)
    assert narrow.width_s == pytest.approx(0.004)
    assert (narrow.start_s + narrow.end_s) / 2 == pytest.approx(12.00005)
    assert whole.shown(13.0, 12.0) == whole.shown(12.0, 13.0)


def test_panning_keeps_the_width_and_some_of_the_capture():
    view = ViewRange.whole(0.0, 1.0, 1e6).shown(0.2, 0.3)
    for by_s in (0.05, 5.0, -5.0, 1e-7):
        moved = view.panned(by_s)
        assert moved.width_s == pytest.approx(view.width_s, rel=1e-12)
        assert moved.start_s <= 1.0
        assert moved.end_s >= 0.0


def test_zooming_keeps_what_is_under_the_pointer():
    view = ViewRange.whole(0.0, 1.0, 1e6).shown(0.2, 0.4)
    closer = view.zoomed(0.5, 0.25)
    assert closer.width_s == pytest.approx(0.1)
    assert (0.25 - closer.start_s) / closer.width_s == pytest.approx((0.25 - 0.2) / 0.2)
    closest = view.zoomed(1e-12, 0.25)
    assert closest.width_s == pytest.approx(4e-6)
    assert closest.start_s < 0.25 < closest.end_s


# --- curves


def envelope(stored, rate_hz=1e3, **more):
    made = ChannelEnvelope(TraceChannel("line", "V", stored, rate_hz, **more))
    for _ in made.build():
        pass
    return made


def test_columns_meet_and_hold_every_extremum():
    rng = np.random.default_rng(1)
    stored = rng.normal(size=300_000).astype(np.float32)
    stored[123_456] = 50
    drawn = envelope(stored, start_s=5.0).drawn(5.0, 305.0, 700, 5.0)
    assert drawn.paired
    assert not drawn.dots
    low, high = drawn.y[0::2], drawn.y[1::2]
    assert (high.max(), low.min()) == (stored.max(), stored.min())
    assert drawn.x[2 * int(np.argmax(high))] == pytest.approx(123.456, abs=300 / 700)
    assert (low[1:] <= high[:-1]).all()
    assert (low[:-1] <= high[1:]).all()
    assert (drawn.x[0::2] == drawn.x[1::2]).all()
    assert np.diff(drawn.x[0::2]).max() <= 300 / 700


def test_close_up_the_samples_themselves_are_drawn():
    stored = np.arange(1000, dtype=np.int16)
    made = envelope(stored, start_s=1e6, scale=0.5, offset=-3.0)
    drawn = made.drawn(1e6 + 0.1005, 1e6 + 0.1105, 500, 1e6)
    assert drawn.dots
    assert not drawn.paired
    known = np.isfinite(drawn.y)
    np.testing.assert_allclose(drawn.x[known] * 1e3, np.arange(99, 112), atol=1e-6)
    np.testing.assert_allclose(drawn.y[known], np.arange(99, 112) * 0.5 - 3.0)
    assert not made.drawn(1e6 + 0.1, 1e6 + 0.3, 500, 1e6).dots


def test_panning_moves_the_picture_as_a_whole():
    rng = np.random.default_rng(2)
    made = envelope(rng.normal(size=400_000))
    seen: dict[float, tuple[float, float]] = {}
    for start_s in np.arange(50.0, 60.0, 0.137):
        drawn = made.drawn(start_s, start_s + 100.0, 333, 0.0)
        inner = slice(2, len(drawn.x) // 2 - 1)  # the first column has no neighbour to meet
        pairs = zip(drawn.x[0::2][inner], drawn.y[0::2][inner], drawn.y[1::2][inner], strict=True)
        for x, low, high in pairs:
            assert seen.setdefault(round(float(x), 6), (low, high)) == (low, high)


def test_segments_are_drawn_apart():
    stored = np.concatenate([np.zeros(5000), np.ones(5000)]).astype(np.float32)
    segments = (TraceSegment(5000, 10_000, 20.0), TraceSegment(0, 5000, 2.0))
    made = envelope(stored, segments=segments)
    far = made.drawn(0.0, 30.0, 400, 0.0)
    x, low, high = far.x[0::2], far.y[0::2], far.y[1::2]
    assert not ((x > 7.1) & (x < 19.9)).any()
    assert set(low[x < 10]) == set(high[x < 10]) == {0.0}
    assert set(low[x > 10]) == set(high[x > 10]) == {1.0}
    near = made.drawn(6.99, 20.01, 40_000, 0.0)
    breaks = np.flatnonzero(np.isnan(near.y))
    assert len(breaks) == 2
    assert near.x[breaks[0]] < 10 < near.x[breaks[0] + 1]


@pytest.mark.parametrize("count", [3, 400, 5000])
def test_segments_narrower_than_a_pixel_keep_their_extremes(count):
    length = 16
    stored = np.zeros(count * length, np.int16)
    stored[7 * (count // 10) * length + 5] = 99
    segments = tuple(TraceSegment(k * length, (k + 1) * length, k * 10.0) for k in range(count))
    made = envelope(stored, segments=segments)
    drawn = made.drawn(-1.0, count * 10.0, 800, 0.0)
    assert drawn.y.max() == 99
    assert drawn.x[int(np.argmax(drawn.y))] == pytest.approx(7 * (count // 10) * 10.0, abs=count * 10.0 / 400)
    assert len(drawn.x) <= 2 * 2 * 800


def test_nan_and_infinity_leave_the_rest_visible():
    stored = np.sin(np.arange(20_000) / 50)
    stored[3000:4000] = np.nan
    stored[15_000] = np.inf
    drawn = envelope(stored).drawn(0.0, 20.0, 500, 0.0)
    assert np.isfinite(drawn.y).all()
    assert not ((drawn.x > 3.1) & (drawn.x < 3.9)).any()
    assert drawn.y.max() > 1.5
    assert drawn.x[int(np.argmax(drawn.y))] == pytest.approx(15.0, abs=0.05)
    assert ((drawn.x > 4.1) & (drawn.x < 4.9)).any()


def test_a_negative_scale_keeps_low_below_high():
    drawn = envelope(np.arange(10_000, dtype=np.int16), scale=-2.0).drawn(0.0, 10.0, 100, 0.0)
    assert (drawn.y[0::2] <= drawn.y[1::2]).all()
    assert drawn.y.min() == -2.0 * 9999


def test_nothing_to_draw():
    assert envelope(np.zeros(0)).drawn(0.0, 1.0, 100, 0.0).x.size == 0
    assert envelope(np.zeros(100)).drawn(5.0, 6.0, 100, 0.0).x.size == 0
    assert envelope(np.full(5000, np.nan)).limits(0.0, 5.0) is None


def test_timeline_finds_samples_and_gaps():
    channel = TraceChannel(
        "a", "V", np.zeros(300), 100.0, segments=(TraceSegment(0, 100, 0.0), TraceSegment(100, 300, 5.0))
    )
    line = Timeline(channel)
    assert (line.start_s, line.end_s) == (0.0, 7.0)
    assert line.place(0.505) == (0, pytest.approx(50.5))
    assert line.place(5.5) == (1, pytest.approx(150.0))
    assert line.place(3.0) is None
    assert line.place(-1.0) is None
    assert line.time(1, 150.0) == pytest.approx(5.5)
    assert line.samples(1, 4.0, 5.105) == (100, 112)


# --- hits

AREA = Geometry(left=50, right=1050, heads_top=0, heads_bottom=30, rows_bottom=400, lane_bottom=440)
SCALE = TimeScale(0.0, 10.0, 50.0, 1050.0)


def shown():
    marks = MarksShown(span_s=(6.0, 8.0))
    marks.set_cursors([Cursor(1, 0, "A", 1.0), Cursor(2, 0, "B", 1.02)])
    marks.set_flips([FlipView(3.0), FlipView(4.0, None, "removed", 9)])
    return marks


@pytest.mark.parametrize(
    ("x", "y", "zone", "time_s"),
    [
        (148, 200, Zone.CURSOR, 1.0),
        (154, 200, Zone.CURSOR, 1.02),
        (160, 5, Zone.CURSOR, 1.02),
        (352, 25, Zone.FLIP_HEAD, 3.0),
        (352, 200, Zone.FLIP_LINE, 3.0),
        (352, 430, Zone.FLIP_LINE, 3.0),
        (449, 25, Zone.FLIP_HEAD, 4.0),
        (449, 200, Zone.EMPTY, None),
        (651, 200, Zone.SPAN_START, None),
        (849, 200, Zone.SPAN_END, None),
        (700, 200, Zone.EMPTY, None),
        (20, 200, Zone.EMPTY, None),
    ],
)
def test_hits(x, y, zone, time_s):
    hit = find_hit(x, y, AREA, SCALE, shown())
    assert hit.zone is zone
    assert (hit.mark.time_s if hit.mark else None) == time_s
    if zone is Zone.SPAN_START:
        assert hit.other_s == 8.0


def test_the_selected_of_two_cursors_in_one_place_is_hit():
    marks = MarksShown()
    marks.set_cursors([Cursor(1, 0, "A", 1.0), Cursor(2, 0, "B", 1.0)])
    for cursor in marks.cursors:
        marks.selected = cursor
        assert find_hit(150, 200, AREA, SCALE, marks).mark == cursor


def test_crowded_flips_are_hit_by_their_heads_alone():
    marks = MarksShown()
    marks.set_flips([FlipView(k * 0.05) for k in range(200)])
    assert find_hit(353, 25, AREA, SCALE, marks).zone is Zone.FLIP_HEAD
    assert find_hit(353, 200, AREA, SCALE, marks).zone is Zone.EMPTY


# --- marks


def test_selection_follows_what_is_set_anew():
    marks = shown()
    marks.selected = marks.cursors[0]
    marks.set_cursors([Cursor(1, 0, "A", 2.0)])
    assert marks.selected == Cursor(1, 0, "A", 2.0)
    marks.set_cursors([])
    assert marks.selected is None
    moving = marks.flips.flips[0]
    marks.selected, marks.ghost_s = moving, 3.3
    marks.set_flips([FlipView(3.0, None, "removed", 4), FlipView(3.3, None, "hand", 5)])
    assert marks.selected == FlipView(3.3, None, "hand", 5)
    marks.ghost_s = None
    marks.set_flips([FlipView(9.0)])
    assert marks.selected is None


def test_flip_book_steps_and_finds():
    book = FlipBook([FlipView(3.0), FlipView(1.0), FlipView(2.0, None, "hand", 1)])
    assert [flip.time_s for flip in book.flips] == [1.0, 2.0, 3.0]
    assert book.step(book.flips[0], 0.0, 1).time_s == 2.0
    assert book.step(book.flips[2], 0.0, 1).time_s == 3.0
    assert book.step(None, 1.5, 1).time_s == 2.0
    assert book.step(None, 1.5, -1).time_s == 1.0
    assert book.nearest(1.6).time_s == 2.0
    assert [book.flips[k].time_s for k in book.places("auto", 0.5, 9)] == [1.0, 3.0]
    assert FlipBook().nearest(1.0) is None


def burst(start_s, symbols="1011", period_s=0.1, **more):
    end_s = start_s + len(symbols) * period_s
    return LaneBurst(start_s, end_s, start_s, period_s, symbols, **more)


def test_lane_book_finds_overlapping_bursts():
    book = LaneBook([burst(5.0), burst(0.0, "1" * 100), burst(2.0)])
    assert [b.start_s for b in book.between(4.0, 5.1)] == [0.0, 2.0, 5.0]
    assert book.at(2.35).start_s == 0.0
    assert book.at(11.0) is None


def test_burst_row_tells_heights_doubts_and_edges():
    row = BurstRow(burst(1.0, "10", 0.5, confidence=(1.0, 0.75), changed=(False, True)))
    np.testing.assert_allclose(row.heights, [1.0, 0.5])
    np.testing.assert_allclose(row.doubts, [0.0, 0.5])
    assert list(row.changed) == [False, True]
    assert row.visible(SCALE) == (0, 2)
    assert row.visible(TimeScale(1.6, 9.0, 0, 100)) == (1, 2)
    np.testing.assert_allclose(row.edges_px(0, 2, SCALE), [150, 200, 250])
    four = BurstRow(burst(0.0, "0123"))
    assert list(np.argsort(four.heights)) == [0, 1, 2, 3]
    assert not four.doubts.any()


# --- snapping


def snapper(targets, marks=None):
    made = Snapper(marks or MarksShown())
    made.targets = frozenset(targets)
    # crossings every 5 ms from 0, extremes 2.5 ms after them
    made.envelope = envelope(24 + np.sin(2 * np.pi * 100 * np.arange(20_000) / 20e3), 20e3)
    return made


def test_snaps_to_the_nearest_of_what_was_asked():
    assert snapper(["crossing"]).snapped(0.1003, 1e-4) == pytest.approx(0.1, abs=1e-6)
    assert snapper(["extremum"]).snapped(0.1020, 1e-4) == pytest.approx(0.1025, abs=1e-6)
    both = snapper(["crossing", "extremum"])
    assert both.snapped(0.1010, 1e-4) == pytest.approx(0.1, abs=1e-6)
    assert both.snapped(0.1015, 1e-4) == pytest.approx(0.1025, abs=1e-6)
    assert snapper([]).snapped(0.1003, 1e-4) == 0.1003


def test_snaps_no_further_than_it_is_seen_to():
    assert snapper(["crossing"]).snapped(0.1003, 1e-5) == 0.1003


def test_snaps_to_flips_but_not_to_itself_and_not_to_struck_out_ones():
    marks = MarksShown()
    own = FlipView(0.1)
    marks.set_flips([own, FlipView(0.1012), FlipView(0.1004, None, "removed", 1)])
    assert snapper(["flip"], marks).snapped(0.1004, 1e-4, own) == 0.1012
    assert snapper(["flip"], marks).snapped(0.1004, 1e-4) == 0.1


def test_snaps_to_symbol_edges():
    marks = MarksShown(lane=LaneBook([burst(0.2, "1011", 0.01)]))
    made = snapper(["symbol"], marks)
    assert made.snapped(0.2109, 1e-4) == pytest.approx(0.21)
    assert made.snapped(0.2409, 1e-4) == pytest.approx(0.24)
    assert made.snapped(0.25, 1e-4) == 0.25


def test_steps_to_crossings_and_edges():
    made = snapper([])
    assert made.next_crossing(0.1, 1) == pytest.approx(0.105, abs=1e-6)
    assert made.next_crossing(0.1, -1) == pytest.approx(0.095, abs=1e-6)
    assert made.next_crossing(0.1003, -1) == pytest.approx(0.1, abs=1e-6)
    assert made.next_crossing(50.0, 1) is None
    lane = LaneBook([burst(0.2, "1011", 0.01)])
    assert next_symbol_edge(lane, 0.2149, 1) == pytest.approx(0.22)
    assert next_symbol_edge(lane, 0.21, 1) == pytest.approx(0.22)
    assert next_symbol_edge(lane, 0.21, -1) == pytest.approx(0.20)
    assert next_symbol_edge(lane, 0.5, 1) is None


# --- words and colours


def test_hints_say_what_the_mouse_does():
    marks = MarksShown(lane=LaneBook([burst(1.0, "1011", 0.5, confidence=(0.99, 0.9, 1, 1))]))
    empty = hint_text(Hit(), 1.75, 1e-3, "pan", marks)
    assert "1.750 s" in empty
    assert "symbol 2 of 4: 0, 0.900 certain" in empty
    assert "drag: move the view" in empty
    assert "place a flip" in hint_text(Hit(), 0.0, 1e-3, "flip", marks)
    assert "cursor A" in hint_text(Hit(Zone.CURSOR, Cursor(1, 0, "A", 1.0)), 1.0, 1e-3, "pan", marks)
    auto = hint_text(Hit(Zone.FLIP_HEAD, FlipView(1.0, (0.9999, 1.0001))), 1.0, 1e-3, "pan", marks)
    assert "flip found" in auto
    assert "± 100 µs" in auto
    assert "strike it out" in auto
    hand = hint_text(Hit(Zone.FLIP_HEAD, FlipView(1.0, None, "hand", 1)), 1.0, 1e-3, "pan", marks)
    assert "set by hand" in hand
    assert "take it away" in hand


def contrast(a: QColor, b: QColor) -> float:
    """Contrast ratio of WCAG 2.1, section 1.4.3 (from memory)."""

    def luminance(colour: QColor) -> float:
        parts = [colour.redF(), colour.greenF(), colour.blueF()]
        linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted((luminance(a), luminance(b)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("appearance", [style.Appearance.LIGHT, style.Appearance.DARK])
def test_colours_are_legible_in_both_palettes(appearance, qapp):
    colours = colours_of(style.palette_of(appearance))
    assert contrast(colours.text, colours.ground) > 7
    assert contrast(colours.symbol_text, colours.symbol) > 4.5
    assert contrast(colours.text, colours.low_symbol) > 4.5
    # WCAG 2.1, 1.4.11: 3 to 1 for what is not text (from memory)
    for mark in (colours.hand_flip, colours.auto_flip, colours.span_edge, colours.doubt):
        assert contrast(mark, colours.ground) > 3
    assert contrast(colours.channel(0), colours.ground) > 3
    assert len({colours.auto_flip.name(), colours.hand_flip.name(), colours.channel(0).name()}) == 3


def test_no_pen_can_be_slow():
    pen = line_pen(QColor(1, 2, 3, 40))
    assert (pen.width(), pen.isCosmetic(), pen.color().alpha()) == (1, True, 255)
    # only one place makes pens, and nothing asks for antialiasing
    for path in Path(app.gui.trace.__file__).parent.glob("*.py"):
        text = path.read_text()
        if path.name != "palette.py":
            assert not re.search(r"QPen\(|mkPen|setWidth|RenderHint|antialias=True", text), path.name


def test_stepping_meets_the_weakest_talkers_flips_before_anything_is_decoded():
    """Of the demo as it was made (assets/make_demo.py): over ripple, in noise of half its amplitude."""
    sys.path.insert(0, str(demo_path().parent))
    import make_demo

    made = make_demo.greenhouse_line()
    capture = open_input(demo_path(), ReadOptions())
    (one,) = capture.channels
    snapper = Snapper(MarksShown())
    trace = TraceChannel("line", "V", one.stored, capture.rate_hz, scale=one.scale, offset=one.offset)
    snapper.envelope = ChannelEnvelope(trace)
    flips_s = [(t, 1 / burst.carrier_hz) for burst in made.bursts if burst.talker == 2 for t in burst.flips_s]
    met = [any(abs(p.time_s - t) < cycle_s / 8 for p in snapper.places(t)) for t, cycle_s in flips_s]
    assert len(met) > 200
    assert sum(met) > 0.98 * len(met)
