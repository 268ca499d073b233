"""Scales of the values: shared, stacked, or each channel's own; shifted and zoomed by mouse and keys."""

from __future__ import annotations

import numpy as np
import pytest
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtGui import QWheelEvent
from PySide6.QtWidgets import QApplication

from app.gui.trace.api import TraceChannel
from app.gui.trace.area import TraceArea

RATE_HZ = 1e5
TONE = np.sin(2 * np.pi * 1000 * np.arange(20_000) / RATE_HZ)
LARGE = TraceChannel("supply", "V", (10_000 * TONE).astype(np.int16), RATE_HZ, scale=1e-3, offset=24.0)
SMALL = TraceChannel("shunt", "A", (10_000 * TONE).astype(np.int16), RATE_HZ, scale=1e-7)


@pytest.fixture
def area(qtbot):
    made = TraceArea()
    qtbot.addWidget(made)
    made.resize(900, 600)
    made.set_channels([LARGE, SMALL])
    made.set_arrangement("overlaid")
    made.set_active_channel("supply")
    made.show()
    qtbot.waitExposed(made)
    return made


def row_of(area):
    (row,) = area._canvas.rows
    return row


def heights(area) -> list[tuple[float, float]]:
    """Least and greatest y of each curve, as a share of the row."""
    low, high = row_of(area).box.viewRange()[1]
    ends = []
    for columns, curve in zip(row_of(area)._columns, row_of(area)._curves, strict=True):
        y = curve.getData()[1] if curve.isVisible() else np.concatenate([columns._low, columns._high])
        ends.append(((np.nanmin(y) - low) / (high - low), (np.nanmax(y) - low) / (high - low)))
    return ends


def middle(area) -> QPoint:
    return row_of(area).box.sceneBoundingRect().center().toPoint()


def wheel(area, steps: int) -> None:
    viewport = area._canvas.viewport()
    at = middle(area)
    event = QWheelEvent(
        QPointF(at),
        QPointF(viewport.mapToGlobal(at)),
        QPoint(),
        QPoint(0, 120 * steps),
        Qt.MouseButton.NoButton,
        Qt.KeyboardModifier.ControlModifier,
        Qt.ScrollPhase.NoScrollPhase,
        False,
    )
    QApplication.sendEvent(viewport, event)


def test_channels_of_any_size_fill_the_one_row(area):
    for low, high in heights(area):
        assert low == pytest.approx(0.053, abs=0.01)
        assert high == pytest.approx(0.947, abs=0.01)
    assert row_of(area).values == pytest.approx((12.8, 35.2))
    area.set_active_channel("shunt")
    assert row_of(area).values == pytest.approx((-1.12e-3, 1.12e-3))


def test_wheel_and_drag_change_the_active_channel_alone(area, qtbot):
    before = heights(area)
    wheel(area, 3)
    after = heights(area)
    assert after[1] == pytest.approx(before[1])
    assert after[0][1] - after[0][0] == pytest.approx((before[0][1] - before[0][0]) / 0.8**3, rel=1e-3)
    area.set_active_channel("shunt")
    viewport, at = area._canvas.viewport(), middle(area)
    height = row_of(area).box.height()
    held = Qt.KeyboardModifier.ControlModifier
    view = area.visible_range()
    qtbot.mousePress(viewport, Qt.MouseButton.LeftButton, held, at)
    qtbot.mouseMove(viewport, at + QPoint(0, 40))
    qtbot.mouseMove(viewport, at + QPoint(0, 100))
    qtbot.mouseRelease(viewport, Qt.MouseButton.LeftButton, held, at + QPoint(0, 100))
    shifted = heights(area)
    assert shifted[0] == pytest.approx(after[0])
    assert shifted[1][0] == pytest.approx(after[1][0] - 100 / height, abs=2e-3)
    assert area.visible_range() == view


