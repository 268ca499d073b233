"""Readings: values worked out by hand for a tone of known amplitude, and how they follow the user."""

from __future__ import annotations

from dataclasses import replace

import pytest

from app.errors import CancelledError
from app.gui.readings import ReadingsRequest, readings, takes_long
from app.model.capture import Segment
from app.model.commands_captures import DescribeCapture, OpenCapture
from app.model.commands_marks import MoveCursor
from app.model.items import Cursor

CURSORS = (Cursor(1, 0, "A", 0.54), Cursor(2, 0, "B", 0.56))


def rows_of(request: ReadingsRequest) -> dict[str, dict[str, str]]:
    """Text by heading and name."""
    out: dict[str, dict[str, str]] = {}
    for row in readings(request):
        if not row.text:
            out[row.name] = {}
        else:
            out[list(out)[-1]][row.name] = row.text
    return out


@pytest.fixture
def request_of(quiet_capture):
    def make(**changes):
        known = ReadingsRequest(quiet_capture, "wire A", CURSORS, None, (0.545, 0.55, 0.56, 0.57))
        return replace(known, **changes)

    return make


def test_between_cursors(request_of):
    # 20 ms of a 1 kHz tone of 8 V: 20 cycles, mean 0, RMS 8 / sqrt(2) = 5.657 V, 16 V from peak to peak
    found = rows_of(request_of())
    assert list(found) == ["Cursor A", "Cursor B", "A to B", "Instrument"]
    between = found["A to B"]
    assert between["difference"].startswith("20.000")
    # one sample interval of 10 us at each end: sqrt(2 / 12) * 10 us = 4.1 us
    assert between["difference"].endswith("(4) ms")
    assert between["1 / difference"] == "50.000(10) Hz"
    assert between["frequency"].startswith("1.00000")
    assert between["frequency"].endswith("kHz")
    assert between["whole cycles"] in ("19", "20")
    assert between["flips"] == "2"
    assert between["RMS"].startswith("5.656")
    assert between["peak to peak"].startswith("16.00")


def test_what_needs_every_sample_of_a_stretch_is_said_to_come(request_of):
    names = [row.name for row in readings(request_of(), brief=True)]
    assert "value difference" in names
    assert "mean, RMS, …" in names
    assert "RMS" not in names


def test_a_long_stretch_takes_long_and_is_given_up_when_nobody_waits(request_of):
    rate_hz = request_of().capture.rate_hz
    assert not takes_long(request_of())
    assert takes_long(request_of(span_s=(0.0, (1 << 24) / rate_hz)))
    asked = []

    def cancelled() -> bool:
        asked.append(True)
        return True

    with pytest.raises(CancelledError):
        readings(request_of(), cancelled)
    assert len(asked) == 1


def test_value_at_a_cursor_lies_between_samples(request_of):
    # at 1 / 12 of a cycle the sine is 0.5; half a sample from the grid the straight line comes very near
    cursor = Cursor(1, 0, "A", 0.5 + 1e-3 / 12)
    found = rows_of(request_of(cursors=(cursor,)))
    assert list(found) == ["Cursor A", "Instrument"]
    value = float(found["Cursor A"]["value"].split("(")[0].split()[0])
    assert value == pytest.approx(4.0, abs=0.01)
    assert found["Cursor A"]["value"].endswith("V")


def test_derived_channel(request_of):
    found = rows_of(request_of(channel="wire A - 2 * wire B"))
    assert float(found["A to B"]["peak to peak"].split("(")[0]) <= 2.0


def test_selected_span_has_readings_of_its_own(request_of):
    found = rows_of(request_of(cursors=(), span_s=(0.51, 0.515)))
    assert list(found) == ["Selected span", "Instrument"]
    assert found["Selected span"]["difference"].startswith("5.000")
    assert found["Selected span"]["flips"] == "0"


def test_stated_tolerances_widen_the_uncertainty(request_of, quiet_capture):
    # 1000 ppm spread evenly: 20 ms * 1e-3 / sqrt(3) = 11.5 us, with 4.1 us of placing 12.3 us
    told = replace(quiet_capture, timebase_ppm=1000.0, gain_percent=3.0)
    found = rows_of(request_of(capture=told))
    assert found["A to B"]["difference"] == "20.000(12) ms"
    # 3 % spread evenly: 16 V * 0.03 / sqrt(3) = 0.277 V
    assert found["A to B"]["peak to peak"] == "16.00(28) V"
    assert "Instrument" not in found


def test_nothing_is_measured_across_the_edge_of_a_segment(request_of, quiet_capture):
    parts = (Segment(0, 5000, 0.5), Segment(5000, 10_000, 0.6))
    found = rows_of(request_of(capture=replace(quiet_capture, segments=parts)))
    assert found["A to B"]["samples"] == "not within one segment"
    assert "RMS" not in found["A to B"]
    assert found["Cursor B"]["value"] == "no sample here"


def test_a_span_of_no_samples_says_so(request_of):
    found = rows_of(request_of(cursors=(), span_s=(0.510001, 0.510002)))
    assert found["Selected span"]["samples"] == "fewer than two"


def shown(window) -> dict[str, str]:
    model = window.readings.model
    return {model.index(i, 0).data(): model.index(i, 1).data() for i in range(model.rowCount())}


def test_the_panel_follows_cursors_spans_and_captures(window, quiet_capture, qtbot):
    window.bridge.run(OpenCapture(quiet_capture))
    qtbot.waitUntil(lambda: shown(window).get("difference", "").startswith("20.000"))
    first = window.document.data.cursors[0]
    for time_s in (0.53, 0.52, 0.51):
        window.bridge.run(MoveCursor(first.key, time_s), "drag")
    qtbot.waitUntil(lambda: shown(window)["difference"].startswith("50.000"))
    window.area.span_selected.emit(0.52, 0.53)
    qtbot.waitUntil(lambda: "Selected span" in shown(window))
    window.bridge.run(DescribeCapture(0, "", 10.0, 1.0))
    qtbot.waitUntil(lambda: "Instrument" not in shown(window))
    assert window.view.span_s == (0.52, 0.53)
    window.menus.actions["close_capture"].trigger()
    qtbot.waitUntil(lambda: shown(window) == {})
    assert window.view.span_s is None