def test_escape_takes_a_shift_back(area, qtbot):
    viewport, at = area._canvas.viewport(), middle(area)
    before = row_of(area).values
    qtbot.mousePress(viewport, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.ControlModifier, at)
    qtbot.mouseMove(viewport, at + QPoint(0, 70))
    assert row_of(area).values != pytest.approx(before)
    qtbot.keyClick(area._canvas, Qt.Key.Key_Escape)
    assert row_of(area).values == pytest.approx(before)


def test_keys_shift_the_values(area, qtbot):
    low, high = row_of(area).values
    qtbot.keyClick(area._canvas, Qt.Key.Key_Down)
    tenth = (high - low) / 10
    assert row_of(area).values == pytest.approx((low + tenth, high + tenth))
    qtbot.keyClick(area._canvas, Qt.Key.Key_Up)
    assert row_of(area).values == pytest.approx((low, high))


def test_stacked_each_has_a_row_and_by_unit_those_of_one_unit_share_one(area):
    area.set_arrangement("each")
    assert [len(row.envelopes) for row in area._canvas.rows] == [1, 1]
    area.set_arrangement("by-unit")
    assert [len(row.envelopes) for row in area._canvas.rows] == [1, 1]
    area.set_channels([LARGE, SMALL, TraceChannel("B", "V", LARGE.stored, RATE_HZ)])
    assert sorted(len(row.envelopes) for row in area._canvas.rows) == [1, 2]


def test_the_axis_says_whose_it_is(area):
    names = [tag.name for tag in row_of(area).tags()]
    assert names == ["supply – its axis at the left", "shunt"]


def test_a_channel_keeps_its_colour_while_others_come_and_go(area):
    derived = TraceChannel("supply / 2", "V", LARGE.stored, RATE_HZ)

    def hues():
        return {e.channel.name: hue for e, hue in zip(area._envelopes, area._hues, strict=True)}

    before = hues()
    area.set_channels([derived, LARGE, SMALL])
    assert {name: hues()[name] for name in before} == before
    assert len(set(hues().values())) == 3
    area.set_channels([SMALL])
    assert hues() == {"shunt": before["shunt"]}


def test_a_curve_between_samples_says_so_and_goes_through_them(area):
    area.set_arrangement("each")
    start_s, end_s = 0.1, 0.1 + 50 / RATE_HZ
    area.show_range(start_s, end_s)
    plain = [row._drawn[0] for row in area._canvas.rows]
    assert not any("sin x / x" in tag.name for row in area._canvas.rows for tag in row.tags())
    area.set_smooth(True)
    for row, before in zip(area._canvas.rows, plain, strict=True):
        (drawn,) = row._drawn
        assert drawn.smooth
        assert "sin x / x" in row.tags()[0].name
        assert drawn.x.size > 8 * before.x.size
        x, y = drawn.samples
        at = np.searchsorted(x, before.x[:-1] - 1e-9)
        np.testing.assert_allclose(y[at], before.y[:-1])
        assert len(row._dots[0].data) == len(x)
    area.show_range(0.0, 0.2)
    assert not any(row._drawn[0].smooth for row in area._canvas.rows)


def test_the_curve_between_samples_is_on_a_fixed_grid(area):
    """It does not shimmer while panning: a point that stays in view keeps its place and value."""
    area.set_arrangement("each")
    area.set_smooth(True)
    seen: dict[int, float] = {}
    for k in range(20):
        start_s = 0.05 + k * 0.37 / RATE_HZ
        area.show_range(start_s, start_s + 30 / RATE_HZ)
        drawn = area._canvas.rows[0]._drawn[0]
        known = np.isfinite(drawn.y)
        places = drawn.x[known] * RATE_HZ * 512
        assert np.abs(places - np.round(places)).max() < 1e-3
        for place, y in zip(np.round(places).astype(int).tolist(), drawn.y[known].tolist(), strict=True):
            assert abs(seen.setdefault(place, y) - y) < 1e-9
    assert len(seen) > 1000
